"""Every instrument, and one defined here as a user would, goes through all doors.

Template, reading, writing, prediction, likelihood term, diagnosis, planning and picture ask
nothing of an instrument but what `gantrysim.instruments.base` names.
"""

from __future__ import annotations

import csv
import dataclasses
import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest
from lifted import lift

import gantrysim as gs
from gantrysim.instruments import INSTRUMENTS
from gantrysim.instruments.base import Instrument, MachineSheet, Measurement
from gantrysim.mechanics.assembly import Y_NAMES, y_block
from gantrysim.mechanics.state import relaxed
from gantrysim.records.checks import one_of, positive

mpl.use("Agg")

TEST = gs.ring_test(spacing=8.0, largest=24.0, centre=(215.0, 200.0), passes=1)
SEED = 11
NOMINAL = gs.Machine()
#: Something is wrong with it that every instrument feels.
FAULTY = NOMINAL.with_faults(
    gs.faults.TightWheels("left", 9.0),
    gs.faults.OutOfSquare(3.0),
    gs.faults.SlackBelt("left", 0.6, pretension=5.0),
)


# An instrument of the user's own: a try square against beam and rail, its gap read by feelers


@dataclass(frozen=True)
class GapReading:
    """Gap at the tip of a square's blade, `arm` mm from the corner, at one side."""

    side: str
    arm: float
    value: float

    def __post_init__(self) -> None:
        one_of(self.side, ("left", "right"), "side")
        positive(self.arm, "arm_mm")


@dataclass(frozen=True, eq=False, repr=False)
class GapSheet(MachineSheet):
    """Gaps of a try square, mm; positive where the beam leans away from the blade."""

    readings: tuple[GapReading, ...]
    source: str
    blade_error: float = 0.02
    notes: tuple[str, ...] = ()

    what: ClassVar[str] = "Gaps of a try square"
    reading: ClassVar[type] = GapReading
    columns: ClassVar[tuple[str, ...]] = ("side", "arm_mm", "gap_mm")
    by_hand: ClassVar[tuple[str, ...]] = ("gap_mm",)
    settings: ClassVar[dict[str, tuple[str, ...]]] = {"blade_error": ("blade_error_mm",)}
    remarks: ClassVar[tuple[str, ...]] = ("gap between beam and blade, by feelers, mm",)

    @property
    def uncertainty(self) -> np.ndarray:
        return np.full(len(self.readings), 0.02)

    @property
    def nuisances(self) -> np.ndarray:
        return np.full((len(self.readings), 1), self.blade_error)

    def predict(self, machine: gs.Machine) -> np.ndarray:
        rest = relaxed(y_block(machine), machine.travel_y / 2.0)
        lean = (rest[Y_NAMES.index("y_right")] - rest[Y_NAMES.index("y_left")]) / machine.span
        return np.array([(lean if r.side == "left" else -lean) * r.arm for r in self.readings])


@dataclass(frozen=True)
class TrySquare(Instrument):
    """A try square of 200 mm laid against a rail, and feelers."""

    name: ClassVar[str] = "try square"
    care: ClassVar[str] = "By hand: power off and unplugged, laser disconnected."
    measurement: ClassVar[type[Measurement]] = GapSheet
    minutes: float = 5.0

    def sheets(self, machine: gs.Machine, test: gs.RingTest | None) -> Iterable[GapSheet]:
        readings = tuple(GapReading(side, 200.0, 0.0) for side in ("left", "right"))
        yield GapSheet(readings, "try square")

    def words_of(self, sheet: Measurement) -> str:
        return "lay a try square against rail and beam and read its gap with feelers"


ALL = (*INSTRUMENTS, TrySquare())


@pytest.fixture(params=ALL, ids=lambda instrument: instrument.name)
def instrument(request) -> Instrument:
    return request.param


def first_sheet(instrument: Instrument, machine: gs.Machine) -> Measurement:
    return next(iter(instrument.sheets(NOMINAL, TEST))).expected(machine)


