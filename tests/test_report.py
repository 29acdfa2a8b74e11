"""The report as a page: it needs nothing beside it, can be read by all, and says what it is given.

Ranks of headings, alternative texts and contrast are those of WCAG 2.2, success criteria 1.1.1,
1.3.1 and 1.4.3 (from memory).
"""

from __future__ import annotations

import dataclasses
import itertools
import re
import shutil
import subprocess
from html.parser import HTMLParser
from pathlib import Path

import lifted
import matplotlib as mpl
import pytest
from cutparts import path_of, rectangle
from onefinding import finding_of

import gantrysim as gs
from gantrysim.decisions import words
from gantrysim.decisions.diagnosis import Finding, Hypothesis
from gantrysim.report import page, pictures

mpl.use("Agg")
TEST = gs.ring_test(spacing=8.0, largest=24.0)
HOSTILE = "<script>alert('A')</script> & \"B\" $x_{$"
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
VOID = {"meta", "br", "link", "img", "input"}


class Read(HTMLParser):
    """Tags, attributes and text of a page, and whether all that is opened is closed."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.words = ""
        self.open: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, {k: v or "" for k, v in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, {k: v or "" for k, v in attrs}))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not {"style", "desc", "title"} & set(self.open):
            self.words += data

    def all(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]

    @property
    def ids(self):
        return [attributes["id"] for _, attributes in self.tags if "id" in attributes]


def piece_of(force: float, seed: int) -> gs.Piece:
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=force))
    return lifted.lift(machine, test=TEST, turn=0.03, noise=0.02, seed=seed)


@pytest.fixture(scope="module")
def finding() -> Finding:
    return finding_of(piece_of(12.0, 1))


@pytest.fixture(scope="module")
def log(finding) -> gs.MachineLog:
    """Two burns, a turn between, a verdict."""
    log = gs.new_log(None, gs.Machine(), name=HOSTILE)
    log = log.burned(finding.pieces, finding, date="2031-04-01", note=HOSTILE)
    log = log.adjusted(finding.adjustments().adjustments[0], date="2031-04-01", note="by Wren")
    later = finding_of(piece_of(2.0, 2))
    log = log.burned(later.pieces, later, date="2031-04-02")
    return log.accepted(gs.accept(later.pieces[0], gs.Tolerance(size=2.0)), date="2031-04-03")


@pytest.fixture(scope="module")
def pages(finding, log, tmp_path_factory) -> dict[str, str]:
    """The text of a page of every kind."""
    home = tmp_path_factory.mktemp("report")
    verdict = gs.accept(finding.pieces[0], gs.Tolerance(roundness=0.1))
    made = {
        "finding": gs.write_report(finding, home / "a.html", title=HOSTILE, judged=[verdict]),
        "log": gs.write_report(log, home / "b.html"),
        "customer": gs.write_report(finding, home / "c.html", judged=[verdict], for_customer=True),
        "log for a customer": gs.write_report(log, home / "d.html", for_customer=True),
    }
    return {kind: path.read_text(encoding="utf-8") for kind, path in made.items()}


KINDS = ("finding", "log", "customer", "log for a customer")


@pytest.fixture(params=KINDS)
def text(request, pages) -> str:
    return pages[request.param]


@pytest.fixture
def read(text) -> Read:
    return Read(text)


# --- as a page -----------------------------------------------------------------------------------


def test_nothing_is_loaded_from_elsewhere(text, read):
    pointing = ("href", "src", "xlink:href", "action", "data", "poster", "srcset", "formaction")
    for tag, attributes in read.tags:
        assert tag not in {"script", "link", "iframe", "object", "embed", "img", "base", "form"}
        for name in pointing:
            assert attributes.get(name, "#").startswith("#"), (tag, attributes)
        assert not any(name.startswith("on") for name in attributes)
    styles = [m for m in re.findall(r"url\(([^)]*)\)|@import", text)]
    assert all(target.startswith("#") for target in styles)
    assert read.all("meta")[2]["content"].startswith("default-src 'none'")


def test_names_stand_once_and_what_points_to_them_finds_them(text, read):
    ids = read.ids
    assert len(set(ids)) == len(ids)
    pointed = re.findall(r'href="#([^"]+)"|url\(#([^)]+)\)', text)
    assert {a or b for a, b in pointed} <= set(ids)
    assert len(pointed) > 10
    for _, attributes in read.tags:
        assert set(attributes.get("aria-labelledby", "").split()) <= set(ids)


def test_headings_go_down_one_step_at_a_time(read):
    ranks = [int(tag[1]) for tag, _ in read.tags if re.fullmatch(r"h[1-6]", tag)]
    assert ranks[0] == 1
    assert ranks.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(ranks))


def test_every_picture_says_what_it_is(text, read):
    pictures = read.all("svg")
    assert pictures
    for attributes in pictures:
        assert attributes["role"] == "img"
        title, words = attributes["aria-labelledby"].split()
        for name, least in ((title, 10), (words, 20)):
            found = re.search(rf'<(title|desc) id="{name}">(.*?)</\1>', text)
            assert found is not None
            assert len(found[2]) > least


def test_it_fits_a_phone_and_a_keyboard(text, read):
    assert read.all("html") == [{"lang": "en"}]
    assert read.all("meta")[1]["content"].startswith("width=device-width")
    assert all("width" not in a and "style" not in a for a in read.all("table") + read.all("div"))
    assert all("width" not in attributes for attributes in read.all("svg"))
    assert not re.search(r"[{;]\s*(min-)?width\s*:\s*[\d.]+(px|mm|cm|in|pt)", text)
    for attributes in read.all("div"):
        if attributes.get("class") == "wide":
            assert attributes["tabindex"] == "0"
            assert attributes["aria-label"]
    # what is folded opens by keyboard, as `summary` is its first child
    names = [tag for tag, _ in read.tags]
    assert all(names[k + 1] == "summary" for k, tag in enumerate(names) if tag == "details")


def test_what_is_opened_is_closed(read):
    assert read.open == []


def luminance(colour: str) -> float:
    value = colour.removeprefix("#")
    value = "".join(2 * c for c in value) if len(value) == 3 else value
    parts = [int(value[k : k + 2], 16) / 255 for k in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_text_stands_out_from_its_ground():
    inks = re.findall(r"[{;]color:(#\w+)", page._STYLE)
    grounds = re.findall(r"background:(#\w+)", page._STYLE)
    assert len(inks) > 2
    assert len(grounds) == 2
    for ink, ground in itertools.product(inks, grounds):
        high, low = sorted((luminance(ink), luminance(ground)), reverse=True)
        assert (high + 0.05) / (low + 0.05) >= 4.5, (ink, ground)


def test_hostile_words_are_words(pages):
    for kind in ("finding", "log"):
        assert "<script" not in pages[kind]
        assert HOSTILE in Read(pages[kind]).words


def test_the_same_page_comes_out_twice(finding, tmp_path):
    one, two = (gs.write_report(finding, tmp_path / n).read_bytes() for n in ("a", "b"))
    assert one == two


# --- what it says --------------------------------------------------------------------------------


def test_it_says_what_the_finding_and_the_advice_say(finding, pages):
    said = Read(pages["finding"]).words
    rows = finding.report().splitlines() + finding.adjustments().report().splitlines()
    for row in rows:
        assert re.sub(r"^\s+(- |\d+\. )?", "", row) in said
    for point in finding.standing.named:
        assert words.sized_words(point, gs.Machine().catalogue()) in said


def test_safety_stands_before_what_is_turned(finding, pages):
    for kind in KINDS:
        said = Read(pages[kind]).words
        assert words.CAUTION in said
        assert finding.adjustments().cautions[0] in said
    said = Read(pages["finding"]).words
    step = finding.adjustments().adjustments[0]
    assert said.index(step.safety) < said.index(step.words)
    said = Read(pages["customer"]).words
    assert said.index(step.safety) < said.index(step.way)


def test_slips_and_doubts_come_first(finding, tmp_path, monkeypatch):
    assert (
        "Look at this first"
        not in Read(gs.write_report(finding, tmp_path / "sure.html").read_text()).words
    )
    finding = dataclasses.replace(finding)  # what it has worked out is left behind
    monkeypatch.setattr(Finding, "doubts", ("the tone of the left belt cannot be right",))
    for customer in (False, True):
        path = tmp_path / f"{customer}.html"
        gs.write_report(finding, path, for_customer=customer)
        said = Read(path.read_text(encoding="utf-8")).words
        doubt = said.index("The tone of the left belt cannot be right.")
        assert said.index("Look at this first") < doubt < said.index("What to do")
        assert doubt < said.index(finding.best.words)


def test_a_log_shows_before_and_after_and_its_verdicts(log, pages):
    read = Read(pages["log"])
    (entry,) = (each for each in log.entries if hasattr(each, "verdict"))
    assert "2031-04-03: Pass: it keeps the tolerance" in read.words
    assert entry.verdict.requirements
    for row in entry.verdict.report().splitlines()[1:]:
        assert row.strip() in read.words
    assert {"burn-first-title", "burn-last-title", "history-title"} <= set(read.ids)
    for row in log.report().splitlines():
        assert row in read.words
    assert len(read.all("details")) >= 2


def test_a_part_is_shown_with_the_names_by_which_it_is_judged(tmp_path):
    part = gs.part.drawing_of(path_of([rectangle(150, 150, 30, 20), rectangle(155, 155, 9, 3)]))
    how = {"healthy": gs.Machine(), "motion": "slow", "intended": {"S1": 4.0}}
    judged = gs.part.judge_part(gs.Machine(), part, **how)
    log = gs.new_log(None, gs.Machine(), name="Alder")
    for customer in (False, True):
        path = tmp_path / f"{customer}.html"
        gs.write_report(log, path, judged=[judged], for_customer=customer)
        text = path.read_text(encoding="utf-8")
        read = Read(text)
        assert {"part-0-title", "part-0-words"} <= set(read.ids)
        assert "S1 3.00 mm" in text
        assert "First draw S1 at 4.00 mm" in read.words


def test_nothing_is_advised_twice(finding, tmp_path):
    log = gs.new_log(None, gs.Machine(), name="Alder").burned(finding.pieces, finding)
    step = finding.adjustments().adjustments[0]
    kept = gs.write_report(log, tmp_path / "before.html").read_text(encoding="utf-8")
    assert step.words in Read(kept).words
    log = log.adjusted(step)
    for customer in (False, True):
        path = gs.write_report(log, tmp_path / f"{customer}.html", for_customer=customer)
        said = Read(path.read_text(encoding="utf-8")).words
        assert "Turned since this was burned: nut left. Burn again" in said
        assert "Do now" not in said
        assert "Once the check agrees" not in said


@pytest.mark.slow
@pytest.mark.skipif(BROWSER is None, reason="no browser to print with")
def test_a_page_for_a_customer_is_printed_on_one_sheet(log, tmp_path):
    verdict = gs.accept(log.pieces[-1], gs.Tolerance(size=2.0))
    for day in range(4, 20):  # more text than one sheet has room for beside whole pictures
        log = log.accepted(verdict, date=f"2031-04-{day:02d}")
    path = gs.write_report(log, tmp_path / "page.html", for_customer=True, title="Report on Alder")
    sheets = []
    for name, kind in (("customer", "customer"), ("plain", "")):
        text = path.read_text(encoding="utf-8").replace('class="customer"', f'class="{kind}"')
        (tmp_path / f"{name}.html").write_text(text, encoding="utf-8")
        printed = tmp_path / f"{name}.pdf"
        how = ("--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer")
        where = (f"--user-data-dir={tmp_path / 'browser'}", f"--print-to-pdf={printed}")
        page_of = (tmp_path / f"{name}.html").as_uri()
        subprocess.run(
            [BROWSER, *how, *where, page_of], check=True, capture_output=True, timeout=60
        )
        sheets.append(len(re.findall(rb"/Type\s*/Page\b", printed.read_bytes())))
    assert sheets == [1, 2]  # the second shows that there is too much for one


def test_a_customer_gets_words(finding, pages):
    for kind in ("customer", "log for a customer"):
        text = pages[kind]
        said = Read(text).words
        assert finding.best.words in said
        assert finding.adjustments().adjustments[0].way in said
        shown = "".join(re.findall(r"<(?:title|desc)\b[^>]*>(.*?)</", text)) + said
        assert "probability" not in shown
        assert not re.search(r"\b[01]\.\d{3}\b", shown)
        names = [p.name for p in finding.best.fit.parameters]
        names += [h for h in gs.Machine().catalogue().names if "_" in h]
        assert len(names) > 20
        assert not [name for name in names if re.search(rf"\b{re.escape(name)}\b", shown)]
        assert len(Read(text).all("figure")) <= 2
        assert not Read(text).all("details")
    assert "probability" in Read(pages["finding"]).words


def test_what_is_less_likely_is_no_customers_finding(finding, tmp_path):
    """A sound machine's page names no point: without numbers nobody could tell the likelier."""
    fit = gs.fit(finding.pieces[0], gs.Machine(), [])
    words = "nothing is wrong with this machine"
    sound = Hypothesis((), 0.86, {}, (), 0.0, words, "", fit)
    other = dataclasses.replace(finding.best, probability=0.14)
    doubtful = dataclasses.replace(finding, ranked=(sound, other))
    path = gs.write_report(doubtful, tmp_path / "sound.html", for_customer=True)
    said = Read(path.read_text(encoding="utf-8")).words
    assert words in said
    assert other.words not in said
    assert "Nothing is adjusted now. Another test burn would show whether it stays so." in said
    assert "Turn nothing" not in said
    told = doubtful.report()
    assert told.index(words) < told.index(other.words)


