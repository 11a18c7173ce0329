"""Answers on their way from the threads that send to the one that notes them.

Whoever sends is held up when too few of its answers have been noted: what is not noted when a
process is killed has to be sent again.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable

from archiver.network.outgoing_object import Result

#: Answers that may wait, and that are noted together.
_AHEAD = 8
_GLANCE = 0.2


class Results:
    """A queue of answers, and of what ended a thread unforeseen."""

    def __init__(self) -> None:
        self._waiting: queue.Queue[Result | BaseException] = queue.Queue(_AHEAD)
        self._threads: list[threading.Thread] = []
        self.stop = threading.Event()

    def start(self, work: Callable[[], None]) -> None:
        """Begin work in a thread; what ends it unforeseen is raised by `batch`."""

        def run() -> None:
            try:
                work()
            except BaseException as error:
                self.put(error)

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        self._threads.append(thread)

    def close(self) -> None:
        """Tell the threads to stop, and wait until they have."""
        self.stop.set()
        for thread in self._threads:
            thread.join()

    def put(self, result: Result | BaseException) -> None:
        """Hand an answer over; waits while there are too many, unless it is time to stop."""
        while not self.stop.is_set():
            try:
                self._waiting.put(result, timeout=_GLANCE)
            except queue.Full:
                continue
            return

    def batch(self) -> list[Result]:
        """Wait for an answer, and return it with those that wait behind it.

        Raises
        ------
        BaseException
            What ended a thread.
        """
        found = [self._waiting.get()]
        while len(found) < _AHEAD and not self._waiting.empty():
            found.append(self._waiting.get_nowait())
        batch: list[Result] = []
        for one in found:
            if isinstance(one, BaseException):
                raise one
            batch.append(one)
        return batch
