"""A picture and a few sentences for every fault: circles, squares, passes, a push by hand.

Every number is simulated: the same circle and the same square, drawn twice round in the middle of
the bed of the nominal machine, healthy and with one fault, and the push test on both machines.

    python examples/fault_gallery.py                  # pictures and a table into fault_gallery/
    python examples/fault_gallery.py --folder there "tight left wheels"

A push by hand needs a machine that is switched off and unplugged; keep fingers out of belts,
pulleys and wheels, and follow the maker's manual.
"""

from __future__ import annotations

import argparse
import csv
import math
import sys
from collections.abc import Iterable
from dataclasses import astuple, dataclass
from functools import cache
from pathlib import Path

import numpy as np

import gantrysim as gs
from gantrysim.faults import Fault

HALF = 35.0  # mm: radius, half side; twice that is no whole number of pulley turns of 40 mm
CENTRE = (215.0, 200.0)  # mm: the middle of the bed
START = {"circle": 180.0, "square": 225.0}  # degrees; the machine comes here from home, and its
# second pass the other way, so that passes show what the two ways differ by
SEEN = 0.01  # mm: what a good scan can see
LEANS = 0.15  # mrad, likewise
FELT = 0.15  # N: what a hand can read on a scale
STANDS = 0.02  # mm: what a hand can read on a dial indicator

#: One believable size of each fault.
FAULTS: dict[str, Fault] = {
    "tight left wheels": gs.faults.TightWheels("left", extra_force=12.0),
    "tight right wheels": gs.faults.TightWheels("right", extra_force=12.0),
    "tight carriage": gs.faults.TightCarriage(extra_force=8.0),
    "loose left wheels": gs.faults.LooseWheels("left", clearance=0.6),
    "loose right wheels": gs.faults.LooseWheels("right", clearance=0.6),
    "loose carriage": gs.faults.LooseCarriage(gap=0.15),
    "soft left belt": gs.faults.SlackBelt("left", stiffness_factor=0.35),
    "soft right belt": gs.faults.SlackBelt("right", stiffness_factor=0.35),
    "soft X belt": gs.faults.SlackBelt("x", stiffness_factor=0.35),
    "coupler backlash": gs.faults.CouplerBacklash(play=0.4),
    "coupler slip": gs.faults.CouplerSlip(offset=1.0),
    "out of square": gs.faults.OutOfSquare(angle=3.0),
    "scale of X": gs.faults.ScaleError("x", error=0.004),
    "scale of Y": gs.faults.ScaleError("y", error=0.004),
    "left pulley out of true": gs.faults.PulleyRunout("left", amplitude=0.08),
    "X pulley out of true": gs.faults.PulleyRunout("x", amplitude=0.08),
}


@dataclass(frozen=True)
class Figures:
    """What one machine does: sizes in mm, angles in mrad, forces in N.

    Parameters
    ----------
    circle_width, circle_height : float
        Diameters along x and y where these reverse.
    left_up, right_up : float
        How far the left and the right quarter of the circle stand up (+y) of where they were
        commanded, drawn counter-clockwise.
    width_other_way, left_up_other_way, right_up_other_way : float
        The same of a circle drawn clockwise.
    roundness : float
        RONt about the least-squares circle.
    square_width, square_height, square_left, square_right : float
        Between mid-points of the sides, and the lengths of the left and right side.
    top, bottom : float
        Tilt of those sides, counter-clockwise positive.
    lean, lean_other_way : float
        Squareness drawn counter-clockwise and clockwise: positive where y leans towards +x.
    straightness : float
        Of the worst side.
    apart_circle, apart_square : float
        Largest distance of the second pass from the first.
    """

    circle_width: float
    circle_height: float
    left_up: float
    right_up: float
    width_other_way: float
    left_up_other_way: float
    right_up_other_way: float
    roundness: float
    square_width: float
    square_height: float
    square_left: float
    square_right: float
    top: float
    bottom: float
    lean: float
    lean_other_way: float
    straightness: float
    apart_circle: float
    apart_square: float

    def __sub__(self, other: Figures) -> Figures:
        return Figures(*(a - b for a, b in zip(astuple(self), astuple(other), strict=True)))


