"""Write the reference from the docstrings into build/reference, one page a package.

.venv/bin/pip install -q -e '.[docs]' && .venv/bin/python examples/make_reference.py
"""

import re
import sys
from importlib import import_module
from pathlib import Path

import pdoc

import gantrysim

WHERE = Path(__file__).resolve().parents[1] / "build" / "reference"
LOOK = Path(__file__).resolve().parent / "site"  # colours, and the way back to the other pages
#: What pdoc leaves without a name, or out of reach of the keyboard (WCAG 2.2, 2.1.1 and 2.4.4).
REACHED = (
    (
        r'<a class="headerlink" href="#([^"]+)">',
        r'<a class="headerlink" href="#\1" aria-label="\1">',
    ),
    (r"<pre>", r'<pre tabindex="0">'),
    (r'<div class="attr (function|class|variable)">', r'<div class="attr \1" tabindex="0">'),
)


def packages() -> list[str]:
    """Names of the root and of every public package."""
    public = [name for name in dir(gantrysim) if hasattr(getattr(gantrysim, name), "__path__")]
    return ["gantrysim", *(f"gantrysim.{name}" for name in public if name != "records")]


def write(where: Path) -> Path:
    """Write the pages into a folder; returns the first of them."""
    for name in packages():
        package = import_module(name)
        for own in package.__all__:  # what is loaded at first use stands in the page too
            setattr(package, own, getattr(package, own))
    pdoc.render.configure(docformat="numpy", math=False, show_source=False, template_directory=LOOK)
    pdoc.pdoc(*packages(), output_directory=where)
    for made in where.rglob("*.html"):
        text = made.read_text(encoding="utf-8")
        for found, instead in REACHED:
            text = re.sub(found, instead, text)
        made.write_text(text, encoding="utf-8")
    return where / "index.html"


if __name__ == "__main__":
    print(write(Path(sys.argv[1]) if len(sys.argv) > 1 else WHERE))
