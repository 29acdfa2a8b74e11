"""Every snippet of README runs, one after the other, in a folder of its own."""

import re
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest

import gantrysim as gs
from gantrysim.acceptance.drawn import worst_of_lines
from gantrysim.part.believed import healthy_machines
from gantrysim.plotting.logs import _placed
from gantrysim.plotting.look import rms_um

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"


def snippets() -> list[str]:
    return re.findall(r"```python\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)


@pytest.mark.slow
def test_the_snippets_of_the_readme_run_in_order(tmp_path, monkeypatch, capsys):
    import matplotlib.pyplot as plt

    mpl.use("Agg")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "examples").symlink_to(ROOT / "examples")
    names: dict[str, object] = {}

    def known(log: gs.MachineLog, piece: gs.Piece) -> gs.Finding:
        """An empty log believes what anybody does: it finds what was found of that piece."""
        assert not log.burns
        finding = names["finding"]
        assert isinstance(finding, gs.Finding)
        assert finding.pieces == (piece,)
        return finding

    monkeypatch.setattr(gs.MachineLog, "diagnose", known)
    for code in snippets():
        exec(code, names)
    plt.close("all")
    written = {path.name for path in tmp_path.iterdir()}
    assert {"alder-3.json", "alder-3.svg", "alder-3.nc", "scan.png", "alder.json"} <= written
    assert "left" in capsys.readouterr().out


def test_the_first_snippet_runs_twice(tmp_path, monkeypatch):
    """Nothing that the ten lines write stands in the way of the second run."""
    first = snippets()[0]
    assert first.count("overwrite=True") == len(re.findall(r"\.(?:save|to_csv|to_svg)\(", first))


def test_what_a_healthy_machine_draws_is_as_the_readme_says():
    """The numbers by which somebody who adjusts sees that there is nothing left to gain."""
    text = " ".join(README.read_text(encoding="utf-8").split())
    said = re.search(
        r"lines lie (\d+) to (\d+) µm rms beside .* circle is ([\d.]+) to ([\d.]+) mm out of "
        r"round, and the worst size is ([\d.]+) to ([\d.]+) mm off",
        text,
    )
    assert said is not None
    ends = np.array([float(number) for number in said.groups()]).reshape(3, 2)
    test = gs.ring_test(spacing=6.0, largest=30.0, passes=2)
    asked, found = gs.Tolerance(roundness=1.0, size=1.0), []
    for machine in healthy_machines(gs.Machine(), 8):
        burn = gs.simulate(machine, test, feed_forces=True)
        worst = worst_of_lines(burn.lines, burn.commanded, test, asked)
        errors = [error for *_, error in _placed(gs.Piece.of_burn(burn))]
        found.append([rms_um(errors), worst["roundness"], abs(worst["size"])])
    least, most = np.min(found, axis=0), np.max(found, axis=0)
    low, high = ends.T
    assert (0.98 * low <= least).all()
    assert (most <= 1.02 * high).all()
    assert (most - least > 0.3 * (high - low)).all()  # nor is it said wider than it is
