"""Write the reference from the docstrings into build/reference, one page a package.

.venv/bin/pip install -q -e '.[dev]' && .venv/bin/python examples/make_reference.py
"""

import sys
from importlib import import_module
from pathlib import Path

import pdoc

import gantrysim

WHERE = Path(__file__).resolve().parents[1] / "build" / "reference"


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
    pdoc.render.configure(docformat="numpy", math=False, show_source=False)
    pdoc.pdoc(*packages(), output_directory=where)
    return where / "index.html"


if __name__ == "__main__":
    print(write(Path(sys.argv[1]) if len(sys.argv) > 1 else WHERE))
