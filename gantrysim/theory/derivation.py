"""What a derivation hands back: named expressions, the steps that led to them, its source."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import sympy as sp
from scipy import special

from gantrysim.records.doors import checked
from gantrysim.theory.quantities import QUANTITIES, Expr

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Results with more operations than this are not written out in a notebook.
LONG = 90


@checked
class Step(NamedTuple):
    """One step: a short sentence, and its equation where it has one."""

    text: str
    equation: Expr | None = None

    @property
    def latex(self) -> str:
        """The equation as LaTeX, without dollars; empty where there is none."""
        return "" if self.equation is None else sp.latex(self.equation)


def equation(one: Expr, other: Expr) -> Expr:
    """The equation of a symbol, or of what has this name, and an expression, left as it stands."""
    return sp.Eq(sp.Symbol(one) if isinstance(one, str) else one, other, evaluate=False)


@checked
@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class Derivation:
    """Named expressions and how they were found.

    Parameters
    ----------
    title : str
        What is derived.
    source : str
        Where the formulas are published, or "derived here".
    steps : tuple of Step
        The way to them.
    expressions : mapping of str to expression
        The results by name; each is an attribute too (``racking_lag().skew``).

    Notes
    -----
    Every symbol stands in `gantrysim.theory.QUANTITIES` with its meaning and its unit (mm, N,
    N/mm, s, rad).  `numeric` turns an expression into a function of numbers.
    """

    title: str
    source: str
    steps: tuple[Step, ...]
    expressions: Mapping[str, Expr]

    def __getattr__(self, name: str) -> Expr:
        found = vars(self).get("expressions", {})
        if name not in found:
            raise AttributeError(f"a derivation of {', '.join(found)} has no {name!r}")
        return found[name]

    @property
    def symbols(self) -> tuple[Expr, ...]:
        """Symbols of the results, by name; what they mean stands in `QUANTITIES`."""
        free = set().union(*[e.free_symbols for e in self.expressions.values()])
        return tuple(sorted(free, key=lambda s: s.name))

    def numeric(self, name: str, *symbols: Expr) -> Callable[..., Any]:
        """A result as a function of numbers; see `gantrysim.theory.numeric`.

        Raises
        ------
        ValueError
            If there is no result of that name.
        """
        if name not in self.expressions:
            raise ValueError(f"name must be one of {', '.join(self.expressions)}, found {name!r}.")
        return numeric(self.expressions[name], *symbols)

    def plot(
        self,
        name: str,
        over: Expr,
        low: float,
        high: float,
        *,
        at: Mapping[Expr, float],
        label: str | None = None,
        ax: Axes | None = None,
    ) -> Axes:
        """Draw a result over one symbol, the others held; takes and returns matplotlib Axes.

        Parameters
        ----------
        name : str
            Which result.
        over : symbol
            Along the axis; angles are drawn in degrees.
        low, high : float
            From where to where, in the unit of the symbol (angles in rad).
        at : mapping
            Values of the other symbols, in their units.
        label : str, optional
            What is drawn, with its unit; the name of the result if absent.
        ax : Axes, optional
            Where to draw; a new figure if absent.

        Raises
        ------
        ValueError
            If there is no such result, or a symbol of it has no value.
        """
        from gantrysim.plotting.derivations import plot_derivation

        return plot_derivation(self, name, over, low, high, at=at, label=label, ax=ax)

    def to_dict(self) -> dict[str, Any]:
        """Title, source, steps, results and symbols as plain text."""
        return {
            "title": self.title,
            "source": self.source,
            "steps": [
                {"text": s.text, "equation": "" if s.equation is None else str(s.equation)}
                for s in self.steps
            ],
            "expressions": {name: str(e) for name, e in self.expressions.items()},
            "symbols": {s.name: " / ".join(_meaning(s)) for s in self.symbols},
        }

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.title}: {', '.join(self.expressions)})"

    def _repr_latex_(self) -> str:
        rows = [rf"\text{{{_plain(n)}}} &= {_shown(e)}" for n, e in self.expressions.items()]
        return r"$$\begin{aligned}" + r" \\ ".join(rows) + r"\end{aligned}$$"

    def _repr_markdown_(self) -> str:
        parts = [f"### {self.title}"]
        for i, step in enumerate(self.steps, start=1):
            parts.append(f"{i}. {step.text}")
            if step.latex:
                parts.append(f"$${step.latex}$$")
        for name, e in self.expressions.items():
            parts.append(f"**{_plain(name)}**")
            parts.append(f"$${_shown(e)}$$")
        for s in self.symbols:
            meaning, unit = _meaning(s)
            parts.append(f"- ${sp.latex(s)}$: {meaning}, {unit}")
        parts.append(f"*Source: {self.source}*")
        return "\n\n".join(parts) + "\n"

    def _repr_html_(self) -> str:
        def shown(latex: str) -> str:
            return f"<div>$${html.escape(latex)}$$</div>" if latex else ""

        steps = "".join(f"<li>{html.escape(s.text)}{shown(s.latex)}</li>" for s in self.steps)
        found = "".join(
            f"<dt>{html.escape(_plain(name))}</dt><dd>{shown(_shown(e))}</dd>"
            for name, e in self.expressions.items()
        )
        rows = "".join(
            f"<tr><td>${html.escape(sp.latex(s))}$</td>"
            + "".join(f"<td>{html.escape(cell)}</td>" for cell in _meaning(s))
            + "</tr>"
            for s in self.symbols
        )
        return (
            f"<h3>{html.escape(self.title)}</h3><ol>{steps}</ol><dl>{found}</dl>"
            f"<table><tr><th>symbol</th><th>meaning</th><th>unit</th></tr>{rows}</table>"
            f"<p><i>Source: {html.escape(self.source)}</i></p>"
        )


@checked
def numeric(expr: Expr, *symbols: Expr) -> Callable[..., Any]:
    """A function of numbers or arrays from an expression.

    Parameters
    ----------
    expr : sympy expression
        Such as a result of a derivation.
    *symbols : sympy symbols
        In the order in which the function takes their values, in the units of `QUANTITIES`.

    Returns
    -------
    callable
        Takes floats or arrays that broadcast together; gives a float where all were numbers,
        else an array.

    Raises
    ------
    ValueError
        If the expression holds a symbol that is not among those given.
    """
    missing = sp.sympify(expr).free_symbols - set(symbols)
    if missing:
        names = ", ".join(sorted(str(s) for s in missing))
        raise ValueError(
            f"symbols must hold every symbol of the expression, found none for {names}."
        )
    compiled = sp.lambdify(
        symbols, expr, modules=[{"elliptic_e": special.ellipeinc}, "scipy", "numpy"], cse=True
    )

    def function(*values: Any) -> Any:
        if len(values) != len(symbols):
            raise ValueError(f"values must be {len(symbols)} numbers, found {len(values)}.")
        arrays = np.broadcast_arrays(*[np.asarray(v, dtype=float) for v in values])
        # branches that do not apply are computed too
        with np.errstate(invalid="ignore", divide="ignore"):
            out = compiled(*arrays)
        shape = arrays[0].shape if arrays else ()
        return np.broadcast_to(np.asarray(out, dtype=float), shape).copy()[()]

    return function


def _meaning(symbol: Expr) -> tuple[str, str]:
    known = QUANTITIES.get(symbol)
    return (known.meaning, known.unit) if known else ("", "")


def _shown(expr: Expr) -> str:
    """LaTeX of a result, or that it is long."""
    long = sp.count_ops(expr) > LONG
    return r"\text{(long, not written out)}" if long else str(sp.latex(expr))


def _plain(name: str) -> str:
    return name.replace("_", " ")
