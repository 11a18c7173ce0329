"""One thread writes to an archive, for all who have something to be kept.

What waits together is kept together, so that several who bring objects at once share the flush of
folders, journal and index. Lines about events go in behind the objects, all that wait with one
flush; lines that nobody waits for wait a moment for company. Whatever goes wrong ends the one
request that it belongs to; the thread goes on.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any

from archiver.archive.store.file_transaction import Incoming, Stored
from archiver.archive.store.journal_lines import Deed
from archiver.errors import ArchiveError, ArchiverError, Problem

#: Instances kept together at most.
_TOGETHER = 64
#: Lines about events wait this long for company (seconds), and so many of them are held while the
#: journal cannot be written.
_EVENTS_WAIT = 0.5
_EVENTS_HELD = 1000

#: Told what was kept, in the writer's thread.
Listener = Callable[[Sequence[Stored]], None]


@dataclass
class WriterHealth:
    """How the writer fares.

    Parameters
    ----------
    faults
        Errors that nobody foresaw, since the archive was opened.
    journal_refused
        Whether the last lines about events could not be written.
    """

    faults: int = 0
    journal_refused: bool = False


@dataclass(frozen=True)
class _Job:
    """A request: instances to be put, lines for the journal, or any other call that writes."""

    result: Future[Any]
    batch: Sequence[Incoming] = ()
    deeds: Sequence[Deed] = ()
    call: Callable[[], object] | None = None


class Writer:
    """Carries out what writes to an archive, one request after the other.

    Parameters
    ----------
    put
        Keeps a batch, all of it or nothing.
    record
        Appends lines to the journal.
    settle
        Called soon after lines were appended.
    """

    def __init__(
        self,
        put: Callable[[Sequence[Incoming]], list[Stored]],
        record: Callable[[Sequence[Deed]], None],
        settle: Callable[[], None] = lambda: None,
    ) -> None:
        self._put = put
        self._record, self._settle = record, settle
        self._jobs: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._guard = threading.Lock()
        self._events: list[Deed] = []
        self._listeners: list[Listener] = []
        self._thread: threading.Thread | None = None
        self._is_closed = False
        self.health = WriterHealth()
        #: Told of errors that no request can be told of, and of those that nobody foresaw.
        self.on_error: Callable[[BaseException], None] = lambda error: None

    def put(self, batch: Sequence[Incoming]) -> list[Stored]:
        """Keep instances; returns when they are on the disk and indexed."""
        stored: list[Stored] = self._wait(_Job(Future(), batch=batch))
        return stored

    def call(self, work: Callable[[], Any]) -> Any:
        """Have any other call that writes carried out, and return what it returns."""
        return self._wait(_Job(Future(), call=work))

    def recording(self, deeds: Iterable[Deed]) -> Future[None]:
        """Have lines written to the journal; the result is there when they are on the disk."""
        job = _Job(Future(), deeds=tuple(deeds))
        self._start()
        self._jobs.put(job)
        return job.result

    def record_soon(self, deeds: Iterable[Deed]) -> None:
        """Have lines written to the journal soon; nobody waits for them."""
        with self._guard:
            self._events.extend(deeds)
        self._start()

    def listen(self, listener: Listener) -> None:
        """Have somebody told of what is kept; who is told must not wait for the writer."""
        self._listeners.append(listener)

    def heard(self, stored: Sequence[Stored]) -> None:
        """Tell the listeners of what a call has kept; to be called in the writer's thread."""
        for listener in self._listeners:
            try:
                listener(stored)
            except Exception as error:
                self._fault(error)

    @property
    def is_alive(self) -> bool:
        """Whether requests are, or would be, carried out."""
        return not self._is_closed and (self._thread is None or self._thread.is_alive())

    def close(self) -> None:
        """Finish what waits and end the thread; harmless when done before."""
        with self._guard:
            self._is_closed = True
            thread = self._thread
        if thread is not None:
            self._jobs.put(None)
            thread.join()

    # -- before the queue

    def _wait(self, job: _Job) -> Any:
        if threading.current_thread() is self._thread:
            raise RuntimeError("the writer would wait for itself")
        self._start()
        self._jobs.put(job)
        return job.result.result()

    def _start(self) -> None:
        with self._guard:
            if self._is_closed:
                raise ArchiveError(Problem("archive.writer.closed"))
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="writer", daemon=True)
                self._thread.start()

    # -- the thread

    def _run(self) -> None:
        is_ending, settled = False, time.monotonic()
        while not is_ending:
            jobs, is_ending = self._next()
            self._serve(jobs)
            self._write_events()
            if not jobs or time.monotonic() - settled > _EVENTS_WAIT:
                settled = time.monotonic()
                try:
                    self._settle()
                except Exception as error:
                    self._report(error)

    def _next(self) -> tuple[list[_Job], bool]:
        """Return what waits, after waiting for the first, and whether to end after it."""
        jobs: list[_Job] = []
        count = 0
        try:
            job = self._jobs.get(timeout=_EVENTS_WAIT)
            while job is not None:
                jobs.append(job)
                count += len(job.batch)
                if count >= _TOGETHER:
                    return jobs, False
                job = self._jobs.get_nowait()
        except queue.Empty:
            return jobs, False
        return jobs, True

    def _serve(self, jobs: Sequence[_Job]) -> None:
        """Carry requests out in their order; those beside each other that put share a batch."""
        together: list[_Job] = []
        told: list[_Job] = []
        for job in jobs:
            if job.deeds:
                told.append(job)
                continue
            if job.call is None:
                together.append(job)
                continue
            self._keep(together)
            together = []
            self._carry_out(job, job.call)
        self._keep(together)
        self._record_lines(told)

    def _record_lines(self, jobs: Sequence[_Job]) -> None:
        """Write the lines of all who wait for theirs, with one flush."""
        if not jobs:
            return
        try:
            self._record([one for job in jobs for one in job.deeds])
        except BaseException as error:
            self.health.journal_refused = True
            if isinstance(error, (ArchiverError, OSError)):
                self._report(error)
            else:
                self._fault(error)
            for job in jobs:
                job.result.set_exception(error)
            return
        self.health.journal_refused = False
        for job in jobs:
            job.result.set_result(None)

    def _keep(self, jobs: Sequence[_Job]) -> None:
        if not jobs:
            return
        try:
            stored = self._put([one for job in jobs for one in job.batch])
        except BaseException as error:
            if len(jobs) > 1:
                # One of them may be at fault; the others need not suffer for it.
                for job in jobs:
                    self._keep([job])
            else:
                self._refuse(jobs[0], error)
            return
        self.heard(stored)
        begin = 0
        for job in jobs:
            job.result.set_result(stored[begin : begin + len(job.batch)])
            begin += len(job.batch)

    def _carry_out(self, job: _Job, call: Callable[[], object]) -> None:
        try:
            result = call()
        except BaseException as error:
            self._refuse(job, error)
        else:
            job.result.set_result(result)

    def _refuse(self, job: _Job, error: BaseException) -> None:
        """Raise the error where the request was made, whatever it is: the thread goes on."""
        if not isinstance(error, (ArchiverError, OSError)):
            self._fault(error)
        job.result.set_exception(error)

    def _fault(self, error: BaseException) -> None:
        self.health.faults += 1
        self._report(error)

    def _report(self, error: BaseException) -> None:
        try:
            self.on_error(error)
        except Exception:
            # A log that fails (a full disk) must not end the writer either.
            self.health.faults += 1

    def _write_events(self) -> None:
        with self._guard:
            events, self._events = self._events, []
        if not events:
            return
        try:
            self._record(events)
            self.health.journal_refused = False
        except Exception as error:
            self.health.journal_refused = True
            with self._guard:
                self._events = events[-_EVENTS_HELD:] + self._events
            if isinstance(error, (ArchiverError, OSError)):
                self._report(error)
            else:
                self._fault(error)
