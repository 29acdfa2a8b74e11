"""Settings that all tests share: the same random examples in every run, and what was skipped."""

import os
from typing import Any

# One process a core already: threads of linear algebra beside it only wait for each other, which
# made a sampler of forms take several times its time.  Set before anything imports NumPy.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from hypothesis import settings
from shared_data import ABSENT

settings.register_profile("fixed", derandomize=True, deadline=None)
settings.load_profile("fixed")


def pytest_addoption(parser: Any) -> None:
    """Notebooks that the tests ran can be kept, for pages that show what they show."""
    words = "folder for copies of the notebooks with what their cells showed"
    parser.addoption("--keep-notebooks", metavar="FOLDER", help=words)


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Say how many tests had no data to rest on: a skip without a word looks like a pass."""
    skipped = terminalreporter.stats.get("skipped", ())
    absent = sum(ABSENT in str(report.longrepr) for report in skipped)
    if absent:
        terminalreporter.write_line(f"{absent} tests skipped: {ABSENT}", yellow=True)
