"""What a worker process does: one task after the other, each within its limits.

It ends when its parent does: the connection is then closed.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from archiver.errors import ArchiverError
from archiver.workers.allowances import allow, allowance

#: Set in a worker, where what is confined runs at once.
inside = False


def serve(number: int) -> None:
    """Take tasks from a connection until it is closed.

    Parameters
    ----------
    number
        Its file descriptor.
    """
    global inside
    inside = True
    # Ctrl-C and a service manager reach the whole group; the parent finishes what it has begun.
    for name in (signal.SIGINT, signal.SIGTERM):
        signal.signal(name, signal.SIG_IGN)
    with Connection(number) as connection:
        while True:
            try:
                task = connection.recv_bytes()
            except (EOFError, OSError):
                return
            _send(connection, *_done(task))


def _done(task: bytes) -> tuple[bool, object, float]:
    """Return whether a task succeeded, its result or its error, and the processor's seconds."""
    began = time.process_time()
    function, arguments, error, allowed = pickle.loads(task)
    allow(allowed)
    _limit_seconds(allowed.seconds)
    _limit_memory(allowed.memory)
    good, result = _outcome(function, arguments, error)
    del arguments
    return good, result, time.process_time() - began


def _outcome(
    function: Callable[..., object], arguments: tuple[Any, ...], error: str
) -> tuple[bool, object]:
    try:
        return True, function(*arguments)
    except ArchiverError as raised:
        return False, type(raised)(*raised.problems)
    except MemoryError:
        return False, ("memory", "")
    except Exception as raised:
        # Errors of the web, whose status matters; of all others only the kind may be told.
        if error in (kind.__name__ for kind in type(raised).__mro__):
            raised.__traceback__ = raised.__cause__ = raised.__context__ = None
            return False, raised
        return False, ("failed", type(raised).__name__)


def _send(connection: Connection, good: bool, result: object, seconds: float) -> None:
    buffers: list[pickle.PickleBuffer] = []
    told = pickle.dumps((good, result, seconds, _resident()), 5, buffer_callback=buffers.append)
    views = [one.raw() for one in buffers]
    with suppress(OSError):
        connection.send_bytes(pickle.dumps((told, [len(view) for view in views])))
        for view in views:
            connection.send_bytes(view)


def narrow(memory: int) -> None:
    """Let the task that runs grow by so many bytes from here on, not by all that it is allowed."""
    if inside:
        _limit_memory(min(memory, allowance().memory))


def _limit_memory(memory: int) -> None:
    if sys.platform == "win32":
        return
    import resource

    _, most = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (_pages(0) + memory, most))


def _limit_seconds(seconds: float) -> None:
    if sys.platform == "win32":
        return
    import resource

    _, most = resource.getrlimit(resource.RLIMIT_CPU)
    resource.setrlimit(resource.RLIMIT_CPU, (int(time.process_time() + seconds) + 1, most))


def _resident() -> int:
    return _pages(1)


def _pages(column: int) -> int:
    """Return bytes of a column of Linux's statm: 0 is address space, 1 what is resident."""
    try:
        told = Path("/proc/self/statm").read_text("ascii").split()
        return int(told[column]) * os.sysconf("SC_PAGE_SIZE")
    except OSError:
        return 0
