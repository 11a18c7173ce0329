"""Queues that wake whoever waits for them, so that nothing polls and nothing piles up."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from typing import Any

from pynetdicom.pdu_primitives import P_DATA


class StirringQueue(queue.Queue[Any]):
    """A queue that calls something whenever an item has been put in.

    Parameters
    ----------
    stir
        Called with the queue's lock held; must not wait.
    """

    def __init__(self, stir: Callable[[], None]) -> None:
        super().__init__()
        self._stir = stir

    def _put(self, item: Any) -> None:
        super()._put(item)
        self._stir()


class SendingQueue(StirringQueue):
    """What an association has to send; holds back who puts data faster than the peer takes it.

    Parameters
    ----------
    stir
        As for `StirringQueue`.
    alive
        Says whether anybody still takes items out.
    patience
        Seconds after which an item is put in all the same.
    """

    #: Data units that may wait: with units of 128 KiB, 4 MiB.
    _WAITING = 32

    def __init__(
        self, stir: Callable[[], None], alive: Callable[[], bool], patience: float
    ) -> None:
        super().__init__(stir)
        self._alive = alive
        self._patience = patience
        self._room = threading.Condition()

    def put(self, item: Any, block: bool = True, timeout: float | None = None) -> None:
        """Put an item in; data waits until there is room."""
        if isinstance(item, P_DATA):
            until = time.monotonic() + self._patience
            with self._room:
                while self.qsize() >= self._WAITING and self._alive():
                    left = until - time.monotonic()
                    if left <= 0:
                        break
                    self._room.wait(min(left, 0.5))
        super().put(item, block, timeout)

    def _get(self) -> Any:
        item = super()._get()
        # Without waiting, as this queue's own lock is held here: the waiter looks again after half
        # a second at the latest, so a missed call costs little.
        if len(self.queue) < self._WAITING and self._room.acquire(blocking=False):
            try:
                self._room.notify_all()
            finally:
                self._room.release()
        return item
