"""Times are told with their offset from UTC, or they cannot be ordered."""

from __future__ import annotations

import re
from datetime import datetime, timedelta, timezone

from archiver.errors import InputError, Problem


def demand_offset(when: datetime) -> None:
    """Refuse a time without its offset from UTC (0008,0201).

    Raises
    ------
    InputError
        If it is naive.
    """
    if when.utcoffset() is None:
        raise InputError(Problem("objects.clock.naive", isoformat=when.isoformat()))


def zone_of(offset: str) -> timezone | None:
    """Return the zone of a Timezone Offset From UTC; None where it is none (PS3.3 C.12.1.1.8)."""
    told = re.fullmatch(r"([+-])(\d{2})([0-5]\d)", offset, re.ASCII)
    if told is None:
        return None
    apart = timedelta(hours=int(told[2]), minutes=int(told[3])) * (-1 if told[1] == "-" else 1)
    return timezone(apart) if timedelta(hours=-12) <= apart <= timedelta(hours=14) else None
