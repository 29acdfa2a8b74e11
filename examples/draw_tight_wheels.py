"""Draw the first pictures of the README: two machines true to size, and a real one magnified.

Run it from anywhere; it writes two_machines.png and tight_left_wheels.png beside itself, over the
old ones.
"""

from pathlib import Path

import gantrysim as gs
from gantrysim.plotting import plot_lost_motion

HERE = Path(__file__).parent


def main() -> None:
    """Simulate, draw, save."""
    two = plot_lost_motion([0.0, 0.1], answer=False)[0].figure
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))  # N
    test = gs.ring_test(layout="side_by_side", spacing=5.0, largest=40.0)  # mm
    burn = gs.simulate(machine, test)
    ax = burn.plot()
    ax.set_title("Left wheels too tight by 12 N of drag", loc="left")
    for figure, name in ((two, "two_machines.png"), (ax.figure, "tight_left_wheels.png")):
        figure.savefig(HERE / name, dpi=130)
        print(f"picture: {HERE / name}")


if __name__ == "__main__":
    main()
