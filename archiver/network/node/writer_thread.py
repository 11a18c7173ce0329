"""One thread writes to the archive, for all who store: what waits together is kept together.

Files have been flushed by those who received them. A batch shares the flush of its folders, of
the journal and the transaction of the index, so that several senders at once gain. Audit events
wait here too and go into the journal behind the objects.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future

from archiver.archive.store import Archive, Incoming, Stored
from archiver.errors import ArchiverError
from archiver.network.node.audit import Happening

#: Objects kept together at most.
_TOGETHER = 64
#: Audit events wait this long for company (seconds).
_EVENTS_WAIT = 0.5

_Job = tuple[Incoming, "Future[Stored]"]


class WriterThread:
    """Keeps objects and tells the journal, in a thread of its own.

    Parameters
    ----------
    archive
        Open for writing.
    kept
        Called after a batch was kept, with the number of instances that were new.
    failed
        Called with the first line of an error that nobody else is told.
    """

    def __init__(
        self, archive: Archive, kept: Callable[[int], None], failed: Callable[[str], None]
    ) -> None:
        self._archive = archive
        self._kept = kept
        self._failed = failed
        self._jobs: queue.Queue[_Job | None] = queue.Queue()
        self._events: list[Happening] = []
        self._guard = threading.Lock()
        self._thread = threading.Thread(target=self._run, name="committer", daemon=True)
        self._thread.start()

    def put(self, incoming: Incoming) -> Stored:
        """Keep an object; returns when it is on the disk and indexed.

        Raises
        ------
        ArchiverError
            If it cannot be kept.
        """
        future: Future[Stored] = Future()
        self._jobs.put((incoming, future))
        return future.result()

    def audit(self, happening: Happening) -> None:
        """Have an audit event written soon."""
        with self._guard:
            self._events.append(happening)

    def close(self) -> None:
        """Finish what waits and end the thread."""
        self._jobs.put(None)
        self._thread.join()

    def _run(self) -> None:
        while True:
            batch, ending = self._batch()
            if batch:
                self._keep(batch)
            self._write_events()
            if ending:
                return

    def _batch(self) -> tuple[list[_Job], bool]:
        """Return what waits, after waiting for the first, and whether to end after it."""
        batch: list[_Job] = []
        try:
            job = self._jobs.get(timeout=_EVENTS_WAIT)
            while job is not None:
                batch.append(job)
                if len(batch) == _TOGETHER:
                    return batch, False
                job = self._jobs.get_nowait()
        except queue.Empty:
            return batch, False
        return batch, True

    def _keep(self, batch: list[_Job]) -> None:
        try:
            stored = self._archive.put([incoming for incoming, _ in batch])
        except Exception as error:
            if len(batch) > 1:
                # One of them may be at fault; the others need not suffer for it.
                for one in batch:
                    self._keep([one])
            else:
                batch[0][1].set_exception(error)
            return
        for (_, future), kept in zip(batch, stored, strict=True):
            future.set_result(kept)
        self._kept(len(stored))

    def _write_events(self) -> None:
        with self._guard:
            events, self._events = self._events, []
        if not events:
            return
        try:
            self._archive.record([deed for event in events for deed in event.deeds()])
        except ArchiverError as error:
            with self._guard:
                self._events = events[-1000:] + self._events
            self._failed(str(error.problems[0]))
