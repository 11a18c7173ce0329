"""Tells the journal, while the archive is served, what others take out of the outbox."""

from __future__ import annotations

import threading
from collections.abc import Callable

from archiver.archive.store import Archive
from archiver.errors import ArchiverError
from archiver.network.outbox.drop_journal import journal_drops

#: Between two looks at the outbox (seconds).
_EVERY = 5.0


class OutboxDrops:
    """Looks at the outbox now and then, in a thread of its own.

    Parameters
    ----------
    archive
        Open for writing.
    failed
        Told what went wrong.
    """

    def __init__(self, archive: Archive, failed: Callable[[str], None]) -> None:
        self._archive, self._failed = archive, failed
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="dropped", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Look once more, and end."""
        self._ending.set()
        self._thread.join()

    def _run(self) -> None:
        ended = False
        while not ended:
            ended = self._ending.wait(_EVERY)
            try:
                journal_drops(self._archive)
            except ArchiverError as error:
                self._failed(error.problems[0].found)