def filled(path, sheets: list[Measurement], columns: tuple[str, ...]) -> None:
    """Copy the readings of sheets into the empty cells of a template, row by row."""
    text = path.read_text().splitlines()
    first = next(k for k, line in enumerate(text) if not line.startswith("#"))
    names, *rows = csv.reader(text[first:])
    given = [dict(zip(s.columns, row, strict=True)) for s in sheets for row in s.rows()]
    assert len(given) == len(rows)
    out = [",".join(names)]
    for row, there in zip(rows, given, strict=True):
        cells = dict(zip(names, row, strict=True))
        assert all(cells[name] == "" for name in columns)
        cells |= {name: str(there[name]) for name in columns}
        out.append(",".join(cells.values()))
    path.write_text("\n".join([*text[:first], *out]) + "\n")


def test_names_are_different_and_costs_are_stated():
    assert len({one.name for one in ALL}) == len(ALL) == 6
    for one in ALL:
        assert one.care.endswith(".")
        assert one.minutes > 0.0


def test_template_is_filled_in_and_read(instrument, tmp_path):
    path = instrument.write_template(tmp_path / "sheet.csv", FAULTY, TEST)
    with pytest.raises(FileExistsError):
        instrument.write_template(path, FAULTY, TEST)
    with pytest.raises(ValueError, match=r"none of the \d+ rows holds") as caught:
        instrument.read(path, TEST)
    assert str(caught.value).startswith(str(path))
    sheets = [sheet.expected(FAULTY) for sheet in instrument.asked(FAULTY, TEST)]
    filled(path, sheets, sheets[0].by_hand)
    found = instrument.read(path, TEST)
    assert isinstance(found, Measurement)
    assert found.n_readings == sum(sheet.n_readings for sheet in sheets)
    assert found.source == str(path)


def test_readings_survive_writing(instrument, tmp_path):
    sheet = first_sheet(instrument, FAULTY)
    noted = dataclasses.replace(sheet, notes=("seen twice",))
    again = instrument.read(noted.to_csv(tmp_path / "a.csv"), TEST)
    assert again.rows() == noted.rows()
    assert again.notes == ("seen twice",)
    assert json.loads(json.dumps(again.to_dict()))["notes"] == ["seen twice"]


def test_expected_readings_follow_the_machine(instrument):
    """A sheet expected of a machine leaves no residual at that machine, but at another it does."""
    sheet = first_sheet(instrument, FAULTY)
    term = sheet.likelihood_term(NOMINAL)

    def misfit(machine: gs.Machine) -> float:
        """Half the square at the best nuisance parameters: they are linear but for a little."""
        own = np.zeros(term.n_nuisance)
        for _ in range(3):
            r, jacobian = term.linearise(machine, [], [], term.amount, own)
            white = term.metric.columns(jacobian)
            normal = term.metric.product(white, white) + np.eye(own.size)
            slope = term.metric.product(white, term.metric.columns(r))
            own = own - np.linalg.solve(normal, slope + own)
        return term.metric.half_square(term.residual(machine, own))

    there, elsewhere = misfit(FAULTY), misfit(NOMINAL)
    assert there < 0.1 * sheet.n_readings  # points lie on chords of the lines
    assert elsewhere > there + 1.0
    assert sheet.expected(NOMINAL).rows() != sheet.rows()


