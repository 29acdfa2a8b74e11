"""Draw the picture of the README: what a gantry burns whose left wheels are too tight.

Run it from anywhere; it writes tight_left_wheels.png beside itself, over the old one.
"""

from pathlib import Path

import gantrysim as gs

PICTURE = Path(__file__).with_name("tight_left_wheels.png")


def main() -> None:
    """Simulate, draw, save."""
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))  # N
    test = gs.ring_test(layout="side_by_side", spacing=5.0, largest=40.0)  # mm
    burn = gs.simulate(machine, test)
    ax = burn.plot()
    ax.set_title("Left wheels too tight by 12 N of drag", loc="left")
    ax.figure.savefig(PICTURE, dpi=160)
    print(f"{burn!r}\npicture: {PICTURE}")


if __name__ == "__main__":
    main()
