"""How a derivation shows itself: assumptions, steps, results with the numbers of the bench machine.

Mathematics stands between dollars, for a notebook to typeset.
"""

from __future__ import annotations

import html
import math
from typing import TYPE_CHECKING

import sympy as sp

from gantrysim.theory.quantities import QUANTITIES, Expr

if TYPE_CHECKING:
    from gantrysim.theory.derivation import Derivation, Result, Step

#: Results with more operations than this are not written out in a notebook.
LONG = 90


def meaning(symbol: Expr) -> tuple[str, str]:
    """What a symbol stands for, and its unit; empty where it is not known."""
    known = QUANTITIES.get(symbol)
    return (known.meaning, known.unit) if known else ("", "")


def latex(found: Derivation) -> str:
    """The results as one block of LaTeX."""
    rows = [rf"\text{{{_plain(n)}}} &= {_written(e)}" for n, e in found.expressions.items()]
    return r"$$\begin{aligned}" + r" \\ ".join(rows) + r"\end{aligned}$$"


def markdown(found: Derivation) -> str:
    """The whole derivation as Markdown."""
    worked = found.worked()
    parts = [f"### {found.title}", "**Assumed**"]
    parts.append("\n".join(f"- {_assumed(step)}" for step in found.assumptions))
    parts.append("**Steps**")
    for i, step in enumerate(found.steps, start=1):
        parts.append(f"{i}. {step.text}")
        if step.latex:
            parts.append(f"    $${step.latex}$$")
    parts.append("**Results**")
    for name, result in found.results.items():
        parts.append(f"**{_plain(name)}** ({result.holds}): {_told(result)}")
        parts.append(f"$${_written(result.expression)}$$")
        if name in worked:
            parts.append(f"Bench machine: {number(worked[name], result.unit)}")
    rows = (" | ".join((f"${sp.latex(s)}$", *_row(s))) for s in found.symbols)
    head = "| symbol | meaning | bench machine | unit |\n|---|---|---|---|\n"
    parts.append(head + "\n".join(f"| {row} |" for row in rows))
    parts.append(f"*Source: {found.source}*")
    return "\n\n".join(parts) + "\n"


def page(found: Derivation) -> str:
    """The whole derivation as HTML."""
    worked = found.worked()

    def block(written: str) -> str:
        return f"<div>$${html.escape(written)}$$</div>" if written else ""

    assumed = "".join(f"<li>{html.escape(_assumed(step))}</li>" for step in found.assumptions)
    steps = "".join(f"<li>{html.escape(s.text)}{block(s.latex)}</li>" for s in found.steps)
    results = "".join(
        f"<dt><b>{html.escape(_plain(name))}</b> ({html.escape(result.holds)})</dt>"
        f"<dd>{html.escape(_told(result))}{block(_written(result.expression))}"
        + (f"Bench machine: {number(worked[name], result.unit)}" if name in worked else "")
        + "</dd>"
        for name, result in found.results.items()
    )
    rows = "".join(
        f"<tr><td>${html.escape(sp.latex(s))}$</td>"
        + "".join(f"<td>{html.escape(cell)}</td>" for cell in _row(s))
        + "</tr>"
        for s in found.symbols
    )
    return (
        f"<h3>{html.escape(found.title)}</h3>"
        f"<p><b>Assumed</b></p><ul>{assumed}</ul><p><b>Steps</b></p><ol>{steps}</ol>"
        f"<p><b>Results</b></p><dl>{results}</dl>"
        "<table><thead><tr><th>symbol</th><th>meaning</th><th>bench machine</th><th>unit</th></tr>"
        f"</thead><tbody>{rows}</tbody></table>"
        f"<p><i>Source: {html.escape(found.source)}</i></p>"
    )


def number(value: float, unit: str) -> str:
    """A number to four figures with its unit; angles in degrees too."""
    value += 0.0  # no minus before a nought
    said = f"{value:.4g}" if unit == "dimensionless" else f"{value:.4g} {unit}"
    return f"{said} ({math.degrees(value):.3g}°)" if unit == "rad" and value else said


def _row(symbol: Expr) -> tuple[str, str, str]:
    """Meaning of a symbol, its value on the bench machine, its unit."""
    from gantrysim.theory.bench import bench_values  # it asks derivations for lags

    words, unit = meaning(symbol)
    value = bench_values().get(symbol)
    return words, "runs" if value is None else f"{value:.4g}", unit


def _assumed(step: Step) -> str:
    return f"{step.text}: ${step.latex}$" if step.latex else step.text


def _told(result: Result) -> str:
    return result.meaning if result.unit == "dimensionless" else f"{result.meaning}, {result.unit}"


def _written(expr: Expr) -> str:
    """LaTeX of a result, or that it is long."""
    long = sp.count_ops(expr) > LONG
    return r"\text{(long, not written out)}" if long else str(sp.latex(expr))


def _plain(name: str) -> str:
    return name.replace("_", " ")
