"""Times are told with their offset from UTC, or they cannot be ordered."""

from __future__ import annotations

from datetime import datetime

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
