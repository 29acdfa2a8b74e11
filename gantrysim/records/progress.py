"""Progress of long work: a line where somebody watches, silence elsewhere.

A script without a terminal hears of it through ``progress``, such as `print`, of what takes long.
"""

from __future__ import annotations

import shutil
import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

_SHOWN = 100  # characters of the line, where the terminal is not narrower
_CLOCK = 12  # of them for the time


def watched() -> bool:
    """Whether somebody sees what is written while it is: on a terminal or in a notebook."""
    return bool(sys.stderr and sys.stderr.isatty()) or _in_notebook()


def _in_notebook() -> bool:
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    return shell is not None and hasattr(shell, "kernel")


@contextmanager
def telling(what: str, progress: Callable[[str], None] | None) -> Iterator[Callable[[str], None]]:
    """Give what is called with a line of text as each step of some work begins.

    Parameters
    ----------
    what : str
        The work, as the line begins.
    progress : callable, optional
        Called instead, whoever watches.
    """
    if progress is not None:
        yield progress
    elif not watched():
        yield _silent
    else:
        room = min(_SHOWN, shutil.get_terminal_size((_SHOWN, 24)).columns) - _CLOCK
        with _bar()(bar_format="{desc} {elapsed}", leave=False) as bar:

            def say(line: str) -> None:
                text = f"{what}: {line}"
                bar.set_description_str(text if len(text) <= room else f"{text[: room - 3]}...")

            yield say


@contextmanager
def counting(
    what: str, progress: Callable[[int, int], None] | None
) -> Iterator[Callable[[int, int], None]]:
    """Give what is called after each piece of work with the number done and the number of all."""
    if progress is not None:
        yield progress
    elif not watched():
        yield _silent
    else:
        with _bar()(desc=what, leave=False) as bar:

            def count(done: int, of: int) -> None:
                bar.total = of
                bar.update(done - bar.n)

            yield count


def _bar() -> Any:
    """The bar for a terminal or a notebook; without widgets a notebook shows it as text."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from tqdm.auto import tqdm
    return tqdm


def _silent(*_: Any) -> None:
    return None
