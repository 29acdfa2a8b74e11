"""Long work: progress where somebody watches, a quick end when interrupted, one answer always."""

import io
import os
import signal
import subprocess
import sys
import textwrap
import time

import numpy as np
import pytest

import gantrysim as gs
from gantrysim.instruments import ToneReading, ToneSheet
from gantrysim.records import crew, progress

STOPS = 2.0  # s from an interrupt to the end


@pytest.fixture(scope="module")
def small():
    test = gs.ring_test(spacing=8.0, largest=24.0)
    tight = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
    return gs.simulate(tight, test)


@pytest.fixture(scope="module")
def found(small):
    """What eight threads find of it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "cpu_count", lambda: 8)
        return gs.diagnose(small)


@pytest.fixture
def tones():
    return ToneSheet(
        (ToneReading("left", span=270.0, mass=8.4, tone=28.6, uncertainty=0.5),), "by ear"
    )


# --- a burn in place of a piece ------------------------------------------------------------------


def test_a_burn_is_diagnosed_as_a_piece(small, found):
    assert found.best.faults == ("tight_wheels_left",)
    size = found.best.magnitudes["tight_wheels_left"]
    assert size.low < 12.0 < size.high
    assert found.pieces[0].n_points == sum(len(line.xy) for line in small.lines)


def test_dense_lines_of_a_burn_are_thinned(small):
    fine = gs.simulate(small.machine, small.test, step=0.1)
    counts = []
    for burn in (small, fine):
        term = gs.Piece.of_burn(burn).likelihood_term(gs.Machine())
        counts.append(len(term.matched.points))
    assert sum(len(x.xy) for x in fine.lines) > 4 * sum(len(x.xy) for x in small.lines)
    assert counts[1] < 1.5 * counts[0]


def test_a_piece_of_a_burn_knows_its_scale(small):
    assert gs.Piece.of_burn(small).scanner.unchecked == (False, False)


# --- the same answer however many threads --------------------------------------------------------


def test_number_of_threads_does_not_matter(small, found, monkeypatch):
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    one, eight = gs.diagnose(small), found
    assert [h.faults for h in one.ranked] == [h.faults for h in eight.ranked]
    assert [h.log_evidence for h in one.ranked] == [h.log_evidence for h in eight.ranked]
    assert [h.probability for h in one.ranked] == [h.probability for h in eight.ranked]
    for a, b in zip(one.ranked, eight.ranked, strict=True):
        np.testing.assert_array_equal(a.fit.mode.u, b.fit.mode.u)


@pytest.mark.parametrize("count", [1, 4])
def test_a_crew_has_as_many_threads_as_cores(count, monkeypatch):
    import threading

    monkeypatch.setattr(os, "cpu_count", lambda: count)
    gate = threading.Barrier(count)
    with crew.crew() as run:
        names = list(run(lambda _: (gate.wait(10.0), threading.get_ident())[1], range(count)))
    assert len(set(names)) == count


# --- interrupted ---------------------------------------------------------------------------------


@pytest.mark.parametrize("step", ["tight_wheels_left", "beside"])
def test_an_interrupted_diagnosis_ends_soon(step):
    program = """
        import signal

        import gantrysim as gs

        # a test worker that ignores interrupts hands that down to what it starts
        signal.signal(signal.SIGINT, signal.default_int_handler)
        test = gs.ring_test(spacing=4.0, largest=40.0)
        tight = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
        gs.diagnose(gs.simulate(tight, test), progress=lambda line: print(line, flush=True))
    """
    run = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(program)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    with run:
        for line in run.stdout:
            if step in line:
                break
        else:
            pytest.fail(f"it never came to {step}: {run.stderr.read()}")
        time.sleep(0.2)  # its threads are at work
        begun = time.monotonic()
        run.send_signal(signal.SIGINT)
        _, said = run.communicate(timeout=60.0)
    assert time.monotonic() - begun < STOPS
    assert said.rstrip().endswith("KeyboardInterrupt: stopped by hand")
    assert len(said.splitlines()) < 10
    assert run.returncode != 0


def test_a_crew_that_is_interrupted_stops_at_the_next_turn():
    turns = []

    def long(_):
        for turn in range(1000):
            crew.go_on()
            turns.append(turn)
            time.sleep(0.01)

    def interrupted():
        with crew.crew() as run:
            run(long, range(8))
            raise KeyboardInterrupt

    begun = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert time.monotonic() - begun < 1.0
    assert len(turns) < 500


def test_outside_a_crew_nothing_stops():
    crew.go_on()


# --- progress ------------------------------------------------------------------------------------


class Terminal(io.StringIO):
    """Standard error as a terminal has it."""

    def isatty(self):
        return True


def test_progress_shows_on_a_terminal(tones, monkeypatch):
    monkeypatch.setattr(sys, "stderr", terminal := Terminal())
    gs.diagnose(tones)
    assert "diagnose: healthy machine" in terminal.getvalue()


def test_nothing_is_said_elsewhere(tones, capfd):
    gs.diagnose(tones)
    assert capfd.readouterr() == ("", "")


def test_ones_own_progress_goes_before_the_line(tones, monkeypatch):
    monkeypatch.setattr(sys, "stderr", terminal := Terminal())
    said = []
    gs.diagnose(tones, progress=said.append)
    assert said[0] == "healthy machine"
    assert terminal.getvalue() == ""


def test_a_notebook_is_watched(monkeypatch):
    class Shell:
        kernel = object()

    class Module:
        get_ipython = staticmethod(Shell)

    assert not progress.watched()
    monkeypatch.setitem(sys.modules, "IPython", Module)
    assert progress.watched()


def test_a_long_line_is_cut(monkeypatch):
    monkeypatch.setattr(sys, "stderr", terminal := Terminal())
    monkeypatch.setenv("COLUMNS", "60")
    with progress.telling("diagnose", None) as say:
        say("x" * 500)
    assert max(len(row) for row in terminal.getvalue().split("\r")) <= 60


def test_many_machines_are_counted_on_a_terminal(small, monkeypatch):
    monkeypatch.setattr(sys, "stderr", terminal := Terminal())
    gs.simulate_many([gs.Machine()] * 3, small.test)
    assert "simulate" in terminal.getvalue()
    with progress.counting("simulate", None) as count:
        time.sleep(0.2)  # what is quicker is not drawn
        count(2, 3)
    assert "2/3" in terminal.getvalue()