@cache
def drawing(shape: str, direction: str = "ccw") -> gs.RingTest:
    """One circle or square in the middle of the bed, two passes."""
    return gs.ring_test(
        (shape,),
        spacing=HALF,
        largest=HALF,
        centre=CENTRE,
        passes=2,
        direction=direction,
        start_deg=START,
    )


@cache
def burn_of(machine: gs.Machine, shape: str, direction: str = "ccw") -> gs.Burn:
    """Burn of that test in the slow limit."""
    return gs.simulate(machine, drawing(shape, direction))


@cache
def figures(machine: gs.Machine) -> Figures:
    """Measure the second pass of circle and square, and what lies between the passes."""
    round_burn, square_burn = burn_of(machine, "circle"), burn_of(machine, "square")
    circles, squares = gs.measure(round_burn), gs.measure(square_burn)
    circle, square = circles.circles[-1], squares.squares[-1].geometry
    other_circle = gs.measure(burn_of(machine, "circle", "cw")).circles[-1]
    other = gs.measure(burn_of(machine, "square", "cw")).squares[-1].geometry
    _, _, top, _ = square.sides
    bottom = square.sides[0]
    corner = dict(zip(("lr", "ur", "ul", "ll"), square.corners, strict=True))
    return Figures(
        circle_width=circle.diameter_x or math.nan,
        circle_height=circle.diameter_y or math.nan,
        left_up=_up(round_burn, 180.0),
        right_up=_up(round_burn, 0.0),
        width_other_way=other_circle.diameter_x or math.nan,
        left_up_other_way=_up(burn_of(machine, "circle", "cw"), 180.0),
        right_up_other_way=_up(burn_of(machine, "circle", "cw"), 0.0),
        roundness=circle.path.least_squares.RONt,
        square_width=square.width,
        square_height=square.height,
        square_left=math.dist(corner["ul"], corner["ll"]),
        square_right=math.dist(corner["ur"], corner["lr"]),
        top=1e3 * math.atan2(-top.direction[1], -top.direction[0]),
        bottom=1e3 * math.atan2(bottom.direction[1], bottom.direction[0]),
        lean=square.squareness_mrad,
        lean_other_way=other.squareness_mrad,
        straightness=max(side.straightness for side in square.sides),
        apart_circle=circles.scatters[0].largest,
        apart_square=squares.scatters[0].largest,
    )


def _up(burn: gs.Burn, middle_deg: float) -> float:
    """Mean error along y of the last pass over a quarter of the circle, mm."""
    x, y = (burn.commanded[-1] - burn.commanded[-1].mean(axis=0)).T
    turned = np.degrees(np.arctan2(y, x)) - middle_deg
    quarter = np.abs((turned + 180.0) % 360.0 - 180.0) <= 45.0
    return float(burn.errors[-1][quarter, 1].mean())


@cache
def pushes(machine: gs.Machine) -> dict[tuple[str, str], gs.mechanics.PushResult]:
    """Every push test of a machine, by place and motor."""
    return {
        (at, motor): gs.push(machine, at, motor)
        for at in ("left", "right", "carriage")
        for motor in ("off", "holding")
    }


def sentences(fault: Fault) -> dict[str, str]:
    """What a fault does to circles, squares, passes and a push by hand."""
    healthy = gs.Machine()
    faulty = healthy.with_faults(fault)
    before, after = figures(healthy), figures(faulty)
    return {
        "circles": on_circles(after - before, after),
        "squares": on_squares(after - before),
        "passes": on_passes(after - before, after),
        "push": on_push(pushes(healthy), pushes(faulty)),
    }


