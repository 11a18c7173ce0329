"""A few worker processes that stay warm, and the tasks that wait for one.

A decoder that bytes from outside lead astray can take all memory, never come back or crash. In a
worker it costs one task: the process is limited in memory and time (``setrlimit``), watched, and
ended; the next task gets a new one.
"""

from __future__ import annotations

import atexit
import functools
import os
import pickle
import signal
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from contextvars import ContextVar
from multiprocessing.connection import Pipe
from typing import Any, ParamSpec, TypeVar, cast

from archiver.errors import ArchiverError, Problem
from archiver.workers import worker
from archiver.workers.allowances import Allowance, allowance

P = ParamSpec("P")
R = TypeVar("R")

#: For whom work is done, such as the address of a client; empty for this machine's own.
GUEST: ContextVar[str] = ContextVar("guest", default="")

#: A worker that has kept more than this of what it used is replaced (bytes).
_WORN = 256 << 20
#: The clock on the wall runs so much longer than the processor's, where a machine is busy.
_PATIENCE = 5
_START = "import sys; sys.path[:] = sys.argv[2:]; from archiver.workers.worker import serve; "


class _Died(Exception):
    """The worker ended within a task."""


class _Worker:
    """One process and the connection to it."""

    def __init__(self) -> None:
        self._connection, theirs = Pipe()
        number = theirs.fileno()
        # A library that computes in threads would give each of them memory of its own.
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        command = [sys.executable, "-c", f"{_START}serve(int(sys.argv[1]))", str(number)]
        self.process = subprocess.Popen(
            [*command, *sys.path],
            pass_fds=(number,),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            # What decoders complain of quotes what they read.
            stderr=subprocess.DEVNULL,
            env=environment,
        )
        theirs.close()

    def run(self, task: bytes, seconds: float) -> tuple[bool, Any, float, int]:
        """Return what a task gave: whether it is good, result, seconds, bytes that are kept.

        Raises
        ------
        TimeoutError
            If it took longer.
        _Died
            If the process ended.
        """
        try:
            self._connection.send_bytes(task)
            if not self._connection.poll(seconds):
                raise TimeoutError
            told, sizes = pickle.loads(self._connection.recv_bytes())
            buffers = [self._buffer(size) for size in sizes]
            return cast(tuple[bool, Any, float, int], pickle.loads(told, buffers=buffers))
        except (EOFError, ConnectionError) as error:
            raise _Died from error

    def _buffer(self, size: int) -> bytearray:
        buffer = bytearray(size)
        self._connection.recv_bytes_into(buffer)
        return buffer

    def end(self) -> None:
        """End the process, whatever it does."""
        self._connection.close()
        self.process.kill()
        self.process.wait()


class Pool:
    """Runs tasks in worker processes.

    Parameters
    ----------
    size
        Workers at most; one guest never holds all of them.
    allowed
        What a task may take; left out: what this process was told.

    Attributes
    ----------
    charged
        Told (guest, seconds of the processor) of every task.
    """

    def __init__(self, size: int, allowed: Allowance | None = None) -> None:
        self._allowed = allowed
        self.charged: Callable[[str, float], None] = lambda guest, seconds: None
        self.died = 0
        self._size = size
        self._changed = threading.Condition()
        self._idle: list[_Worker] = []
        self._held: Counter[str] = Counter()

    @property
    def processes(self) -> list[int]:
        """Identifiers of the processes that wait for work."""
        with self._changed:
            return [one.process.pid for one in self._idle]

    def run(
        self,
        function: Callable[P, R],
        error: type[ArchiverError],
        *arguments: P.args,
        **_: P.kwargs,
    ) -> R:
        """Run a function of a module in a worker and return what it gives.

        Parameters
        ----------
        function
            Whatever it raises that is no `ArchiverError` and no ``HTTPException`` comes back as
            `error`.
        error
            Raised where the task took too much, too long, or ended its worker.

        Raises
        ------
        ArchiverError
            As the function raised it, or `error`.
        """
        guest, allowed = GUEST.get(), self._allowed or allowance()
        task = pickle.dumps((function, arguments, "HTTPException", allowed), 5)
        one = self._take(guest)
        fit, spent = False, allowed.seconds
        try:
            good, result, spent, kept = one.run(task, allowed.seconds * _PATIENCE)
            fit = kept < _WORN
        except TimeoutError:
            raise error(_too_long(allowed)) from None
        except _Died:
            raise error(self._death(one, allowed)) from None
        finally:
            self._give_back(one if fit else None, guest)
            if not fit:
                one.end()
            self.charged(guest, spent)
        if good:
            return cast(R, result)
        if isinstance(result, Exception):
            raise result
        kind, name = result
        raise error(Problem(f"workers.{kind}", megabytes=allowed.memory >> 20, kind=name))

    def _death(self, one: _Worker, allowed: Allowance) -> Problem:
        self.died += 1
        out_of_time = one.process.wait() == -getattr(signal, "SIGXCPU", 0)
        return _too_long(allowed) if out_of_time else Problem("workers.died")

    def warm(self, function: Callable[[], object]) -> None:
        """Start a worker and have it import what it will need, without waiting for it."""

        def work() -> None:
            with suppress(ArchiverError):  # the first task will tell
                self.run(function, ArchiverError)

        threading.Thread(target=work, name="warming", daemon=True).start()

    def close(self) -> None:
        """End the workers that are idle."""
        with self._changed:
            idle, self._idle = self._idle, []
        for one in idle:
            one.end()

    def _take(self, guest: str) -> _Worker:
        most = self._size if not guest else max(1, self._size - 1)
        with self._changed:
            self._changed.wait_for(
                lambda: self._held.total() < self._size and self._held[guest] < most
            )
            self._held[guest] += 1
            while self._idle:
                one = self._idle.pop()
                if one.process.poll() is None:
                    return one
                one.end()
        try:
            return _Worker()
        except BaseException:
            self._give_back(None, guest)
            raise

    def _give_back(self, one: _Worker | None, guest: str) -> None:
        with self._changed:
            self._held[guest] -= 1
            if self._held[guest] <= 0:
                del self._held[guest]
            if one is not None:
                self._idle.append(one)
            self._changed.notify_all()


def _too_long(allowed: Allowance) -> Problem:
    return Problem("workers.too_long", seconds=f"{allowed.seconds:g}")


@functools.cache
def shared_pool() -> Pool:
    """Return the pool of this process; its workers end with it."""
    # One more than one guest ever holds.
    pool = Pool(max(2, min(4, os.cpu_count() or 2)) + 1)
    atexit.register(pool.close)
    return pool


def confined(error: type[ArchiverError]) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Make a function of a module run in a worker; inside a worker it runs at once.

    Parameters
    ----------
    error
        Raised where it takes too much.
    """

    def decorate(function: Callable[P, R]) -> Callable[P, R]:
        @functools.wraps(function)
        def run(*arguments: P.args, **named: P.kwargs) -> R:
            if worker.inside or sys.platform == "win32":
                return function(*arguments, **named)
            return shared_pool().run(_call, error, run, arguments, named)

        return run

    return decorate


def _call(function: Callable[..., R], arguments: Any, named: Any) -> R:
    return function(*arguments, **named)
