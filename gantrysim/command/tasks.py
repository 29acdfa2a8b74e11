"""What each word of the command does, by the public API alone."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, BinaryIO

import gantrysim as gs
from gantrysim.acceptance.tolerance import CHARACTERISTICS, Verdict
from gantrysim.decisions.adjustment import Adjustment
from gantrysim.faults import Fault
from gantrysim.instruments import (
    Measurement,
    read_dial,
    write_caliper_sheet,
    write_dial_sheet,
    write_push_sheet,
    write_tone_sheet,
)
from gantrysim.log.file import FORMAT as LOG
from gantrysim.records.files import AnyPath, placed, read_text, refuse_existing, write_new_file
from gantrysim.records.jsontext import content_of
from gantrysim.records.limits import LOG_BYTES
from gantrysim.records.table import as_plain

_Reader = Callable[[AnyPath, gs.RingTest | None], Measurement]
#: Sheets filled in by hand: how each is read.  Calipers alone belong to a test.
SHEETS: dict[str, _Reader] = {
    "calipers": lambda path, test: gs.read_calipers(path, _stated(test)),
    "pushes": lambda path, _: gs.read_push(path),
    "tones": lambda path, _: gs.read_tones(path),
    "dial": lambda path, _: read_dial(path),
}
_TEST = (
    "shapes", "spacing", "largest", "smallest", "feed", "scale_reference", "passes", "centre",
    "caption",
)  # fmt: skip


def lay_out(given: argparse.Namespace) -> None:
    """Write a test, its drawing and motion code, and the empty sheets to take to the bench."""
    asked = {name: getattr(given, name) for name in _TEST if hasattr(given, name)}
    asked["orientation_mark"] = not given.no_mark
    test, machine = gs.ring_test(**asked), _machine(given)
    endings = (".json", ".svg", ".nc", *(f"-{sheet}.csv" for sheet in SHEETS))
    paths = free(given.into, endings, given.overwrite)
    again: dict[str, Any] = {"overwrite": given.overwrite}
    beam = {"machine": machine, "power": given.power, "s_max": given.s_max}
    gs.write_motion_code(test, paths[2], **beam, **again)  # refuses most, so it comes first
    test.save(paths[0], **again)
    test.to_svg(paths[1], **again)
    write_caliper_sheet(paths[3], test, **again)
    write_push_sheet(paths[4], machine, **again)
    write_tone_sheet(paths[5], machine, **again)
    write_dial_sheet(paths[6], machine, **again)
    said = [test.summary(), *wrote(paths)]
    say(given, said, {"test": test.to_dict(), "files": paths})


def diagnose(given: argparse.Namespace) -> None:
    """Find what is wrong; print it with the advice, and write finding, picture and report."""
    endings = (".json", ".svg", ".html") if given.into else ()
    paths = free(given.into, endings, given.overwrite)
    log = gs.open_log(given.log) if given.log else None
    if log is not None and given.machine:
        raise ValueError("a log knows its machine; --machine must be left out beside --log.")
    limits = {n: getattr(given, n) for n in CHARACTERISTICS if getattr(given, n) is not None}
    tolerance = gs.Tolerance(**limits) if limits else None
    measured = list(_measured(given))
    pieces = [thing for thing in measured if isinstance(thing, gs.Piece)]
    if not measured or (not pieces and (tolerance is not None or log is not None)):
        raise ValueError(
            "--points, --scan or --photo must be given for a log or a limit, else at least one "
            "sheet of readings; found none."
        )
    machine = _machine(given)
    finding = log.diagnose(measured) if log is not None else gs.diagnose(measured, machine)
    verdict = gs.accept(pieces[0], tolerance, finding=finding) if tolerance is not None else None
    if log is not None:
        when = {"date": given.date, "note": given.note}
        log = log.burned(measured, finding, **when)
        log = log.accepted(verdict, date=given.date) if verdict is not None else log
    if paths:
        _keep(finding, log, verdict, paths, given.overwrite)
    _tell(given, finding, verdict, paths)


def _keep(
    finding: gs.Finding,
    log: gs.MachineLog | None,
    verdict: Verdict | None,
    paths: list[Path],
    overwrite: bool,
) -> None:
    """Write a finding, its picture and its report."""
    finding.save(paths[0], overwrite=overwrite)
    if finding.pieces:
        picture = finding.plot()

        def draw(out: BinaryIO) -> None:
            picture.savefig(out, format="svg")

        write_new_file(paths[1], draw, overwrite=overwrite)
    else:  # readings by hand alone draw no rings
        paths.remove(paths[1])
    judged = [verdict] if verdict is not None else []
    gs.write_report(log or finding, paths[-1], judged=judged, overwrite=overwrite)


def _tell(
    given: argparse.Namespace, finding: gs.Finding, verdict: Verdict | None, paths: list[Path]
) -> None:
    advice = finding.adjustments()
    notes = dict.fromkeys(note for thing in finding.measured for note in thing.notes)
    said = [*(f"Note: {note}" for note in notes), finding.report(), "", "Advice", advice.report()]
    said += ["", verdict.report()] if verdict is not None else []
    told = {"finding": finding.to_dict(), "advice": advice.to_dict(), "files": paths}
    told |= {"verdict": verdict.to_dict()} if verdict is not None else {}
    say(given, [*said, *wrote(paths)], told)


def report(given: argparse.Namespace) -> None:
    """Write a page from a finding or a log."""
    refuse_existing(given.page, overwrite=given.overwrite)
    how = {"title": given.title, "for_customer": given.customer, "overwrite": given.overwrite}
    path = gs.write_report(opened(given.source), given.page, **how)
    say(given, wrote([path]), {"files": [path]})


def begin(given: argparse.Namespace) -> None:
    """Begin a log."""
    log = gs.new_log(given.log, _machine(given), name=given.name)
    say(given, wrote([given.log]), {"name": log.name, "files": [given.log]})


def turned(given: argparse.Namespace) -> None:
    """Write down what was turned of what the last finding of a log advises."""
    log = gs.open_log(given.log)
    finding = log.finding() if log.burns else None
    advised = finding.adjustments().adjustments if finding is not None else ()
    asked = given.place.strip().casefold()
    faults = log.machine.catalogue()
    found = [step for step in advised if asked in _called(step, faults.named(step.fault))]
    if not found:
        places = ", ".join(repr(step.place) for step in advised) or "nothing, for it has no burn"
        raise ValueError(
            f"place must be one that the last finding of {given.log} advises: {places}; found "
            f"{given.place!r}."
        )
    how = {"turned": given.by, "other_way": given.other_way}
    log = log.adjusted(found[0], **how, date=given.date, note=given.note)
    say(given, [log.report()], log.to_dict())


def _called(step: Adjustment, fault: Fault) -> set[str]:
    """All that an adjusting point is called in sentences and in JSON, in small letters."""
    names = {step.place, step.way, fault.name, fault.name.replace("_", " "), fault.noun}
    names |= {fault.words, fault.words.partition(":")[0]}
    return {name.casefold() for name in names}


def show(given: argparse.Namespace) -> None:
    """Print a finding or a log."""
    source = opened(given.source)
    said = [source.report()]
    if isinstance(source, gs.Finding):
        said += ["", "Advice", source.adjustments().report()]
    say(given, said, source.to_dict())


def _measured(given: argparse.Namespace) -> Iterable[Measurement]:
    """All that was measured, read."""
    test = gs.read_test(given.test) if given.test else None
    for path in given.points:
        yield gs.read_points(path, _stated(test))
    if given.scan:
        yield gs.read_scan(given.scan, _stated(test), upright=given.upright)
    if given.photo:
        card = gs.instruments.Card()
        yield gs.read_photo(given.photo, _stated(test), card, upright=given.upright)
    for name, read in SHEETS.items():
        if getattr(given, name):
            yield read(getattr(given, name), test)


def _stated(test: gs.RingTest | None) -> gs.RingTest:
    if test is None:
        raise ValueError("--test must be given: a piece is read by the test that was commanded.")
    return test


def _machine(given: argparse.Namespace) -> gs.Machine:
    return gs.read_machine(given.machine) if given.machine else gs.Machine()


def opened(path: Path) -> gs.Finding | gs.MachineLog:
    """A finding or a log, whichever the file holds."""
    text = read_text(path, "a finding or a log", most=LOG_BYTES)
    with placed(path):
        content = content_of(text)
    kind = content.get("format") if isinstance(content, dict) else None
    return gs.open_log(path) if kind == LOG else gs.read_finding(path)


def free(stem: Path | None, endings: Iterable[str], overwrite: bool) -> list[Path]:
    """The files named after a stem, refused before any work where one exists."""
    if stem is None:
        return []
    paths = [stem.with_name(stem.name + ending) for ending in endings]
    for path in paths:
        refuse_existing(path, overwrite=overwrite)
    return paths


def wrote(paths: Iterable[Path]) -> list[str]:
    """What is said of files that were written."""
    return [f"Wrote {path}" for path in paths]


def say(given: argparse.Namespace, said: Iterable[str], told: dict[str, Any]) -> None:
    """Print words, or the same as JSON where that was asked."""
    if given.json:
        text = json.dumps(as_plain(told), indent=1, default=str, ensure_ascii=False)
    else:
        text = "\n".join(said)
    sys.stdout.write(text + "\n")
