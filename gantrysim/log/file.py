"""What the fields of a machine log hold beside machines, pieces, beliefs and findings."""

from __future__ import annotations

import datetime
from typing import Any

from gantrysim.records.checks import shortened

FORMAT = "gantrysim machine log"
#: Version 1 did not say which machine its belief is about: it is that of the log.  Version 2 kept
#: of a finding what its report says.  Version 3 took every turn for one of known amount.
VERSION, VERSIONS = 4, (1, 2, 3, 4)
KINDS = ("burned", "adjusted", "accepted")


def date(value: Any, where: str) -> str:
    """A date as ISO 8601 writes it, with or without time of day; empty where nobody gave one."""
    if isinstance(value, datetime.date):
        return value.isoformat()
    try:
        if value:
            datetime.datetime.fromisoformat(value)
        elif value != "":
            raise ValueError
    except (TypeError, ValueError):
        raise ValueError(
            f"field {where!r} must be a date such as '2031-04-05', found {shortened(value)}."
        ) from None
    return str(value)
