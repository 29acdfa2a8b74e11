"""Many machines on every kind of executor: in order, nothing lost, interrupts clean."""

import multiprocessing
import os
import pickle
import threading
from concurrent.futures import Future, ProcessPoolExecutor, ThreadPoolExecutor

import numpy as np
import pytest

import gantrysim as gs
from gantrysim.burn import many

BROKEN = (2, 5)


@pytest.fixture(scope="module")
def test():
    return gs.ring_test(("circle",), spacing=20.0, largest=40.0)


@pytest.fixture(scope="module")
def machines():
    """Eight machines; two are too small for the test."""
    found = [gs.Machine().with_faults(gs.faults.TightWheels("left", 2.0 * k)) for k in range(8)]
    for k in BROKEN:
        found[k] = found[k].set("travel_y", 100.0)
    return found


@pytest.fixture(scope="module")
def alone(machines, test):
    return gs.simulate_many(machines, test)


def check(result, alone):
    """The same burns in the same order, and the same failures, as one after another."""
    assert len(result) == len(alone)
    assert [f.index for f in result.failures] == list(BROKEN)
    assert [str(f) for f in result.failures] == [str(f) for f in alone.failures]
    for index, (burn, want) in enumerate(zip(result, alone, strict=True)):
        if index in BROKEN:
            assert burn is None
            continue
        assert burn.machine == want.machine
        assert burn.test == want.test
        for one, other in zip(burn.lines, want.lines, strict=True):
            assert np.array_equal(one.xy, other.xy)
            assert not one.xy.flags.writeable


def test_one_after_another_is_simulate(machines, test, alone):
    check(alone, alone)
    for machine, burn in zip(machines, alone, strict=True):
        if burn is not None:
            want = gs.simulate(machine, test)
            assert all(
                np.array_equal(a.xy, b.xy) for a, b in zip(burn.lines, want.lines, strict=True)
            )


def test_failures_say_which_machine_and_why(alone):
    first = alone.failures[0]
    assert first.index == 2
    assert first.machine.travel_y == 100.0
    assert "but the machine travels from 0 to 100 mm" in first.sentence
    assert first.kind == "ValueError"
    assert str(first).startswith("machine 2: the test goes")
    with pytest.raises(ValueError, match=r"machine 2: .*; and 1 more$"):
        alone.all()
    assert repr(alone) == "ManyBurns(6 burns, 2 failures)"
    assert "100 mm" in alone._repr_html_()
    assert [f["index"] for f in alone.to_dict()["failures"]] == [2, 5]


def test_all_burns_where_none_failed(machines, test):
    good = [m for k, m in enumerate(machines) if k not in BROKEN]
    result = gs.simulate_many(iter(good), test)
    assert [burn.machine for burn in result.all()] == good
    assert result.failures == ()


def test_threads(machines, test, alone):
    with ThreadPoolExecutor(2) as pool:
        check(gs.simulate_many(machines, test, executor=pool), alone)


@pytest.mark.slow
def test_processes(machines, test, alone):
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, mp_context=spawn) as pool:
        check(gs.simulate_many(machines, test, executor=pool), alone)


@pytest.mark.slow
@pytest.mark.filterwarnings("default")  # the cluster's own
def test_a_real_local_cluster(machines, test, alone):
    distributed = pytest.importorskip("distributed", reason="dask[distributed] is not installed.")
    seen = []
    with (
        distributed.LocalCluster(
            n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None
        ) as cluster,
        distributed.Client(cluster) as client,
        client.get_executor() as executor,
    ):
        assert client.run(os.getpid) != {}
        assert os.getpid() not in client.run(os.getpid).values()  # work is done elsewhere
        result = gs.simulate_many(
            machines, test, executor=executor, progress=lambda *done: seen.append(done), step=1.0
        )
    check(result, gs.simulate_many(machines, test, step=1.0))
    assert seen == [(k, 8) for k in range(1, 9)]


def test_options_reach_simulate(machines, test):
    result = gs.simulate_many(machines[:1], test, step=2.0, feed_forces=True)
    want = gs.simulate(machines[0], test, step=2.0, feed_forces=True)
    assert np.array_equal(result.burns[0].lines[0].xy, want.lines[0].xy)
    assert len(want.lines[0].xy) < len(gs.simulate(machines[0], test).lines[0].xy)


@pytest.mark.parametrize("workers", [0, 2])
def test_progress_counts_every_machine(machines, test, workers):
    seen = []
    pool = ThreadPoolExecutor(workers) if workers else None
    gs.simulate_many(machines, test, executor=pool, progress=lambda *done: seen.append(done))
    if pool:
        pool.shutdown()
    assert seen == [(k, 8) for k in range(1, 9)]


