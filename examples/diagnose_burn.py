"""Name the fault of a gantry from a measured test burn.

Without arguments it diagnoses the shipped piece, which an independent dynamic simulator burned
and measured on an invented machine:

    python examples/diagnose_burn.py

With your own measured points (CSV) and the description of the test that was commanded:

    python examples/diagnose_burn.py points.csv test.json --picture finding.png

Lengths are mm.  Machines other than the nominal bench machine: see `gantrysim.Machine`.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import gantrysim as gs

DATA = Path(__file__).with_name("data")


def arguments() -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description="Name the fault behind a measured test burn.")
    parser.add_argument("points", nargs="?", type=Path, help="measured points, CSV")
    parser.add_argument("test", nargs="?", type=Path, help="what was commanded, JSON or TOML")
    parser.add_argument("--picture", type=Path, help="where the picture goes (PNG, SVG or PDF)")
    given = parser.parse_args()
    if (given.points is None) != (given.test is None):
        parser.error("give both the points and the test that was commanded, or neither")
    return given


def main() -> int:
    """Diagnose, print the finding, draw the picture."""
    given = arguments()
    shipped = given.points is None
    points = DATA / "bench_piece.csv" if shipped else given.points
    picture = given.picture or _free_name("finding", ".png")
    try:
        _check_picture(picture)
        test = gs.read_test(DATA / "bench_test.json" if shipped else given.test)
        piece = gs.read_points(points, test)
        print(f"{piece!r}\nburned as commanded: {test.summary()}\n", flush=True)
        print("Comparing explanations; half a minute or so.\n", flush=True)
        finding = gs.diagnose(piece, progress=_progress)
    except (OSError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2
    _progress("")
    print(finding.report())
    print(f"\nAdvice\n{finding.adjustments().report()}")
    print(f"\n{gs.measure(piece).table()}")
    finding.plot().savefig(picture, dpi=130)
    print(f"\nPicture: {picture}")
    return 0


def _check_picture(path: Path) -> None:
    """Refuse a picture that cannot be written, before the work begins."""
    if path.exists():
        raise FileExistsError(f"{path} exists already; name another file with --picture")
    if not path.absolute().parent.is_dir():
        raise FileNotFoundError(f"there is no folder {path.parent} to put {path.name} in")
    if path.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise ValueError(f"{path} ends in {path.suffix!r}; accepted are .png, .svg and .pdf")


def _free_name(stem: str, ending: str) -> Path:
    """First file name that does not exist yet: nothing of the user's is overwritten."""
    path, number = Path(stem + ending), 1
    while path.exists():
        number += 1
        path = Path(f"{stem}-{number}{ending}")
    return path


def _progress(words: str) -> None:
    if sys.stdout.isatty():
        print(f"\r{words and 'trying: ' + words:<50}", end="\r" if not words else "", flush=True)


if __name__ == "__main__":
    raise SystemExit(main())
