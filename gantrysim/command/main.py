"""What the command is asked: its words, options, examples and exit codes."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import gantrysim as gs
from gantrysim.acceptance.tolerance import CHARACTERISTICS
from gantrysim.command import parts, tasks
from gantrysim.decisions.afterturn import UNKNOWN
from gantrysim.part.drawing import UNIT_NAMES
from gantrysim.part.scanread import SHOWN
from gantrysim.pattern.shapes import SHAPES

#: Exit codes.  2 is what argparse gives for an option that it does not know.
DONE, REFUSED, EXISTS, STOPPED = 0, 2, 3, 130
_CODES = (
    "exit codes: 0 done; 2 an option or a file was refused, one sentence says why; 3 a file exists "
    "and --overwrite was not given; 130 stopped by hand"
)
#: Tests given as numbers of `gs.ring_test`: option, what it is.
_LENGTHS = {
    "spacing": "step from ring to ring, mm",
    "largest": "radius or half side of the largest ring, mm",
    "smallest": "of the smallest ring, mm",
    "feed": "speed along the lines, mm/s",
    "scale_reference": "crosses this far apart beside the rings, mm",
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Do what the command line asks; returns the exit code.

    ``arguments``: words of the command line; those of the process if absent.
    """
    given = parser().parse_args(arguments)
    try:
        given.task(given)
    except FileExistsError as error:
        sys.stderr.write(f"{str(error).replace('pass overwrite=True', 'give --overwrite')}\n")
        return EXISTS
    except (OSError, TypeError, ValueError) as error:
        sys.stderr.write(f"{str(error).replace('other_way=True', '--other-way')}\n")
        return REFUSED
    except KeyboardInterrupt:
        sys.stderr.write("stopped\n")
        return STOPPED
    return DONE


def parser() -> argparse.ArgumentParser:
    """All that the command understands."""
    whole = argparse.ArgumentParser(
        "gantrysim",
        description="From a test burn to what is wrong with a gantry, and what to turn.",
        epilog=f"Each word has a --help of its own with an example. {_CODES}.",
    )
    whole.add_argument("--version", action="version", version=gs.__version__)
    words = whole.add_subparsers(metavar="WORD", required=True)
    _test(words)
    _diagnose(words)
    _part(words)
    _report(words)
    _begin(words)
    _turned(words)
    _show(words)
    return whole