def test_order_is_that_of_the_machines_not_of_the_end(machines, test, monkeypatch):
    """The first machine is held up until every other one is done."""
    others = threading.Barrier(2)
    real = many.simulate

    def held(machine, test, **options):
        if machine.left.friction == machines[0].left.friction:
            others.wait(timeout=30)
        return real(machine, test, **options)

    monkeypatch.setattr(many, "simulate", held)
    with ThreadPoolExecutor(2) as pool:

        def progress(done, of):
            if done == of - 1:
                others.wait(timeout=30)

        good = [m for k, m in enumerate(machines) if k not in BROKEN]
        result = gs.simulate_many(good, test, executor=pool, progress=progress)
    assert [burn.machine for burn in result] == good


class Deadly(gs.Machine):
    """Ends the process that unpickles it."""

    def __reduce__(self):
        return os._exit, (3,)


@pytest.mark.slow
def test_a_worker_that_dies_loses_no_machine(machines, test):
    """The pool breaks; every machine has a burn or is named, and the call returns."""
    todo = [machines[0], machines[1], Deadly(), *[machines[3]] * 3]
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, mp_context=spawn) as pool:
        result = gs.simulate_many(todo, test, executor=pool)
    failed = [f.index for f in result.failures]
    assert 2 in failed
    assert failed == sorted(failed)
    assert all((burn is None) == (k in failed) for k, burn in enumerate(result))
    assert all("terminated" in f.sentence or "broken" in f.sentence.lower()
               for f in result.failures)  # fmt: skip


def test_a_pool_that_is_shut_down_is_said_for_every_machine(machines, test):
    pool = ThreadPoolExecutor(1)
    pool.shutdown()
    result = gs.simulate_many(machines, test, executor=pool)
    assert [f.index for f in result.failures] == list(range(8))
    assert all("after shutdown" in f.sentence for f in result.failures)


class Recorder(ThreadPoolExecutor):
    """Remembers every future that it gave out."""

    def __init__(self, workers):
        super().__init__(workers)
        self.given = []

    def submit(self, *task, **options):
        future = super().submit(*task, **options)
        self.given.append(future)
        return future


def test_an_interrupt_cancels_what_has_not_begun(machines, test, monkeypatch):
    """Ctrl-C after the third machine: it reaches the caller, nothing new begins, the pool lives."""
    gate = threading.Event()
    real = many.simulate
    begun = []

    def slow(machine, test, **options):
        begun.append(machine)
        if len(begun) > 3:
            gate.wait(timeout=30)
        return real(machine, test, **options)

    def progress(done, of):
        if done == 3:
            raise KeyboardInterrupt

    monkeypatch.setattr(many, "simulate", slow)
    with Recorder(1) as pool:
        with pytest.raises(KeyboardInterrupt):
            gs.simulate_many(machines[:1] * 200, test, executor=pool, progress=progress)
        cancelled = sum(f.cancelled() for f in pool.given)
        gate.set()
        assert pool.submit(sum, [1, 2]).result(timeout=30) == 3
    assert len(pool.given) < 200  # the window, and the sum
    assert cancelled >= len(pool.given) - 6
    assert len(begun) <= 5


def test_tasks_wait_in_a_window(test):
    """At most `AHEAD` tasks are out at a time, however many machines there are."""
    most, out = 0, 0

    class Counting(ThreadPoolExecutor):
        def submit(self, *task, **options):
            nonlocal most, out
            out += 1
            most = max(most, out)
            future: Future = super().submit(*task, **options)
            return future

    def progress(done, of):
        nonlocal out
        out -= 1

    with Counting(1) as pool:
        result = gs.simulate_many([gs.Machine()] * 150, test, executor=pool, progress=progress,
                                  step=5.0)  # fmt: skip
    assert not result.failures
    assert most <= many.AHEAD


def test_pickles(test):
    machine = gs.Machine().with_faults(gs.faults.CouplerBacklash(0.2))
    assert pickle.loads(pickle.dumps(machine)) == machine
    assert pickle.loads(pickle.dumps(test)) == test
    burn = gs.simulate(machine, test)
    again = pickle.loads(pickle.dumps(burn))
    assert again.machine == machine
    assert again.rms_error() == burn.rms_error()
    assert all(not line.xy.flags.writeable for line in again.lines)
    result = gs.push(machine, "right")
    assert pickle.loads(pickle.dumps(result)).to_dict() == result.to_dict()
    image = burn.image(dpi=100)
    assert np.array_equal(pickle.loads(pickle.dumps(image)).darkness, image.darkness)


def test_wrong_things_are_refused_before_any_work(machines, test):
    with pytest.raises(TypeError, match=r"machines\[1\] must be a Machine, found 'x'"):
        gs.simulate_many([machines[0], "x"], test)
    with pytest.raises(TypeError, match="test must be a RingTest"):
        gs.simulate_many(machines, "circle")
    with pytest.raises(TypeError, match="nonsense"):
        gs.simulate_many(machines, test, nonsense=1)
    assert len(gs.simulate_many([], test)) == 0
