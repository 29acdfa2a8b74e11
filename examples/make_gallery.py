"""Table and pictures of the README: what you see, what it may be, how to tell it apart.

Nothing in the table is lore: every fault is simulated at the size stated in it, its test is
measured as a burned piece would be, and faults whose changes of those measures point the same
way, whatever their size, stand in one row.

    python examples/make_gallery.py           # table into README.md, pictures beside this script
    python examples/make_gallery.py --print   # the table only, nothing is written

A push by hand needs a machine that is switched off and unplugged; keep fingers out of belts,
pulleys and wheels, and follow the maker's manual.
"""

from __future__ import annotations

import argparse
import dataclasses
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from fault_gallery import FAULTS, FELT, HALF, LEANS, SEEN, STANDS, pushes
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from scipy.cluster.hierarchy import fcluster, linkage

import gantrysim as gs
from gantrysim.faults import Fault
from gantrysim.plotting.burns import largest_error, last_pass
from gantrysim.plotting.look import (
    COMMANDED,
    INK,
    NORMAL,
    SMALL,
    bounds_of,
    dress,
    frame,
    magnification_words,
    nice_magnification,
)
from gantrysim.plotting.readings import plot_push
from gantrysim.plotting.unrolled import centred, unroll, unrolled_axes
from gantrysim.records.files import write_new_text

README = Path(__file__).resolve().parents[1] / "README.md"
HERE = Path(__file__).resolve().parent
BEGIN = "<!-- table made by examples/make_gallery.py: change that, not this -->"
END = "<!-- end of that table -->"

#: The test: circles beside squares, so that nothing hides behind a neighbour; twice round.
TEST = gs.ring_test(
    layout="side_by_side", spacing=10.0, largest=35.0, smallest=15.0, centre=(215.0, 200.0),
    passes=2, feed=40.0,
)  # fmt: skip
NOMINAL = gs.Machine()
#: Changes of the drawn lines that agree to this cosine look alike, whatever their size.
ALIKE = 0.85
#: A look is told where it is this many times what a scan sees and this part of the clearest.
TOLD, CLEAR = 3.0, 0.2
#: Tension of a belt that is slack and not soft, N.
SLACK = 2.0
#: A push tells two machines apart where it differs by this many times what a hand can read.
FELT_APART = 3.0
#: Faults of either sign: the opposite change is the same fault.
EITHER_SIGN = (
    gs.faults.CouplerSlip,
    gs.faults.OutOfSquare,
    gs.faults.ScaleError,
    gs.faults.PulleyRunout,
)
#: Arc on both sides of a reversal over which a step is looked for, degrees.
_NEAR, _FAR = 4.0, 12.0


@dataclass(frozen=True)
class Look:
    """One thing to be seen on a piece.

    Parameters
    ----------
    unit : str
        Of its values.
    seen : float
        The least change that a good scan shows, in that unit.
    more, less : str
        What a change up and a change down look like; ``{}`` takes the amount.
    """

    unit: str
    seen: float
    more: str
    less: str


LOOKS = {
    "ovality": Look("mm", SEEN, "circles {} too high for their width",
                    "circles {} too wide for their height"),
    "roundness": Look("mm", 2.0 * SEEN, "circles {} more out of round",
                      "circles {} less out of round"),
    "step_y": Look("mm", 2.0 * SEEN, "steps of {} in circles at top and bottom",
                   "steps there {} smaller"),
    "step_x": Look("mm", 2.0 * SEEN, "steps of {} in circles at left and right",
                   "steps at left and right {} smaller"),
    "width": Look("mm", SEEN, "squares {} too wide", "squares {} too narrow"),
    "height": Look("mm", SEEN, "squares {} too high", "squares {} too low"),
    "lean": Look("mrad", LEANS, "squares lean by {} to the right",
                 "squares lean by {} to the left"),
    "sides": Look("mm", SEEN, "left side of squares {} longer than the right",
                  "right side of squares {} longer than the left"),
    "waves": Look("mm", SEEN, "sides of squares wavy by {}", "sides of squares {} straighter"),
    "spacing": Look("mm", SEEN, "rings {} too far apart", "rings {} too close"),
    "closure": Look("mm", SEEN, "first circle open by {}", "first circle closes {} better"),
    "overlay": Look("mm", SEEN, "first pass {} beside the second",
                    "passes {} closer together"),
}  # fmt: skip


