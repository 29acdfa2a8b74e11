"""Data that stand beside the repository and are no part of it: practice burns, open records.

Without them the tests that rest on them are skipped, and the end of the run says how many.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

SHARED = Path(__file__).resolve().parents[2] / "shared"
PRACTICE = SHARED / "practice"
DATA = SHARED / "data"
ABSENT = "shared measured data not found beside the repository"


def beside(path: Path) -> Path:
    """A file or folder of the shared data; where it is absent the test is skipped."""
    if not path.exists():
        pytest.skip(ABSENT)
    return path


def practice_cases(holding: str = ".") -> list[Any]:
    """All practice burns that hold a file, for `parametrize`; one skipped test if there is none."""
    found: list[Any] = [c for c in sorted(PRACTICE.glob("case-*")) if (c / holding).exists()]
    return found or [pytest.param(PRACTICE, marks=pytest.mark.skip(reason=ABSENT))]
