"""Lines for standard error: a reader that stands still costs lines, and never the server."""

from __future__ import annotations

import atexit
import os
import queue
import sys
import threading
import time
from collections.abc import Callable
from functools import cache

#: Lines that wait for the reader; those beyond are dropped and counted.
_MOST = 2000
#: How long the end of the process waits for the reader (seconds).
_PARTING = 2.0
_DESCRIPTOR = 2


class LogLines:
    """Writes lines to a descriptor, in a thread of its own.

    Not by way of `sys.stderr`: whoever waits in there keeps the interpreter from ending.
    """

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._waiting: queue.Queue[tuple[str, Callable[[int], str]]] = queue.Queue(_MOST)
        self._guard = threading.Lock()
        self._untold = 0
        self.dropped = 0
        threading.Thread(target=self._write, name="log", daemon=True).start()
        atexit.register(self.wait, _PARTING)

    def put(self, line: str, told: Callable[[int], str]) -> None:
        """Have a line written, or drop it where too many wait.

        Parameters
        ----------
        told
            Makes the line that tells how many were dropped before this one.
        """
        try:
            self._waiting.put_nowait((line, told))
        except queue.Full:
            with self._guard:
                self.dropped, self._untold = self.dropped + 1, self._untold + 1

    def wait(self, seconds: float) -> None:
        """Wait until all is written, but not for longer."""
        until = time.monotonic() + seconds
        while self._waiting.unfinished_tasks and time.monotonic() < until:
            time.sleep(0.01)

    def _write(self) -> None:
        while True:
            line, told = self._waiting.get()
            with self._guard:
                untold, self._untold = self._untold, 0
            text = f"{told(untold)}\n{line}\n" if untold else f"{line}\n"
            left = text.encode("utf-8", "backslashreplace")
            try:
                while left:
                    left = left[os.write(self._descriptor, left) :]
            except OSError:  # nobody reads any more
                with self._guard:
                    self.dropped += 1
            self._waiting.task_done()


def standard_error() -> LogLines | None:
    """Return what writes to standard error, None where that is something else than a process's."""
    try:
        own = sys.stderr.fileno() == _DESCRIPTOR
    except (AttributeError, OSError, ValueError):
        own = False
    return _lines() if own else None


@cache
def _lines() -> LogLines:
    return LogLines(_DESCRIPTOR)