@cache
def seen_on(machine: gs.Machine) -> dict[str, float]:
    """What is measured on the burn of a machine, in the units of `LOOKS`."""
    burn = gs.simulate(machine, TEST, feed_forces=True)
    measures = gs.measure(burn)
    circles = [row for row in measures.circles if row.size == TEST.nests[0].sizes[-1]]
    squares = [row for row in measures.squares if row.size == TEST.nests[1].sizes[-1]]
    first, circle, square = circles[0], circles[-1], squares[-1].geometry
    corner = dict(zip(("lr", "ur", "ul", "ll"), square.corners, strict=True))
    spacing = [row.error for row in measures.spacings if row.shape == "circle"]
    return {
        "ovality": (circle.diameter_y or math.nan) - (circle.diameter_x or math.nan),
        "roundness": circle.path.least_squares.RONt,
        "step_y": _steps(burn, (90.0, 270.0)),
        "step_x": _steps(burn, (0.0, 180.0)),
        "width": square.width - 2.0 * square.half_side,
        "height": square.height - 2.0 * square.half_side,
        "lean": square.squareness_mrad,
        "sides": math.dist(corner["ul"], corner["ll"]) - math.dist(corner["ur"], corner["lr"]),
        "waves": max(side.straightness for side in square.sides),
        "spacing": float(np.mean(spacing)),
        "closure": first.gap.length if first.gap else math.nan,
        "overlay": max(scatter.largest for scatter in measures.scatters),
    }


def _steps(burn: gs.Burn, places: Sequence[float]) -> float:
    """Mean jump of the outward error of the largest circle, second pass, across places, mm."""
    line = [x for x in centred(burn, "circle") if x.pass_index == 1][-1]
    angle, error = unroll(line)
    jumps = []
    for place in places:
        off = (angle - place + 180.0) % 360.0 - 180.0
        after, before = (off > _NEAR) & (off < _FAR), (off < -_NEAR) & (off > -_FAR)
        jumps.append(1e-3 * float(error[after].mean() - error[before].mean()))
    return float(np.mean(jumps))


@cache
def looks_of(name: str) -> dict[str, float]:
    """What a fault changes on the piece, in units of what a scan can see, by look."""
    return _changed(NOMINAL, FAULTS[name])


def _changed(healthy: gs.Machine, fault: Fault) -> dict[str, float]:
    before, after = seen_on(healthy), seen_on(healthy.with_faults(fault))
    return {key: (after[key] - before[key]) / look.seen for key, look in LOOKS.items()}


@cache
def other_looks(name: str) -> tuple[dict[str, float], ...]:
    """The same of a fault as it may come otherwise: of the other sign, phase, side of a belt."""
    fault = FAULTS[name]
    if isinstance(fault, gs.faults.PulleyRunout):
        turns = [dataclasses.replace(fault, phase=k * math.pi / 2.0) for k in (1, 2, 3)]
        return tuple(_changed(NOMINAL, turn) for turn in turns)
    if isinstance(fault, EITHER_SIGN):
        field = next(field for field in _UNITS if getattr(fault, field, None) is not None)
        return (_changed(NOMINAL, dataclasses.replace(fault, **{field: -getattr(fault, field)})),)
    if isinstance(fault, gs.faults.LooseCarriage):
        offset = NOMINAL.belt_x_offset
        sides = [NOMINAL.set("belt_x_offset", part * offset) for part in (0.0, -1.0)]
        return tuple(_changed(machine, fault) for machine in sides)
    return ()


