"""Every snippet of README runs, one after the other, in a folder of its own."""

import re
from pathlib import Path

import matplotlib as mpl
import pytest

import gantrysim as gs

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