def test_no_folder_is_told(finding, tmp_path):
    piece = dataclasses.replace(finding.pieces[0], source="/home/wren/alder/scan.png")
    moved = dataclasses.replace(finding, measured=(piece,))
    text = gs.write_report(moved, tmp_path / "a.html").read_text(encoding="utf-8")
    assert "Measures of scan.png" in text
    assert "/home/wren" not in text


def test_what_was_judged_is_said_to_both(pages):
    assert "Not yet: it does not keep the tolerance" in Read(pages["customer"]).words
    assert "roundness of the worst circle: limit 0.1 mm" in Read(pages["finding"]).words


def test_an_empty_log_has_a_page(tmp_path):
    log = gs.new_log(None, gs.Machine(), name="Alder")
    read = Read(gs.write_report(log, tmp_path / "new.html").read_text(encoding="utf-8"))
    assert "Log of Alder: 0 burns." in read.words


# --- files ---------------------------------------------------------------------------------------


def test_no_file_is_replaced_unasked(finding, tmp_path, monkeypatch):
    path = tmp_path / "alder.html"
    path.write_text("mine")
    monkeypatch.setattr(pictures, "measured", lambda _: pytest.fail("worked before it looked"))
    with pytest.raises(FileExistsError, match="overwrite=True"):
        gs.write_report(finding, path)
    assert path.read_text() == "mine"
    monkeypatch.undo()
    gs.write_report(finding, path, overwrite=True)
    assert path.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    with pytest.raises(FileNotFoundError, match="does not exist"):
        gs.write_report(finding, tmp_path / "none" / "alder.html")
    assert [p.name for p in Path(tmp_path).iterdir()] == ["alder.html"]


@pytest.mark.parametrize("wrong", [{"source": 3}, {"judged": [3]}, {"title": 3}])
def test_wrong_kinds_are_refused(wrong, finding, tmp_path):
    with pytest.raises(TypeError, match=f"{next(iter(wrong))}.* must be"):
        gs.write_report(**{"source": finding, "path": tmp_path / "a.html"} | wrong)
    assert not list(tmp_path.iterdir())
