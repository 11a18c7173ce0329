"""Instances that are kept all together or not at all, although each has a file of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from archiver.archive.store.deletion import remove_file
from archiver.archive.store.durable import digest_file, translated
from archiver.archive.store.file_transaction import Outcome
from archiver.archive.store.ingest_decision import Decided, deeds_of
from archiver.archive.store.journal import Journal
from archiver.archive.store.journal_lines import (
    AMENDED,
    GIVEN_UP,
    INTENDED,
    STORED,
    Deed,
    JournalEntry,
)
from archiver.archive.store.layout import Layout
from archiver.errors import ArchiveError, Problem
from archiver.wording import Text

_ENDS = (AMENDED, GIVEN_UP)


def demand_new(decided: Sequence[Decided]) -> None:
    """Refuse a batch in which an instance is kept already.

    Raises
    ------
    ArchiveError
        If there is one.
    """
    known = [one for one in decided if one.outcome is not Outcome.NEW or one.action != STORED]
    if known:
        uid = known[0].incoming.description.sop_instance_uid
        raise ArchiveError(Problem("archive.atomic_batch.kept_already", uid=uid))


def intended(stored: Sequence[Deed], notes: Sequence[str]) -> list[Deed]:
    """Return the intentions for what will be told to be stored."""
    return [
        replace(deed, action=INTENDED, note=note) for deed, note in zip(stored, notes, strict=True)
    ]


def kept_and_done(decided: Sequence[Decided], intentions: Sequence[Deed]) -> list[Deed]:
    """Return the lines that say that all is kept, and the end."""
    return [*deeds_of(decided), *(replace(deed, action=AMENDED) for deed in intentions)]


def given_up(intentions: Sequence[Deed]) -> list[Deed]:
    """Return the lines that say that nothing came of it."""
    return [replace(deed, action=GIVEN_UP) for deed in intentions]


def finish(
    layout: Layout, journal: Journal, entries: Sequence[JournalEntry], *, time: datetime, who: str
) -> list[JournalEntry]:
    """Bring to its end what a killed writer intended; only for the holder of the writer lock.

    Parameters
    ----------
    entries
        The last lines of the journal.

    Returns
    -------
    list of JournalEntry
        The lines that were written for it.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    batch = OpenBatch()
    for entry in entries:
        batch.take(entry)
    group = [entry for entry in batch.entries if entry.action == INTENDED]
    if not group:
        return []
    said = batch.entries[len(group) :]
    ended = {entry.sop for entry in said if entry.action in _ENDS}
    kept = {entry.sop for entry in said if entry.action == STORED}
    open_ = [_deed(entry) for entry in group if entry.sop not in ended]
    with translated(Text("archive.atomic_batch.not_ended"), layout.root):
        if not kept:
            for entry in group:  # they were never promised to anyone
                remove_file(layout, entry)
            return journal.append(given_up(open_), time=time, who=who)
        lines = [
            replace(_deed(entry), action=STORED, note="")
            for entry in group
            if entry.sop not in kept and _is_there(layout, entry)
        ]
        lines += [replace(deed, action=AMENDED) for deed in open_]
        return journal.append(lines, time=time, who=who)


class OpenBatch:
    """Of the lines of a journal that is gone through, those that `finish` has to know.

    These are the intentions that were told last, together, and what was told after them; none
    once each of them has come to its end.
    """

    def __init__(self) -> None:
        self.entries: list[JournalEntry] = []
        self._waiting: set[str] = set()

    def take(self, entry: JournalEntry) -> None:
        """Take the next line."""
        if entry.action == INTENDED:
            if not self.entries or self.entries[-1].action != INTENDED:
                self.entries, self._waiting = [], set()
            self._waiting.add(entry.sop)
        elif not self.entries:
            return
        self.entries.append(entry)
        if entry.action in _ENDS:
            self._waiting.discard(entry.sop)
            if not self._waiting:
                self.entries = []


def _deed(entry: JournalEntry) -> Deed:
    return Deed(
        entry.action,
        entry.study,
        entry.series,
        entry.sop,
        entry.digest,
        entry.size,
        entry.source,
        entry.note,
    )


def _is_there(layout: Layout, entry: JournalEntry) -> bool:
    path = layout.path_of(layout.place_of(entry.study, entry.series, entry.sop))
    try:
        return digest_file(path).sha256 == entry.digest
    except OSError:
        return False
