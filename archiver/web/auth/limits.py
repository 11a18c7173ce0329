"""How often somebody may ask: buckets that fill with time and are emptied by asking."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime

from cachetools import LRUCache

Clock = Callable[[], datetime]

#: Askers that are remembered; whoever was longest away is forgotten first.
_REMEMBERED = 10_000


class Rate:
    """Lets an asker ask `burst` times at once and `each_second` times a second in the long run.

    Parameters
    ----------
    burst
        Requests that may come together.
    each_second
        How fast the bucket fills.
    clock
        Gives the time.
    """

    def __init__(self, burst: float, each_second: float, clock: Clock) -> None:
        self._burst, self._each, self._clock = burst, each_second, clock
        self._guard = threading.Lock()
        self._buckets: LRUCache[str, tuple[float, datetime]] = LRUCache(_REMEMBERED)

    def wait(self, who: str, cost: float = 1) -> float:
        """Take from the bucket; return 0, or the seconds to wait where there is not enough."""
        now = self._clock()
        with self._guard:
            left, at = self._buckets.get(who, (self._burst, now))
            left = min(self._burst, left + max(0.0, (now - at).total_seconds()) * self._each)
            allowed = left >= cost
            self._buckets[who] = (left - cost if allowed else left, now)
        return 0.0 if allowed else max(1.0, (cost - left) / self._each)

    def forgive(self, who: str) -> None:
        """Fill the bucket of somebody again."""
        with self._guard:
            self._buckets.pop(who, None)
