"""What a derivation hands back: assumptions, steps, named results, how far each holds, sources."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import sympy as sp
from scipy import special

from gantrysim.records.doors import checked
from gantrysim.theory import shown
from gantrysim.theory.quantities import Expr

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: What is said of a result that leaves nothing out, given the assumptions.
EXACT = "exact"


@checked
class Step(NamedTuple):
    """One step, or one assumption: a short sentence, and its equation where it has one."""

    text: str
    equation: Expr | None = None

    @property
    def latex(self) -> str:
        """The equation as LaTeX, without dollars; empty where there is none."""
        return "" if self.equation is None else sp.latex(self.equation)


@checked
class Result(NamedTuple):
    """One result: its expression, what it is, its unit, and what it leaves out ("exact": nothing).

    Sentences may hold mathematics between dollars, as everywhere in a derivation.
    """

    expression: Expr
    meaning: str
    unit: str
    holds: str = EXACT


def named(words: Mapping[str, tuple[str, ...]], **expressions: Expr) -> dict[str, Result]:
    """Results by name from what each is, its unit, how far it holds, and their expressions."""
    return {name: Result(expressions[name], *about) for name, about in words.items()}


def equation(one: Expr, other: Expr) -> Expr:
    """The equation of a symbol, or of what has this name, and an expression, left as it stands."""
    return sp.Eq(sp.Symbol(one) if isinstance(one, str) else one, other, evaluate=False)


@checked
@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class Derivation:
    """Named results and how they were found.

    Parameters
    ----------
    title : str
        What is derived.
    source : str
        Where the formulas are published, or that they are derived here; several are parted by
        semicolons.
    assumptions : tuple of Step
        What is taken for granted; the equation of one is a condition that the symbols must keep.
    steps : tuple of Step
        The way to them.
    results : mapping of str to Result
        What was found, by name; each expression is an attribute too (``racking_lag().skew``).

    Notes
    -----
    Every symbol stands in `gantrysim.theory.QUANTITIES` with its meaning and its unit (mm, N,
    N/mm, s, rad).  `numeric` turns an expression into a function of numbers, `worked` gives the
    numbers for one machine.
    """

    title: str
    source: str
    assumptions: tuple[Step, ...]
    steps: tuple[Step, ...]
    results: Mapping[str, Result]

    def __getattr__(self, name: str) -> Expr:
        found = vars(self).get("results", {})
        if name not in found:
            raise AttributeError(f"a derivation of {', '.join(found)} has no {name!r}")
        return found[name].expression

    @property
    def expressions(self) -> dict[str, Expr]:
        """The expressions of the results, by name."""
        return {name: result.expression for name, result in self.results.items()}

    @property
    def symbols(self) -> tuple[Expr, ...]:
        """Symbols of the results, by name; what they mean stands in `QUANTITIES`."""
        free = set().union(*[e.free_symbols for e in self.expressions.values()])
        return tuple(sorted(free, key=lambda s: s.name))

    def worked(self, at: Mapping[Expr, float] | None = None) -> dict[str, float]:
        """The results in numbers, by name, in their units.

        Parameters
        ----------
        at : mapping, optional
            Values of the symbols; `gantrysim.theory.bench_values` of the nominal machine if
            absent.  A result with a symbol that has no value here, such as the angle along a
            curve, is left out.

        Raises
        ------
        ValueError
            If the values break an assumption.

        Examples
        --------
        >>> from gantrysim import theory
        >>> theory.play_element().worked()["lost_motion"]  # mm
        0.123...
        """
        if at is None:
            from gantrysim.theory.bench import bench_values  # it asks derivations for lags

            at = bench_values()
        for assumed in self.assumptions:
            if assumed.equation is not None and assumed.equation.subs(at) == sp.false:
                raise ValueError(
                    f"at must keep what is assumed: {assumed.text}: {assumed.equation}."
                )
        return {
            name: float(
                numeric(e, *(used := sorted(e.free_symbols, key=str)))(*[at[s] for s in used])
            )
            for name, e in self.expressions.items()
            if e.free_symbols <= set(at)
        }

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
        """Title, source, assumptions, steps, results and symbols as plain text."""

        def told(steps: tuple[Step, ...]) -> list[dict[str, str]]:
            return [
                {"text": s.text, "equation": "" if s.equation is None else str(s.equation)}
                for s in steps
            ]

        return {
            "title": self.title,
            "source": self.source,
            "assumptions": told(self.assumptions),
            "steps": told(self.steps),
            "results": {
                name: {**r._asdict(), "expression": str(r.expression)}
                for name, r in self.results.items()
            },
            "symbols": {s.name: " / ".join(shown.meaning(s)) for s in self.symbols},
        }

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.title}: {', '.join(self.results)})"

    def _repr_latex_(self) -> str:
        return shown.latex(self)

    def _repr_markdown_(self) -> str:
        return shown.markdown(self)

    def _repr_html_(self) -> str:
        return shown.page(self)


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