def _word(
    words: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    does: str,
    example: str,
    task: Callable[[argparse.Namespace], None],
) -> argparse.ArgumentParser:
    """A word of the command, with what all of them share."""
    own = words.add_parser(
        name,
        help=does,
        description=f"{does[0].upper()}{does[1:]}.",
        epilog=f"example:\n  gantrysim {name} {example}\n\n{_CODES}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    own.set_defaults(task=task)
    own.add_argument("--json", action="store_true", help="print machine-readable JSON instead")
    return own


def _overwrite(own: argparse.ArgumentParser) -> None:
    own.add_argument("--overwrite", action="store_true", help="replace files that exist")


def _described(own: argparse.ArgumentParser) -> None:
    own.add_argument("--machine", type=Path, help="machine file; the nominal bench machine if none")


def _kept(own: argparse.ArgumentParser) -> None:
    own.add_argument("source", type=Path, help="a finding or a log, JSON")


def _dated(own: argparse.ArgumentParser) -> None:
    own.add_argument("--date", default="", help="when, such as 2031-04-05")
    own.add_argument("--note", default="", help="anything worth a word in the log")


def _test(words: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    own = _word(
        words,
        "test",
        "lay out a test: its description, drawing, motion code and empty sheets",
        "alder-3 --spacing 6 --largest 30 --passes 2 --caption 'ALDER 3'",
        tasks.lay_out,
    )
    own.add_argument("into", type=Path, help="files are named after this: NAME.json, NAME.nc, ...")
    left_out = argparse.SUPPRESS
    shapes = tuple(SHAPES)
    own.add_argument("--shapes", nargs="+", choices=shapes, default=left_out, help="one or both")
    for name, what in _LENGTHS.items():
        own.add_argument(f"--{name.replace('_', '-')}", type=float, default=left_out, help=what)
    own.add_argument("--passes", type=int, default=left_out, help="times round each ring")
    own.add_argument(
        "--centre", type=float, nargs=2, metavar=("X", "Y"), default=left_out, help="on the bed, mm"
    )
    own.add_argument("--caption", default=left_out, help="burned beside the rings")
    own.add_argument("--no-mark", action="store_true", help="burn no orientation mark")
    _described(own)
    own.add_argument(
        "--power", type=float, default=0.0, help="part of full power, 0 to 1; at 0 the beam is off"
    )
    own.add_argument("--s-max", type=float, help="S word of full power, where --power is given")
    _overwrite(own)


def _diagnose(words: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    own = _word(
        words,
        "diagnose",
        "say what is wrong and what to turn, from all that was measured of one machine",
        "--test alder-3.json --scan scan.png --calipers alder-3-calipers.csv --into finding",
        tasks.diagnose,
    )
    own.add_argument("--test", type=Path, help="what was commanded: JSON or TOML")
    own.add_argument(
        "--points", type=Path, action="append", default=[], help="measured points, CSV"
    )
    own.add_argument(
        "--scan",
        type=Path,
        nargs="+",
        default=[],
        help="flatbed scan; a second after a quarter turn",
    )
    own.add_argument("--photo", type=Path, help="photograph with a bank card beside the piece")
    own.add_argument(
        "--upright", action="store_true", help="the piece lies upright on the scan or photograph"
    )
    for name in tasks.SHEETS:
        own.add_argument(f"--{name}", type=Path, help=f"filled-in sheet of {name}, CSV")
    _described(own)
    own.add_argument(
        "--log", type=Path, help="log of the machine: what it knows is used, and added"
    )
    _dated(own)
    for name, (unit, what) in CHARACTERISTICS.items():
        own.add_argument(f"--{name}", type=float, metavar="LIMIT", help=f"{what}, at most, {unit}")
    own.add_argument(
        "--into",
        type=Path,
        metavar="NAME",
        help="write NAME.json, NAME.html and, where a piece was measured, NAME.svg",
    )
    _overwrite(own)


def _part(words: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    own = _word(
        words,
        "part",
        "say whether a part does not fit because of the machine or of its drawing",
        "part.svg --known alder.json --scan part.png --shown pieces --intended S2=3.2 --kerf 0.12",
        parts.part,
    )
    own.add_argument("drawing", type=Path, help="what was commanded: SVG or motion code")
    own.add_argument("--unit", choices=UNIT_NAMES, help="of the drawing, where it says none")
    own.add_argument(
        "--corner", type=float, nargs=2, metavar=("X", "Y"), help="of an SVG page on the bed, mm"
    )
    own.add_argument("--feed", type=float, help="at which an SVG is cut, mm/s")
    own.add_argument(
        "--features", type=Path, help="features renamed, added, left out: JSON or TOML"
    )
    own.add_argument(
        "--known", type=Path, help="finding or log of the machine; the features alone if absent"
    )
    own.add_argument("--sheet", type=Path, help="sizes of the part by calipers, CSV")
    own.add_argument("--scan", type=Path, help="flatbed scan of the part, burned face down")
    own.add_argument("--shown", choices=SHOWN, help="on the scan: cut pieces, or lines of a plate")
    own.add_argument("--upright", action="store_true", help="the part lies on the scan as drawn")
    own.add_argument("--dpi", type=float, help="of the scan; what the file states if absent")
    own.add_argument(
        "--intended",
        nargs="+",
        default=[],
        metavar="NAME=SIZE",
        help="what sizes of the finished part were to be, mm, by name or by the id of the shape",
    )
    own.add_argument(
        "--kerf",
        type=float,
        nargs="+",
        metavar="MM",
        help="width of the cut, and its uncertainty; 0 where the control shifts the path by it",
    )
    own.add_argument(
        "--kerf-allowed", type=float, default=0.0, metavar="MM", help="for which the drawing allows"
    )
    own.add_argument("--limit", type=float, help="how far a size may be off, mm")
    own.add_argument(
        "--pair",
        nargs=4,
        action="append",
        default=[],
        metavar=("SLOT", "TAB", "LEAST", "MOST"),
        help="what goes into what, and the clearance wanted, mm; TAB may be a thickness",
    )
    own.add_argument(
        "--into",
        type=Path,
        metavar="NAME",
        help="write NAME.svg and NAME-sizes.csv to fill in; with --known NAME.svg, .csv and .html",
    )
    _overwrite(own)


def _report(words: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    own = _word(
        words,
        "report",
        "write one page for screen, phone and paper from a finding or a log",
        "alder.json alder.html --customer",
        tasks.report,
    )
    _kept(own)
    own.add_argument("page", type=Path, help="the HTML file to write")
    own.add_argument("--customer", action="store_true", help="one page without inner numbers")
    own.add_argument("--title", default="", help="of the page")
    _overwrite(own)


def _begin(words: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    own = _word(
        words, "begin", "begin the log of a machine", "alder.json --name Alder", tasks.begin
    )
    own.add_argument("log", type=Path, help="its file; one that exists is never replaced")
    own.add_argument("--name", required=True, help="what the machine is called")
    _described(own)


def _turned(words: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    own = _word(
        words,
        "turned",
        "write down in the log what was turned",
        "alder.json 'nut left' --by -30 --note 'by Wren'",
        tasks.turned,
    )
    own.add_argument("log", type=Path, help="the log")
    own.add_argument(
        "place", help="where, as the advice or the finding names it, such as 'nut left'"
    )
    own.add_argument(
        "--by",
        type=_amount,
        help="how far it really was, unit and sign as advised, or unknown; as advised if absent",
    )
    own.add_argument(
        "--other-way",
        action="store_true",
        help="it was turned against the advice: --by has that sign",
    )
    _dated(own)


def _amount(text: str) -> float | str:
    """An amount, or the word for one that nobody knows."""
    return text if text == UNKNOWN else float(text)


_amount.__name__ = "amount"  # as the refusal calls it


def _show(words: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    own = _word(words, "show", "say what stands in a finding or a log", "alder.json", tasks.show)
    _kept(own)