def on_circles(change: Figures, now: Figures) -> str:
    """What a circle shows."""
    parts = [_sizes(change.circle_width, change.circle_height)]
    either_way = max(abs(change.circle_width), abs(change.width_other_way))
    if min(either_way, abs(change.circle_width - change.width_other_way)) >= SEEN:
        parts[0] += f" (drawn clockwise: {_width(change.width_other_way)})"
    if max(abs(change.left_up), abs(change.right_up)) >= SEEN:
        parts.append(
            f"its left quarter stands {_height(change.left_up)} and its right quarter "
            f"{_height(change.right_up)} (drawn clockwise: {_height(change.left_up_other_way)} "
            f"and {_height(change.right_up_other_way)})"
        )
    if abs(change.roundness) >= 2.0 * SEEN:
        parts.append(
            f"out of round by {now.roundness:.2f} mm instead of "
            f"{now.roundness - change.roundness:.2f} mm"
        )
    return f"A circle of {2 * HALF:g} mm, drawn counter-clockwise: {'; '.join(parts)}."


def on_squares(change: Figures) -> str:
    """What a square shows."""
    parts = [_sizes(change.square_width, change.square_height)]
    if abs(change.square_left - change.square_right) >= SEEN:
        parts.append(
            f"its left side {_length(change.square_left)}, its right side "
            f"{_length(change.square_right)}"
        )
    if abs(change.top - change.bottom) >= LEANS:
        tilts = f"top tilts {change.top:+.1f} mrad, bottom {change.bottom:+.1f} mrad"
        parts.append(tilts)
    if max(abs(change.lean), abs(change.lean_other_way)) >= LEANS:
        parts.append(
            f"leans {change.lean:+.1f} mrad drawn counter-clockwise, "
            f"{change.lean_other_way:+.1f} mrad drawn clockwise"
        )
    if change.straightness >= SEEN:
        parts.append(f"sides wavy by {change.straightness:.2f} mm")
    return f"A square of {2 * HALF:g} mm: {'; '.join(parts)}."


def on_passes(change: Figures, now: Figures) -> str:
    """What a second pass shows."""
    if max(abs(change.apart_circle), abs(change.apart_square)) < SEEN:
        return "Passes: the second lies on the first as well as on a healthy machine."
    return (
        f"Passes: near the start the first lies up to {now.apart_circle:.2f} mm (circle) and "
        f"{now.apart_square:.2f} mm (square) beside the second, instead of "
        f"{now.apart_circle - change.apart_circle:.2f} and "
        f"{now.apart_square - change.apart_square:.2f} mm."
    )


def on_push(
    before: dict[tuple[str, str], gs.mechanics.PushResult],
    after: dict[tuple[str, str], gs.mechanics.PushResult],
) -> str:
    """What a hand with a spring scale feels."""
    parts = []
    for at in ("left", "right", "carriage"):
        old, new = before[at, "off"], after[at, "off"]
        what = "carriage" if at == "carriage" else f"{at} side"
        felt = []
        if new.keep_forward is None or old.keep_forward is None:
            felt.append(f"does not move at {new.limit:g} N")
        elif abs(new.keep_forward - old.keep_forward) >= FELT:
            felt.append(f"moves at {new.keep_forward:.1f} N instead of {old.keep_forward:.1f} N")
        if abs(new.lag_mean - old.lag_mean) >= SEEN:
            felt.append(
                f"leaves the {new.behind} {new.lag_mean:.2f} mm behind instead of "
                f"{old.lag_mean:.2f} mm"
            )
        old, new = before[at, "holding"], after[at, "holding"]
        springs = (new.stiffness or 0.0, old.stiffness or 0.0)
        if abs(springs[0] - springs[1]) >= 0.05 * springs[1]:
            felt.append(
                f"pushes back with {springs[0]:.0f} N/mm instead of {springs[1]:.0f} N/mm with "
                "motors holding"
            )
        rests = (new.loop_travel or 0.0, old.loop_travel or 0.0)
        if abs(rests[0] - rests[1]) >= STANDS:
            felt.append(
                f"rests anywhere within {rests[0]:.2f} mm instead of {rests[1]:.2f} mm when let go "
                "with motors holding"
            )
        if felt:
            parts.append(f"the {what} {_joined(felt)}")
    if not parts:
        return "A push by hand feels nothing unusual."
    return f"Pushed by hand, {'; '.join(parts)}."