@cache
def lines_of(name: str) -> np.ndarray:
    """Change of all drawn lines along their normals, mm; shift and turn of the piece taken off."""
    burns = [gs.simulate(m, TEST, feed_forces=True) for m in (NOMINAL, _with(name))]
    base = np.concatenate(burns[0].commanded)
    ahead = np.concatenate([np.gradient(xy, axis=0) for xy in burns[0].commanded])
    normal = np.column_stack([ahead[:, 1], -ahead[:, 0]]) / np.hypot(*ahead.T)[:, None]
    healthy, faulty = (np.concatenate(burn.errors) for burn in burns)
    moved = np.sum((faulty - healthy) * normal, axis=1)
    x, y = (base - base.mean(axis=0)).T
    placed = np.column_stack([normal, normal[:, 1] * x - normal[:, 0] * y])
    return moved - placed @ np.linalg.lstsq(placed, moved, rcond=None)[0]


def _with(name: str) -> gs.Machine:
    return NOMINAL.with_faults(FAULTS[name])


def agreement(one: str, other: str) -> float:
    """Cosine between the changes of two faults: 1 where they differ in size only."""
    a, b = lines_of(one), lines_of(other)
    cosine = float(a @ b / (np.linalg.norm(a) * np.linalg.norm(b)))
    either = isinstance(FAULTS[one], EITHER_SIGN) or isinstance(FAULTS[other], EITHER_SIGN)
    return abs(cosine) if either else cosine


@cache
def groups() -> tuple[tuple[str, ...], ...]:
    """Faults that look alike, each with every other of its group; the clearest group first."""
    names = list(FAULTS)
    apart = [1.0 - agreement(a, b) for k, a in enumerate(names) for b in names[k + 1 :]]
    number = fcluster(linkage(apart, "complete"), 1.0 - ALIKE, "distance")
    found: dict[int, list[str]] = {}
    for name, k in zip(names, number, strict=True):
        found.setdefault(int(k), []).append(name)
    by_size = sorted(found.values(), key=lambda own: (-len(own), names.index(own[0])))
    return tuple(tuple(own) for own in by_size)


# Words


def table() -> str:
    """The Markdown table, one row a group."""
    rows = [
        "| what you see, against a healthy machine | what it may be, as simulated "
        "| how to tell apart |",
        "|---|---|---|",
    ]
    for own in groups():
        may_be = "<br>".join(f"{name}, {size_of(name)}" for name in own)
        rows.append(f"| {what_is_seen(own)} | {may_be} | {'<br>'.join(told_apart(own))} |")
    test = "circles and squares of up to 70 mm in mid bed, twice round"
    return "\n".join([
        *rows, "",
        f"*Simulated and measured: {test}, at {TEST.feed:g} mm/s. In one row stand faults whose "
        f"changes of the drawn lines agree to {ALIKE:g} or better (cosine; at 1 they would differ "
        "in size only). Pushes are those of `gantrysim.push`: motors off means switched off and "
        "unplugged; holding means powered, no job loaded, laser disconnected, and only as the "
        "maker's manual allows; fingers away from belts, pulleys and wheels either way. A soft "
        "belt gives too much, as one does that has lost tension; where the tension alone goes, to "
        f"{SLACK:g} N, and the cord stays as stiff as it was, those circles change by "
        f"{_merely_slack():.2f} mm. Lost steps and flats on wheels are not in the table.*",
    ])  # fmt: skip


def _merely_slack() -> float:
    """How much more out of round circles are where a belt is slack but as stiff as ever, mm."""
    fault = gs.faults.SlackBelt("left", stiffness_factor=1.0, pretension=SLACK)
    return abs(_changed(NOMINAL, fault)["roundness"]) * LOOKS["roundness"].seen


