"""One HTML file that says what was found on a machine and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol, runtime_checkable

from gantrysim.decisions import words
from gantrysim.decisions.diagnosis import Finding
from gantrysim.log.machinelog import MachineLog
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath, refuse_existing, write_new_text
from gantrysim.report import customer, page, pictures, sections


@runtime_checkable
class Judged(Protocol):
    """What says itself in a sentence, in a report and as a table, as a verdict does."""

    @property
    def summary(self) -> str:
        """One sentence for a customer."""

    def report(self) -> str:
        """All of it in words, a line each."""

    def _repr_html_(self) -> str: ...


@checked
def write_report(
    source: Finding | MachineLog,
    path: AnyPath,
    *,
    title: str = "",
    judged: Sequence[Judged] = (),
    for_customer: bool = False,
    overwrite: bool = False,
) -> Path:
    """Write one HTML file that needs nothing beside it, for screen, phone and paper.

    Parameters
    ----------
    source : Finding or MachineLog
        What was found; of a log its last burn, with the history of the machine.
    path : path
        Of the file.
    title : str
        Of the page; the name of the log, or what it is about, if empty.
    judged : sequence of Verdict, or of others that say themselves
        Verdicts of `accept` and `will_hold`, and whatever else has a ``summary``, a ``report()``
        and shows itself as a table.
    for_customer : bool
        One page of words and one picture, without probabilities, sizes and measures.
    overwrite : bool
        Whether an existing file may be replaced.

    Returns
    -------
    Path
        Of the file.

    Raises
    ------
    FileExistsError
        If the file exists and ``overwrite`` is false.
    FileNotFoundError
        If its folder does not exist.

    Notes
    -----
    Nothing is advised where a log says that something was turned since the last burn.

    Examples
    --------
    >>> import gantrysim as gs
    >>> log = gs.new_log("alder.json", gs.Machine(), name="Alder")
    >>> page = gs.write_report(log, "alder.html")
    >>> "<h1>Report on Alder</h1>" in page.read_text(encoding="utf-8")
    True
    """
    refuse_existing(path, overwrite=overwrite)
    log = source if isinstance(source, MachineLog) else None
    title = title or (f"Report on {log.name}" if log is not None else "Report on a machine")
    finding = _finding_of(source)
    turned = sections.turned_since(log) if log is not None else []
    body = [page.head(title, sections.about(finding) if finding is not None else [])]
    told = customer if for_customer else sections
    if finding is not None:
        body += [*told.found(finding), told.advised(finding, turned)]
    elif log is not None and log.burns:
        body.append(_kept(log, for_customer))
    body.append(told.judged(judged, log))
    if for_customer:
        body.append(customer.shown(finding, log, judged))
    else:
        body.append(sections.history(log) if log is not None else "")
        body.append(sections.measured(finding) if finding is not None else "")
    body = ["<main>", *filter(None, body), "</main>", page.foot(words.CAUTION)]
    kind = "customer" if for_customer else ""
    text = page.page(title, body, style=pictures.style(), kind=kind)
    return write_new_text(path, text, overwrite=overwrite)


def _finding_of(source: Finding | MachineLog) -> Finding | None:
    """The finding itself, or the last one of a log that kept it whole."""
    if isinstance(source, Finding):
        return source
    return source.finding() if source.burns and source.burns[-1].whole is not None else None


def _kept(log: MachineLog, for_customer: bool) -> str:
    """What an older log kept of its last finding."""
    if for_customer:
        raise ValueError(
            "the log kept of its last burn only what the report of its finding says; a customer's "
            "page must have the whole finding, so diagnose the piece again."
        )
    said = str(log.burns[-1].finding["words"]).splitlines()
    return page.section("Finding", page.sentences(said, lead=True))
