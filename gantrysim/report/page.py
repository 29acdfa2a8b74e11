"""The pieces of a page: sections, sentences, tables, pictures, what is folded.

Whatever comes in as text is escaped here; only tables and pictures come in as HTML, and escape what
they hold themselves.  The page loads nothing: its style stands in it, and its policy forbids the
rest.  Headings go down one step at a time; text has a contrast of 4.5 to 1 or more (WCAG 2.2,
success criterion 1.4.3, from memory).

Printed, a customer's page is one sheet of A4: its text takes what it needs, the picture the rest.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Sequence
from itertools import groupby

_SHORT = 200  # characters of a sentence that may be set large
_STYLE = """
:root{color-scheme:light}
*{box-sizing:border-box}
body{margin:0 auto;padding:1rem;max-width:60rem;background:#fff;color:#222;
 font:1rem/1.5 system-ui,sans-serif;overflow-wrap:break-word}
h1{font-size:1.6rem;line-height:1.2;margin:0 0 .3rem}
h2{font-size:1.2rem;margin:1.8rem 0 .4rem}
p,ul,ol{margin:.4rem 0}
.about{color:#555}
.lead{font-size:1.25rem;line-height:1.35}
.warning,.caution{border-left:.4rem solid #d55e00;background:#fdf3ec;padding:.6rem .9rem;
 margin:1rem 0}
.warning h2{margin-top:0}
.caution{border-color:#222}
figure{margin:1rem 0;break-inside:avoid}
figure svg{display:block;width:100%;height:auto;max-width:40rem}
figcaption{color:#555}
.pair{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,18rem),1fr));gap:0 1rem}
.wide{overflow-x:auto;margin:.6rem 0}
table{border-collapse:collapse;font-size:.95em}
caption{text-align:left;color:#555}
th,td{text-align:left;vertical-align:top;padding:.25rem .8rem .25rem 0;
 border-bottom:1px solid #bbb}
details{border-top:1px solid #bbb;padding:.4rem 0}
summary{cursor:pointer;font-weight:600;padding:.3rem 0}
:focus-visible{outline:3px solid #0072b2;outline-offset:2px}
footer{margin-top:2rem;border-top:1px solid #bbb;color:#555}
@page{size:A4;margin:14mm}
@media print{
body{max-width:none;padding:0;font-size:9.5pt;line-height:1.35}
h1{font-size:16pt}h2{font-size:12pt;margin-top:5mm;break-after:avoid}.lead{font-size:12pt}
figure{margin:3mm 0}figure svg{max-width:105mm;max-height:95mm}
.pair{grid-template-columns:1fr 1fr}.pair svg{max-width:88mm}
.customer .pair svg{max-height:75mm}
body.customer{height:268mm}
body.customer,.customer main,.customer figure{display:flex;flex-direction:column;min-height:0}
.customer main{flex:1}.customer main>*{flex:none}
.customer main>figure,.customer main>.pair{flex:0 1 auto;min-height:40mm}
.customer .pair{display:flex;overflow:hidden}.customer .pair figure{flex:1}
.customer figure svg{flex:0 1 auto;min-height:0}
.warning,.caution,tr{break-inside:avoid}.wide{overflow:visible}
details:not([open]){display:none}
}
"""


def page(title: str, body: Iterable[str], *, style: str = "", kind: str = "") -> str:
    """A whole page of English words; ``kind`` is the class of its body."""
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en">',
            "<head>",
            '<meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            '<meta http-equiv="Content-Security-Policy" '
            "content=\"default-src 'none'; style-src 'unsafe-inline'\">",
            f"<title>{html.escape(title)}</title>",
            f"<style>{_STYLE}{style}</style>",
            "</head>",
            f'<body class="{html.escape(kind)}">' if kind else "<body>",
            *body,
            "</body>",
            "</html>",
            "",
        ]
    )


def head(title: str, about: Sequence[str]) -> str:
    """What the page is about."""
    lines = "".join(f'<p class="about">{html.escape(line)}</p>' for line in about)
    return f"<header><h1>{html.escape(title)}</h1>{lines}</header>"


def section(heading: str, *content: str, kind: str = "") -> str:
    """A section with a heading of the second rank, no two of one page alike; none if empty."""
    inside = "\n".join(filter(None, content))
    if not inside:
        return ""
    name = re.sub(r"\W+", "-", heading.lower()).strip("-")
    of = f' class="{kind}"' if kind else ""
    title = f'<h2 id="{name}">{html.escape(heading)}</h2>'
    return f'<section{of} aria-labelledby="{name}">{title}\n{inside}\n</section>'


def sentences(rows: Iterable[str], *, lead: bool = False) -> str:
    """Rows of a report as paragraphs, and those that begin with two blanks as a list.

    ``lead``: the first of them is set large, unless it is long.
    """
    out: list[str] = []
    for listed, group in groupby(rows, key=lambda row: row.startswith("  ")):
        if not listed:
            for row in group:
                large = ' class="lead"' if lead and not out and len(row) <= _SHORT else ""
                out.append(f"<p{large}>{html.escape(row)}</p>")
            continue
        items = [row.strip().removeprefix("- ") for row in group]
        counted = all(re.match(r"\d+\. ", item) for item in items)
        tag = "ol" if counted else "ul"
        shown = (re.sub(r"^\d+\. ", "", item) if counted else item for item in items)
        out.append(f"<{tag}>{''.join(f'<li>{html.escape(i)}</li>' for i in shown)}</{tag}>")
    return "\n".join(out)


def cautions(rows: Sequence[str]) -> str:
    """What keeps the hands whole, in a box."""
    return f'<div class="caution">{sentences(rows)}</div>' if rows else ""


def wide(table: str, name: str) -> str:
    """HTML of a table that may be wider than a phone, to be scrolled by hand and by keyboard."""
    return (
        f'<div class="wide" role="region" tabindex="0" aria-label="{html.escape(name)}">'
        f"{table}</div>"
    )


def picture(svg: str, caption: str) -> str:
    """A picture and what it is."""
    return f"<figure>{svg}<figcaption>{html.escape(caption)}</figcaption></figure>"


def pair(*pictures: str) -> str:
    """Pictures side by side where there is room."""
    return f'<div class="pair">{"".join(pictures)}</div>' if pictures else ""


def folded(summary: str, *content: str) -> str:
    """What is shown when asked for, by mouse or keyboard; not printed while it is folded."""
    inside = "\n".join(content)
    return f"<details><summary>{html.escape(summary)}</summary>\n{inside}\n</details>"


def foot(text: str) -> str:
    """The last line."""
    return f"<footer><p>{html.escape(text)}</p></footer>"