_UNITS = {
    "extra_force": "{:g} N more drag", "clearance": "{:g} mm of play", "gap": "{:g} mm of play",
    "stiffness_factor": "{:g} of its stiffness", "play": "{:g} mm of play",
    "offset": "by {:g} mm", "angle": "by {:g} mrad", "error": "{:g} mm in a metre too long",
    "amplitude": "by {:g} mm",
}  # fmt: skip


def size_of(name: str) -> str:
    """Size of the simulated fault in words."""
    fault = FAULTS[name]
    field = next(field for field in _UNITS if getattr(fault, field, None) is not None)
    value = getattr(fault, field)
    words = _UNITS[field].format(1e3 * value if field == "error" else value)
    return f"{words} ({_HANGS_ON[type(fault)]})" if type(fault) in _HANGS_ON else words


#: What else the looks of a fault hang on.
_HANGS_ON: dict[type[Fault], str] = {
    gs.faults.PulleyRunout: "what is seen hangs on its phase",
    gs.faults.LooseCarriage: "what is seen hangs on which side of the wheels the X belt runs",
}


def told(name: str) -> list[str]:
    """Looks by which a fault shows clearly, the clearest first."""
    found = looks_of(name)
    least = max(TOLD, CLEAR * max(map(abs, found.values())))
    return sorted((k for k in found if abs(found[k]) >= least), key=lambda k: -abs(found[k]))


def what_is_seen(own: Sequence[str]) -> str:
    """What all faults of a group show alike, the clearest first."""
    words = []
    for key in told(own[0]):
        values = [looks_of(name)[key] for name in own]
        if all(key in told(name) for name in own) and len(set(np.sign(values))) == 1:
            others = [looks[key] for name in own for looks in other_looks(name)]
            words.append(_look(key, values, others))
    return "; ".join(words) if words else "next to nothing"


def _look(key: str, values: Sequence[float], others: Sequence[float]) -> str:
    """A look with the range of its amounts, in units of what a scan can see.

    ``others``: of the same faults as they may come otherwise.
    """
    look = LOOKS[key]
    turned = any(v * values[0] < 0.0 and abs(v) >= TOLD for v in others)
    amounts = sorted(abs(v) * look.seen for v in (*values, *others) if abs(v) >= TOLD)
    digits = 2 if look.unit == "mm" else 1
    low, high = f"{amounts[0]:.{digits}f}", f"{amounts[-1]:.{digits}f}"
    amount = f"{low} {look.unit}" if low == high else f"{low} to {high} {look.unit}"
    words = (look.more if values[0] > 0.0 else look.less).format(amount)
    return f"{words}, or the other way" if turned else words


def told_apart(own: Sequence[str]) -> list[str]:
    """For each fault of a group what tells it from the others; for one alone, its nearest."""
    if len(own) == 1:
        others = [(agreement(own[0], name), name) for name in FAULTS if name != own[0]]
        near, name = max(others)
        check = next(
            kind.check
            for kind in gs.Machine().catalogue().modelled
            if kind.name == _KINDS.get(own[0], own[0].replace(" ", "_"))
        )
        return [f"stands alone: the nearest is {name} (agreement {near:.2f}); to be sure, {check}"]
    return [f"{name}: {pushed(name, [o for o in own if o != name])}" for name in own]


_KINDS = {
    "scale of X": "scale_x", "scale of Y": "scale_y",
    "left pulley out of true": "pulley_runout_y", "X pulley out of true": "pulley_runout_x",
}  # fmt: skip


@dataclass(frozen=True)
class Reading:
    """One number of a push by hand: its value, and the least difference that a hand can read."""

    value: float
    read: float
    unit: str

    def apart(self, other: Reading) -> float:
        """Difference from another, in units of what a hand can read."""
        return abs(self.value - other.value) / self.read

    def __str__(self) -> str:
        digits = {"N": 1, "mm": 2, "N/mm": 0}[self.unit]
        return f"{self.value:.{digits}f} {self.unit}"