def test_linearisation_is_that_of_the_residual(instrument):
    """Against differences over a wide step, for detents make pushes jump: to a seventh."""
    sheet = first_sheet(instrument, FAULTY)
    term = sheet.likelihood_term(NOMINAL)
    own = np.zeros(term.n_nuisance)

    def there(h: float) -> gs.Machine:
        return FAULTY.set("left.friction", FAULTY.left.friction + h).set("square", 3.0 + h)

    step = 0.3
    moved = there(term.amount)
    r, jacobian = term.linearise(FAULTY, [moved], ["y"], term.amount, own)
    assert r == pytest.approx(term.residual(FAULTY, own))
    assert jacobian.shape == (r.size, 1 + term.n_nuisance)
    wide = (term.residual(there(step), own) - term.residual(there(-step), own)) / (2.0 * step)
    scale = max(float(np.abs(wide).max()), 1e-9)
    off = np.abs(jacobian[:, 0] - wide) > 0.15 * scale
    assert np.mean(off) < 0.02  # where a contact starts to slip the path has a kink
    for k in range(term.n_nuisance):
        v = own.copy()
        v[k] = 1e-3
        slope = (term.residual(FAULTY, v) - r) / 1e-3
        assert jacobian[:, 1 + k] == pytest.approx(slope, abs=0.02 * np.abs(slope).max() + 1e-9)


def test_nuisances_widen_and_never_narrow(instrument):
    term = first_sheet(instrument, FAULTY).likelihood_term(NOMINAL)
    r = term.residual(NOMINAL, np.zeros(term.n_nuisance))
    assert term.without(r[:, None]).half_square(r) < 0.9 * term.metric.half_square(r)
    assert term.without(np.zeros((r.size, 0))).half_square(r) == pytest.approx(
        term.metric.half_square(r)
    )


def test_a_fit_takes_it(instrument):
    sheet = first_sheet(instrument, FAULTY)
    well, ill = (gs.fit(one, NOMINAL).mode.cost for one in (sheet.expected(NOMINAL), sheet))
    assert well < ill - 1.0, "a machine with three faults must look less healthy"


@pytest.mark.slow
def test_diagnosis_takes_it(instrument):
    sheet = first_sheet(instrument, FAULTY)
    finding = gs.diagnose(sheet, NOMINAL)
    assert sum(h.probability for h in finding.ranked) == pytest.approx(1.0)
    assert finding.measured == (sheet,)
    assert sheet.source in finding.to_dict()["sources"]


@pytest.fixture(scope="module")
def open_question() -> gs.Finding:
    machine = NOMINAL.with_faults(gs.faults.TightWheels("left", 2.0))
    return gs.diagnose(lift(machine, TEST, noise=0.012, seed=SEED), NOMINAL)


def test_planning_takes_it(instrument, open_question):
    proposals = gs.next_test(open_question, instruments=[instrument])
    own = [p for p in proposals if getattr(p.candidate, "instrument", None) == instrument]
    assert len(own) == len(list(instrument.candidates(NOMINAL, (TEST,)))) > 0
    for proposal in own:
        assert np.isfinite(proposal.gain)
        assert proposal.gain > -0.05
        assert proposal.minutes > 0.0
        assert proposal.report().endswith(proposal.candidate.care)
        assert json.dumps(proposal.to_dict())
    dear = dataclasses.replace(instrument, minutes=instrument.minutes + 60.0)
    costs = [p.minutes for p in gs.next_test(open_question, candidates=[
        next(iter(i.candidates(NOMINAL, (TEST,)))) for i in (instrument, dear)])]  # fmt: skip
    assert max(costs) >= min(costs) + 60.0


def test_it_draws_and_shows_itself(instrument):
    sheet = first_sheet(instrument, FAULTY)
    ax = sheet.plot()
    assert isinstance(ax, mpl.axes.Axes)
    assert ax.get_xlabel()
    assert sheet.plot(ax) is ax
    assert type(sheet).__name__ in repr(sheet)
    assert sheet._repr_html_().count("<table>") == 1
    plt.close("all")


def test_a_hand_written_mistake_ends_in_one_sentence(tmp_path):
    path = tmp_path / "gaps.csv"
    path.write_text("side,arm_mm,gap_mm\nmiddle,200,0.1\n")
    with pytest.raises(ValueError, match="line 2: side must be 'left' or 'right'"):
        TrySquare().read(path, None)
