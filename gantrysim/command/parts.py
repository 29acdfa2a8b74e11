"""What the command does with a customer's part, by the public API alone."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

import gantrysim as gs
from gantrysim.command import tasks
from gantrysim.instruments.base import hand_uncertainty
from gantrysim.part import Drawing, Mating, PartSizes
from gantrysim.records.files import write_new_file

#: How well a sheet's thickness is known that somebody measured with calipers, mm.
_THICKNESS = hand_uncertainty(0.02, 0.01)
#: What only makes sense once the machine is known.
_NEEDS_MACHINE = ("sheet", "scan", "intended", "pair", "limit")


def part(given: argparse.Namespace) -> None:
    """Say the features of a drawing; with a finding or a log, whose each error is."""
    drawing = _drawing(given)
    if given.known is None:
        _features(given, drawing)
        return
    paths = tasks.free(given.into, (".svg", ".csv", ".html"), given.overwrite)
    if given.sheet and given.scan:
        raise ValueError("--sheet and --scan must not stand together: give the better one.")
    known = tasks.opened(given.known)
    matings = [_mating(*words) for words in given.pair]
    wanted = dict(_intended(given))
    sheet = _sizes(given, drawing)
    how = {"kerf": _kerf(given.kerf), "kerf_allowed": given.kerf_allowed}
    judged = gs.part.judge_part(known, drawing, sheet, intended=wanted, limit=given.limit, **how)
    results: list[Any] = [judged]
    if matings:
        results.append(gs.part.predict_matings(known, drawing, matings, kerf=how["kerf"]))
    if paths:
        again = {"overwrite": given.overwrite}
        _picture(judged, paths[0], given.overwrite)
        judged.to_csv(paths[1], **again)
        gs.write_report(known, paths[2], judged=results, **again)
    said = [line for result in results for line in (result.report(), "")][:-1]
    told = {"judgement": judged.to_dict(), "files": paths}
    told |= {"pairs": results[1].to_dict()} if matings else {}
    tasks.say(given, [*said, *tasks.wrote(paths)], told)


def _features(given: argparse.Namespace, drawing: Drawing) -> None:
    """The features, a picture of them with their names, and an empty sheet."""
    unused = next((name for name in _NEEDS_MACHINE if getattr(given, name)), None)
    if unused is not None:
        raise ValueError(
            f"--known, a finding or a log, must be given beside --{unused}, found none."
        )
    paths = tasks.free(given.into, (".svg", "-sizes.csv"), given.overwrite)
    if paths:
        _picture(drawing, paths[0], given.overwrite)
        gs.part.write_part_sheet(paths[1], drawing, overwrite=given.overwrite)
    told = {"drawing": drawing.to_dict(), "files": paths}
    tasks.say(given, [drawing.report(), *tasks.wrote(paths)], told)


def _drawing(given: argparse.Namespace) -> Drawing:
    how: dict[str, Any] = {}
    if given.corner is not None:
        how["corner"] = tuple(given.corner)
    if given.feed is not None:
        how["feed"] = given.feed
    if how and given.drawing.suffix.lower() != ".svg":
        raise ValueError(
            f"--{next(iter(how))} must be given for SVG alone: motion code states it itself."
        )
    return gs.part.read_drawing(given.drawing, unit=given.unit, features=given.features, **how)


def _sizes(given: argparse.Namespace, drawing: Drawing) -> PartSizes | None:
    if given.scan:
        if given.shown is None:
            raise ValueError("--shown must be given beside --scan: pieces or lines.")
        how = {"upright": given.upright, "dpi": given.dpi}
        return gs.part.read_part_scan(given.scan, drawing, given.shown, **how)
    return gs.part.read_part_sheet(given.sheet, drawing) if given.sheet else None


def _kerf(numbers: list[float] | None) -> tuple[float, float] | float | None:
    if numbers is None:
        return None
    if len(numbers) > 2:
        raise ValueError(
            f"--kerf must be a width and its uncertainty, found {len(numbers)} numbers."
        )
    return (numbers[0], numbers[1]) if len(numbers) == 2 else numbers[0]


def _intended(given: argparse.Namespace) -> Iterator[tuple[str, float]]:
    for words in given.intended:
        name, _, size = words.rpartition("=")
        try:
            yield name, float(size)
        except ValueError:
            raise ValueError(f"--intended must be NAME=SIZE in mm, found {words!r}.") from None


def _mating(internal: str, external: str, least: str, most: str) -> Mating:
    """A pair from its four words; a number instead of a feature is the thickness of a sheet."""
    try:
        clearance = float(least), float(most)
    except ValueError:
        raise ValueError(
            f"--pair must end in the least and the most clearance in mm, found {least} {most}."
        ) from None
    try:
        thick = float(external)
    except ValueError:
        return Mating(internal, external, clearance)
    return Mating(internal, (thick, _THICKNESS), clearance)


def _picture(thing: Any, path: Path, overwrite: bool) -> None:
    figure = thing.plot().figure

    def draw(out: BinaryIO) -> None:
        figure.savefig(out, format="svg")

    write_new_file(path, draw, overwrite=overwrite)