@cache
def readings(machine: gs.Machine) -> dict[str, Reading]:
    """Push readings of a machine by their words; ``{}`` takes the value."""
    out = {}
    for (at, motor), result in pushes(machine).items():
        what = "carriage" if at == "carriage" else f"{at} side"
        if motor == "off":
            keep = math.inf if result.keep_forward is None else result.keep_forward
            out[f"{what} pushed, motors off: it moves at {{}}"] = Reading(keep, 2.0 * FELT, "N")
            words = f"{what} pushed, motors off: the {result.behind} stays {{}} behind"
            out[words] = Reading(result.lag_mean, STANDS, "mm")
        else:
            stiff = result.stiffness or 0.0
            words = f"{what} pushed, motors holding: {{}} stiff"
            out[words] = Reading(stiff, 0.05 * stiff, "N/mm")
            words = f"{what} pushed to and fro, motors holding: {{}} between both ways"
            out[words] = Reading(result.loop_force, 2.0 * FELT, "N")
    return out


def pushed(name: str, others: Sequence[str]) -> str:
    """The pushes by hand, as few as will do, that tell a fault from healthy and from others."""
    own = readings(_with(name))
    left = {"a healthy machine": readings(NOMINAL), **{o: readings(_with(o)) for o in others}}
    words: list[str] = []
    while left:

        def worth(key: str, left: dict[str, dict[str, Reading]] = left) -> tuple[int, bool, float]:
            # as many told as can be, and rather with the machine unplugged
            apart = [own[key].apart(rest[key]) for rest in left.values()]
            return sum(a >= FELT_APART for a in apart), "motors off" in key, min(apart)

        best = max(own, key=worth)
        if not worth(best)[0]:
            words.append(f"no push tells it from {' or '.join(left)}")
            break
        beside = "" if "a healthy machine" in left else f"{', '.join(left)} "
        other = next(iter(left.values()))[best] if beside else readings(NOMINAL)[best]
        words.append(f"{best.format(own[best])} ({beside or 'healthy '}{other})")
        left = {k: rest for k, rest in left.items() if own[best].apart(rest[best]) < FELT_APART}
    return "; ".join(words)


def with_table(text: str) -> str:
    """The text of the README with the table as it is made now.

    Raises
    ------
    ValueError
        If the two marks are not there, once each and in order.
    """
    if text.count(BEGIN) != 1 or text.count(END) != 1 or text.index(BEGIN) > text.index(END):
        raise ValueError(f"{README.name}: it needs the lines {BEGIN!r} and {END!r}, once each.")
    before, rest = text.split(BEGIN)
    return f"{before}{BEGIN}\n\n{table()}\n\n{END}{rest.split(END)[1]}"


# Pictures: drawn narrow, so that they can still be read on a phone

WIDE, HIGH, DPI = 4.3, 3.4, 150
PAIR = ("coupler backlash", "tight right wheels")
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9")


def pictures() -> dict[str, Figure]:
    """The three pictures by file name."""
    return {
        "gallery_seen.png": picture_of_lines(),
        "gallery_alike.png": picture_of_groups(),
        "gallery_push.png": picture_of_push(),
    }


def _new() -> tuple[Figure, Axes]:
    figure = Figure(figsize=(WIDE, HIGH), dpi=DPI, layout="constrained")
    ax = figure.subplots()
    dress(ax)
    return figure, ax


def _title(ax: Axes, words: str) -> None:
    ax.set_title(words, loc="left", fontsize=NORMAL, color=INK)


def _legend(ax: Axes, handles: Sequence[Line2D]) -> None:
    """Below the labels, in two columns: one row would be wider than the picture."""
    ax.legend(
        handles=handles, loc="upper center", bbox_to_anchor=(0.45, -0.2), ncols=2,
        frameon=False, fontsize=SMALL,
    )  # fmt: skip