def _joined(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _sizes(width: float, height: float) -> str:
    if abs(height) < SEEN:
        return f"height as ever, {_width(width)}"
    return f"{abs(height):.2f} mm {'higher' if height > 0 else 'lower'}, {_width(width)}"


def _width(value: float) -> str:
    if abs(value) < SEEN:
        return "width as ever"
    return f"{abs(value):.2f} mm {'wider' if value > 0 else 'narrower'}"


def _height(value: float) -> str:
    if abs(value) < SEEN:
        return "as ever"
    return f"{abs(value):.2f} mm {'high' if value > 0 else 'low'}"


def _length(value: float) -> str:
    if abs(value) < SEEN:
        return "as long as ever"
    return f"{abs(value):.2f} mm {'longer' if value > 0 else 'shorter'}"


def picture(name: str, fault: Fault, path: Path) -> None:
    """Circle, square, push test and sentences of one fault on one sheet."""
    healthy = gs.Machine()
    faulty = healthy.with_faults(fault)
    key, what = _telling_push(pushes(healthy), pushes(faulty))
    figure = gs.plotting.plot_fault(
        title=f"{name[0].upper()}{name[1:]}: {fault!r}",
        circle=(burn_of(healthy, "circle"), burn_of(faulty, "circle")),
        square=(burn_of(healthy, "square"), burn_of(faulty, "square")),
        pushes=(pushes(healthy)[key], pushes(faulty)[key]),
        what=what,
        sentences=list(sentences(fault).values()),
    )
    figure.savefig(path, dpi=110)


def _telling_push(
    before: dict[tuple[str, str], gs.mechanics.PushResult],
    after: dict[tuple[str, str], gs.mechanics.PushResult],
) -> tuple[tuple[str, str], str]:
    """The push that tells most and what of it, each in units of what can be read."""
    told: dict[tuple[tuple[str, str], str], float] = {}
    for key, old in before.items():
        new = after[key]
        force = abs(new.loop_force - old.loop_force) / (2.0 * FELT)
        if old.stiffness and new.stiffness:
            force = max(force, abs(new.stiffness / old.stiffness - 1.0) / 0.05)
        told[key, "force"] = force
        told[key, "lag"] = abs(new.lag_mean - old.lag_mean) / SEEN
    best = max(told, key=lambda each: told[each])
    return best if told[best] >= 1.0 else (("left", "off"), "force")


def main() -> int:
    """Draw what was asked for, and write the table."""
    parser = argparse.ArgumentParser(description="A picture and sentences for every fault.")
    parser.add_argument("names", nargs="*", help="which faults; all of them if left out")
    parser.add_argument("--folder", type=Path, default=Path("fault_gallery"))
    parser.add_argument("--overwrite", action="store_true", help="replace files that exist")
    given = parser.parse_args()
    unknown = [name for name in given.names if name not in FAULTS]
    if unknown:
        print(f"unknown: {', '.join(unknown)}; there are {', '.join(FAULTS)}", file=sys.stderr)
        return 2
    chosen = given.names or list(FAULTS)
    given.folder.mkdir(parents=True, exist_ok=True)
    table = given.folder / "faults.csv"
    files = [given.folder / f"{name.replace(' ', '_')}.png" for name in chosen]
    there = [path for path in (table, *files) if path.exists()]
    if there and not given.overwrite:
        print(f"{there[0]} exists; pass --overwrite to replace it", file=sys.stderr)
        return 2
    for name, path in zip(chosen, files, strict=True):
        picture(name, FAULTS[name], path)
        print(f"\n{name}  ({path})")
        for sentence in sentences(FAULTS[name]).values():
            print(f"  {sentence}")
    write_table(table, chosen)
    return 0


def write_table(path: Path, names: Iterable[str]) -> None:
    """One line a fault: what it is, and its sentences."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["fault", "change", "circles", "squares", "passes", "push"])
        for name in names:
            writer.writerow([name, repr(FAULTS[name]), *sentences(FAULTS[name]).values()])


if __name__ == "__main__":
    raise SystemExit(main())
