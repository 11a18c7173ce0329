"""Time that only goes forward, whatever is done to the clock, and also while a machine sleeps."""

from __future__ import annotations

import time
from collections.abc import Callable

#: Seconds since some moment.
Seconds = Callable[[], float]


def elapsed() -> float:
    """Return seconds; where the system can, those count in which it was suspended."""
    boottime = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if boottime is None else time.clock_gettime(boottime)