def same_size(name: str, other: str) -> gs.Machine:
    """A machine with a fault made as large on the piece as another, which is as simulated."""
    fault, field = FAULTS[name], next(f for f in _UNITS if getattr(FAULTS[name], f, None))
    ratio = np.linalg.norm(lines_of(other)) / np.linalg.norm(lines_of(name))
    return NOMINAL.with_faults(
        dataclasses.replace(fault, **{field: float(ratio * getattr(fault, field))})
    )


def picture_of_lines() -> Figure:
    """Two faults of one group, alike in size, over each other."""
    figure, ax = _new()
    machines = [_with(PAIR[0]), same_size(PAIR[1], PAIR[0])]
    burns = [gs.simulate(machine, TEST, feed_forces=True) for machine in machines]
    factor = nice_magnification(largest_error(burns), TEST.spacing)
    for outline in burns[0].commanded:
        ax.plot(*outline.T, color=COMMANDED, linewidth=0.6)
    drawn = list(burns[0].commanded)
    handles = [Line2D([], [], color=COMMANDED, linewidth=1.0, label="commanded")]
    for burn, name, colour, width in zip(burns, PAIR, COLOURS, (3.0, 1.1), strict=False):
        for line in last_pass(burn, factor):
            ax.plot(*line.T, color=colour, linewidth=width)
            drawn.append(line)
        handles.append(Line2D([], [], color=colour, linewidth=width, label=name))
    frame(ax, bounds_of(drawn))
    ax.set_ylim(bottom=bounds_of(drawn)[0, 1] - 4.0)  # no words below: there is no room for them
    _title(ax, f"Two faults, one picture: {magnification_words(factor)}")
    _legend(ax, handles)
    return figure


def picture_of_groups() -> Figure:
    """The largest circle unrolled: one fault each of groups that do not look alike."""
    figure, ax = _new()
    handles = []
    names = ("tight left wheels", "tight carriage", "out of square", "scale of Y")
    for name, colour in zip(names, COLOURS, strict=False):
        burn = gs.simulate(_with(name), TEST, feed_forces=True)
        ax.plot(*unroll([x for x in centred(burn, "circle") if x.pass_index == 1][-1]),
                color=colour, linewidth=1.5)  # fmt: skip
        handles.append(Line2D([], [], color=colour, linewidth=1.5, label=name))
    unrolled_axes(ax, "outward error, µm", "circle")
    ax.set_xticks(range(0, 361, 90))
    ax.set_xlabel("angle from +x, degrees", fontsize=NORMAL)
    _title(ax, f"Circle of {2 * HALF:g} mm, unrolled")
    _legend(ax, handles)
    return figure


def picture_of_push() -> Figure:
    """The push that tells the two faults of the first picture apart."""
    figure, ax = _new()
    machines = [NOMINAL, _with(PAIR[0]), same_size(PAIR[1], PAIR[0])]
    names, colours = ("healthy", *PAIR), (COMMANDED, *COLOURS)
    for machine, name, colour in zip(machines, names, colours, strict=False):
        plot_push(gs.push(machine, "right", "off"), ax, label=name, colour=colour)
    _title(ax, "Right side pushed, motors off")
    lines = zip(names, colours, strict=False)
    _legend(ax, [Line2D([], [], color=c, linewidth=1.8, label=name) for name, c in lines])
    return figure


def main() -> int:
    """Write the table and the pictures."""
    parser = argparse.ArgumentParser(description="Table and pictures of the README.")
    parser.add_argument("--print", action="store_true", help="print the table, write nothing")
    given = parser.parse_args()
    if given.print:
        print(table())
        return 0
    try:
        text = with_table(README.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2
    write_new_text(README, text, overwrite=True)
    for name, figure in pictures().items():
        figure.savefig(HERE / name)
        print(f"picture: {HERE / name}, {(HERE / name).stat().st_size / 1e3:.0f} kB")
    print(f"table: {README}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
