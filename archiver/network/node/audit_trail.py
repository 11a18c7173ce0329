"""The audit trail as it is written: who was answered is on the disk before the answer leaves.

An answer waits for its line; lines that wait together share a flush, and a web answer is made while
its line is on the way. What was refused tells nobody anything, and waits for nothing. Refusals of
strangers are counted: the first of an address is a line, the others are one line a minute.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from contextvars import ContextVar
from dataclasses import dataclass, field, replace

from archiver.archive.store import Archive, Deed
from archiver.errors import ArchiverError
from archiver.network.node.audit import DONE, NODE_AUTHENTICATION, Happening

#: How long refusals of an address are counted (seconds), and of how many addresses; those of more
#: are counted together.
_WINDOW = 60.0
_ADDRESSES = 1024
#: Reasons that a line names; the commonest come first.
_REASONS = 4

#: Lines on which the answer to a request has to wait.
_AWAITED: ContextVar[list[Future[None]] | None] = ContextVar("awaited", default=None)


def gathered_lines() -> list[Future[None]]:
    """Gather the lines of a request from now on, instead of waiting for each where it is told.

    To be called in the request's own context, which ends with it.
    """
    gathered: list[Future[None]] = []
    _AWAITED.set(gathered)
    return gathered


@dataclass
class _Refusals:
    """Refusals of one address that no line tells of yet."""

    first: Happening
    reasons: Counter[str] = field(default_factory=Counter)


class AuditTrail:
    """Writes what happens into the journal.

    Parameters
    ----------
    archive
        Whose journal it is.
    used
        Told how many bytes a line takes.
    log
        Told of strangers who were refused: (address, why).
    """

    def __init__(
        self, archive: Archive, used: Callable[[int], None], log: Callable[[str, str], None]
    ) -> None:
        self._archive, self._used, self._log = archive, used, log
        self._guard = threading.Lock()
        self._refusals: dict[str, _Refusals] = {}
        self._timer: threading.Timer | None = None

    def __call__(self, happening: Happening) -> None:
        """Tell of something; what is answered waits, what is refused does not.

        Raises
        ------
        ArchiveError
            If it cannot be written; where lines are gathered its future raises.
        """
        if happening.kind == NODE_AUTHENTICATION:
            self._refused(happening)
        elif happening.outcome == DONE:
            written = self._archive.writer.recording(self._deeds(happening))
            gathered = _AWAITED.get()
            if gathered is None:
                written.result()
            else:
                gathered.append(written)
        else:
            self.soon(happening)

    def soon(self, happening: Happening) -> None:
        """Tell of something for which nobody waits."""
        self._archive.record_soon(self._deeds(happening))

    def close(self) -> None:
        """Write what was counted."""
        with self._guard:
            timer, self._timer = self._timer, None
        if timer is not None:
            timer.cancel()
        self._write_counted()

    def _deeds(self, happening: Happening) -> list[Deed]:
        deeds = list(happening.deeds())
        self._used(sum(len(repr(one)) for one in deeds))
        return deeds

    def _refused(self, happening: Happening) -> None:
        address = happening.source.rpartition("@")[2]
        with self._guard:
            if len(self._refusals) >= _ADDRESSES and address not in self._refusals:
                address = ""
            known = self._refusals.get(address)
            if known is not None:
                known.reasons[happening.detail] += 1
                return
            self._refusals[address] = _Refusals(happening)
            if self._timer is None:
                self._timer = threading.Timer(_WINDOW, self._again)
                self._timer.daemon = True
                self._timer.start()
        self._log(happening.source, happening.detail)
        self.soon(happening)

    def _again(self) -> None:
        with self._guard:
            self._timer = None
        with suppress(ArchiverError):  # the archive is closed
            self._write_counted()

    def _write_counted(self) -> None:
        with self._guard:
            counted, self._refusals = self._refusals, {}
        for address, one in counted.items():
            total = one.reasons.total()
            if not total:
                continue
            common = one.reasons.most_common(_REASONS)
            reasons = "; ".join(f"{why} ({count})" for why, count in common)
            detail = f"{total} more refused: {reasons}"
            self._log(address, detail)
            self.soon(replace(one.first, source=address or "others", detail=detail))
