"""One test on many machines, on whatever executor there is, with nothing lost."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from contextlib import closing
from dataclasses import dataclass
from inspect import signature
from typing import Any

from gantrysim.burn.burn import Burn
from gantrysim.burn.simulation import simulate
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.checks import must_be
from gantrysim.records.doors import checked
from gantrysim.records.progress import counting
from gantrysim.records.table import Table, fields_of

#: Tasks handed to the executor ahead of the results: keeps every worker busy, and memory flat.
AHEAD = 64


@checked
@dataclass(frozen=True)
class Failure:
    """A machine that could not be simulated.

    Parameters
    ----------
    index : int
        Its place among the machines, from 0.
    machine : Machine
        The machine.
    sentence : str
        What went wrong.
    kind : str
        Name of the exception.
    """

    index: int
    machine: Machine
    sentence: str
    kind: str

    def __str__(self) -> str:
        return f"machine {self.index}: {self.sentence} ({self.kind}; {self.machine!r})"


@checked
@dataclass(frozen=True, eq=False)
class ManyBurns:
    """Burns of many machines in the order in which the machines were given.

    Parameters
    ----------
    burns : tuple of Burn or None
        One for each machine; None where it failed.
    failures : tuple of Failure
        Those that failed, in order; every machine has a burn or stands here.
    """

    burns: tuple[Burn | None, ...]
    failures: tuple[Failure, ...]

    def __len__(self) -> int:
        return len(self.burns)

    def __iter__(self) -> Iterator[Burn | None]:
        return iter(self.burns)

    def all(self) -> tuple[Burn, ...]:
        """Every burn.

        Raises
        ------
        ValueError
            If a machine failed, with its sentence.
        """
        if self.failures:
            more = len(self.failures) - 1
            words = f"; and {more} more" if more else ""
            raise ValueError(f"{self.failures[0]}{words}")
        return tuple(burn for burn in self.burns if burn is not None)

    def to_dict(self) -> dict[str, Any]:
        """Burns and failures as plain Python types (mm)."""
        return fields_of(self)

    def __repr__(self) -> str:
        done = len(self.burns) - len(self.failures)
        return f"ManyBurns({done} burns, {len(self.failures)} failures)"

    def _repr_html_(self) -> str:
        heads = ("machine", "what went wrong") if self.failures else ()
        rows = ((failure.index, failure.sentence) for failure in self.failures)
        return Table(heads, rows, repr(self)).html(most=40)


@checked
def simulate_many(
    machines: Iterable[Machine],
    test: RingTest,
    *,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
    **options: Any,
) -> ManyBurns:
    """Predict what each of many machines burns.

    Parameters
    ----------
    machines : iterable of Machine
        The machines.
    test : RingTest
        What all of them are commanded.
    executor : concurrent.futures.Executor, optional
        Where the work is done: a pool of threads (the kernel lets other threads run) or of
        processes, or one that leads to a cluster.  It is not shut down.  One after another in
        this process if absent.
    progress : callable, optional
        Called after each machine with the number done and the number of all; if absent, a terminal
        or a notebook shows a bar.
    **options
        Passed on to `simulate`, for example ``step`` in mm.

    Returns
    -------
    ManyBurns
        In the order of the machines.  A machine that cannot be simulated, or whose worker died,
        is named among the failures; the others go on.

    Raises
    ------
    ValueError
        If one of the machines is no `Machine`, or the test no `RingTest`.
    TypeError
        If `simulate` has no such option.
    KeyboardInterrupt
        When interrupted; what has not begun is cancelled, and the executor stays usable.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
    >>> forces = (0.0, 6.0, 12.0)
    >>> machines = [gs.Machine().with_faults(gs.faults.TightWheels("left", f)) for f in forces]
    >>> burns = gs.simulate_many(machines, test)
    >>> [round(burn.rms_error(), 2) for burn in burns.all()]  # mm
    [0.09, 0.16, 0.24]
    """
    todo = list(machines)
    for index, machine in enumerate(todo):
        if not isinstance(machine, Machine):
            raise TypeError(must_be(f"machines[{index}]", "a Machine", machine))
    signature(simulate).bind(Machine, test, **options)  # a TypeError here, not one a machine
    burns: list[Burn | None] = [None] * len(todo)
    failures: list[Failure] = []
    run = _here(todo, test, options) if executor is None else _on(executor, todo, test, options)
    # whatever ends the loop, what has not begun is cancelled
    with closing(run), counting("simulate", progress) as count:
        for done, (index, result) in enumerate(run, start=1):
            if isinstance(result, Burn):
                burns[index] = result
            else:
                failures.append(Failure(index, todo[index], *result))
            count(done, len(todo))
    return ManyBurns(tuple(burns), tuple(sorted(failures, key=lambda f: f.index)))


Result = Burn | tuple[str, str]  # or what went wrong: its sentence and the kind of exception
Outcomes = Generator[tuple[int, Result], None, None]


def _one(machine: Machine, test: RingTest, options: dict[str, Any]) -> Result:
    """Simulate; hand an exception back as words, which every executor can carry."""
    try:
        return simulate(machine, test, **options)
    except Exception as error:
        return _in_words(error)


def _in_words(error: Exception) -> tuple[str, str]:
    kind = type(error).__name__
    return str(error) or kind, kind


def _here(machines: list[Machine], test: RingTest, options: dict[str, Any]) -> Outcomes:
    for index, machine in enumerate(machines):
        yield index, _one(machine, test, options)


def _on(
    executor: Executor, machines: list[Machine], test: RingTest, options: dict[str, Any]
) -> Outcomes:
    """Outcomes as they come, a window of tasks at a time."""
    waiting: dict[Future[Result], int] = {}
    coming = iter(enumerate(machines))
    try:
        while True:
            while len(waiting) < AHEAD and (task := next(coming, None)) is not None:
                index, machine = task
                try:
                    waiting[executor.submit(_one, machine, test, options)] = index
                except RuntimeError as error:  # the pool broke, or was shut down
                    yield index, _in_words(error)
            if not waiting:
                return
            for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                index = waiting.pop(future)
                try:
                    result = future.result()
                except Exception as error:  # the worker died, or the task was cancelled
                    result = _in_words(error)
                yield index, result
    finally:
        for future in waiting:
            future.cancel()
