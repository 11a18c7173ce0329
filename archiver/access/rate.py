"""How often somebody may ask: buckets that fill with time and are emptied by asking."""

from __future__ import annotations

import threading

from cachetools import LRUCache

from archiver.access.elapsed import Seconds, elapsed

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
        Seconds that never go back.
    """

    def __init__(self, burst: float, each_second: float, clock: Seconds = elapsed) -> None:
        self._burst, self._each, self._clock = burst, each_second, clock
        self._guard = threading.Lock()
        self._buckets: LRUCache[str, tuple[float, float]] = LRUCache(_REMEMBERED)

    def wait(self, who: str) -> float:
        """Take from the bucket; return 0, or the seconds to wait where there is not enough."""
        now = self._clock()
        with self._guard:
            left, at = self._buckets.get(who, (self._burst, now))
            left = min(self._burst, left + max(0.0, now - at) * self._each)
            allowed = left >= 1
            self._buckets[who] = (left - 1 if allowed else left, now)
        return 0.0 if allowed else max(1.0, (1 - left) / self._each)
