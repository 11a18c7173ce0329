"""What each guest holds now and has used of late, by address: one never takes all there is.

Things are held for a while (associations, bodies that are on their way); the processor's seconds
of decoding and the journal's bytes are used up, and come back within a minute.
"""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from prometheus_client import CollectorRegistry, Gauge
from prometheus_client import Counter as Figure

if TYPE_CHECKING:
    from archiver.network.node.limits import NodeLimits

ASSOCIATION, BODY = "associations", "bodies"
SECONDS, JOURNAL = "processor_seconds", "journal_bytes"
_MINUTE = 60.0
#: Guests that are remembered; those that have used least are forgotten first.
_MOST_GUESTS = 4096


class TooMany(Exception):
    """There is no place for one more; told with whether it is the guest who holds too many."""

    def __init__(self, *, own: bool) -> None:
        super().__init__(own)
        self.own = own


class Guests:
    """Counts by address.

    Parameters
    ----------
    limits
        What there is, and what one address may have of it.
    registry
        Of the figures.
    clock
        Seconds that never go back.
    """

    def __init__(
        self,
        limits: NodeLimits,
        registry: CollectorRegistry,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._most = {
            ASSOCIATION: (limits.associations, limits.associations_of_one_address),
            BODY: (limits.bodies, limits.bodies_of_one_address),
        }
        self._a_minute = {
            SECONDS: limits.processor_seconds,
            JOURNAL: float(limits.journal_megabytes << 20),
        }
        self._clock = clock
        self._guard = threading.Lock()
        self._held: dict[str, Counter[str]] = {what: Counter() for what in self._most}
        self._used: dict[tuple[str, str], tuple[float, float]] = {}
        self._now = Gauge(
            "archiver_guests_hold",
            "Associations and request bodies open now",
            ["what"],
            registry=registry,
        )
        self._total = Figure(
            "archiver_guests_used",
            "Processor seconds and bytes of journal used by guests",
            ["what"],
            registry=registry,
        )
        self._refused = Figure(
            "archiver_guests_refused",
            "Requests refused because a limit was reached",
            ["what"],
            registry=registry,
        )

    @contextmanager
    def holding(self, what: str, guest: str) -> Iterator[None]:
        """Hold one of what there is while a block runs.

        Raises
        ------
        TooMany
            If the guest holds as many as one may, or all are held.
        """
        self._enter(what, guest)
        try:
            yield
        finally:
            with self._guard:
                held = self._held[what]
                held[guest] -= 1
                if held[guest] <= 0:
                    del held[guest]
                self._now.labels(what).set(held.total())

    def _enter(self, what: str, guest: str) -> None:
        most, most_of_one = self._most[what]
        with self._guard:
            held = self._held[what]
            own = held[guest] >= most_of_one
            if own or held.total() >= most:
                self._refused.labels(what).inc()
                raise TooMany(own=own)
            held[guest] += 1
            self._now.labels(what).set(held.total())

    def use(self, what: str, guest: str, amount: float) -> None:
        """Note that a guest has used something up."""
        self._total.labels(what).inc(amount)
        with self._guard:
            now = self._clock()
            if len(self._used) >= _MOST_GUESTS:
                kept = sorted(self._used.items(), key=lambda one: -self._left(one[0], now))
                self._used = dict(kept[: _MOST_GUESTS // 2])
            self._used[what, guest] = (self._left((what, guest), now) + amount, now)

    def exhausted(self, guest: str) -> str:
        """Return what a guest has used more of than a minute gives; empty where nothing."""
        with self._guard:
            now = self._clock()
            for what, most in self._a_minute.items():
                if self._left((what, guest), now) > most:
                    self._refused.labels(what).inc()
                    return what
        return ""

    def _left(self, key: tuple[str, str], now: float) -> float:
        """Return what is not forgiven yet of what was used."""
        amount, when = self._used.get(key, (0.0, now))
        return max(0.0, amount - (now - when) * self._a_minute[key[0]] / _MINUTE)
