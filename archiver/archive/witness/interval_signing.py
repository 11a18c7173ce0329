"""The journal's head signed at intervals by the process that serves the archive."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime, timedelta

from archiver.archive.store.archive import Archive
from archiver.archive.witness.head_signing import Witnesses, newest_head, sign_head
from archiver.archive.witness.signing_key import Signer
from archiver.errors import ArchiverError

#: Between two looks whether a head is due (seconds).
_EVERY = 60.0
#: How long a signature under way may take when the server ends (seconds).
_GRACE = 20.0


class IntervalSigning:
    """Signs in a thread of its own, until it is closed.

    When a head is due follows from the newest that a witness has, so that a server that is started
    anew goes on where the one before ended.

    Parameters
    ----------
    archive
        Open for writing.
    signer
        Reads the key; it may be on a medium that is not always there.
    every
        Between two heads.
    now
        Gives the time, aware of its offset.
    tell
        Told (event, fields) of what was signed and what went wrong.
    look
        Seconds between two looks.
    """

    def __init__(
        self,
        archive: Archive,
        signer: Callable[[], Signer],
        witnesses: Witnesses,
        every: timedelta,
        *,
        now: Callable[[], datetime],
        tell: Callable[..., None],
        look: float = _EVERY,
    ) -> None:
        self._archive, self._signer, self._witnesses = archive, signer, witnesses
        self._every, self._now, self._tell, self._look = every, now, tell, look
        self._why = ""
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="witness", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End; a signature under way is finished, within its time."""
        self._ending.set()
        self._thread.join(_GRACE)

    def _run(self) -> None:
        while not self._ending.is_set():
            try:
                self._sign_if_due()
                self._why = ""
            except (ArchiverError, OSError) as error:
                why = error.problems[0].code if isinstance(error, ArchiverError) else "disk"
                if why != self._why:  # once, as long as it lasts
                    self._tell("head", why=why)
                self._why = why
            self._ending.wait(self._look)

    def _sign_if_due(self) -> None:
        now, before = self._now(), newest_head(self._witnesses.folders)
        if before is not None and now - datetime.fromisoformat(before.said_at) < self._every:
            return
        head, trouble = sign_head(self._archive, self._signer(), self._witnesses, now)
        why = {"unstamped": trouble.code} if trouble is not None else {}
        self._tell("head", number=head.number, line=head.line, **why)
