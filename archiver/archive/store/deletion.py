"""Objects that are deleted: announced, removed, and each with its tombstone in the journal.

A line *deletion-begun* stands in the journal before a file is removed, and its tombstone, the line
*deleted*, after that. A writer that finds the first without the second removes the file and writes
the second; where the system does not let it, the line *deletion-given-up* says that the object is
kept. So a file that lies at the place of a tombstone was put there by somebody.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import fields, replace
from datetime import datetime

from archiver.archive.store.durable import flush_folder
from archiver.archive.store.journal import Journal
from archiver.archive.store.journal_lines import (
    DELETED,
    DELETION_BEGUN,
    DELETION_GIVEN_UP,
    Deed,
    JournalEntry,
)
from archiver.archive.store.layout import Layout

_ENDS = (DELETED, DELETION_GIVEN_UP)


def remove_file(layout: Layout, deed: Deed) -> None:
    """Remove the file of an instance, and the folders that are empty then.

    Raises
    ------
    OSError
        As the system raised it.
    """
    path = layout.path_of(layout.place_of(deed.study, deed.series, deed.sop))
    if not path.exists():
        return
    path.unlink()
    flush_folder(path.parent)
    for folder in (path.parent, path.parent.parent):
        with suppress(OSError):  # others lie in it
            folder.rmdir()


def carried_out(layout: Layout, begun: Iterable[Deed]) -> list[Deed]:
    """Remove files, and return the line that ends each deletion."""
    ends = []
    for deed in begun:
        try:
            remove_file(layout, deed)
        except OSError:
            ends.append(replace(deed, action=DELETION_GIVEN_UP))
        else:
            ends.append(replace(deed, action=DELETED))
    return ends


class OpenDeletions:
    """Of the lines of a journal that is gone through, deletions that have not come to an end."""

    def __init__(self) -> None:
        self._begun: dict[str, JournalEntry] = {}

    def take(self, entry: JournalEntry) -> None:
        """Take the next line."""
        if entry.action == DELETION_BEGUN:
            self._begun[entry.sop] = entry
        elif entry.action in _ENDS:
            self._begun.pop(entry.sop, None)

    def finish(
        self, layout: Layout, journal: Journal, *, time: datetime, who: str
    ) -> list[JournalEntry]:
        """Bring them to their end; only for the holder of the writer lock.

        Returns
        -------
        list of JournalEntry
            The lines that were written for it.

        Raises
        ------
        OSError
            If the journal cannot be written.
        """
        begun = [_deed(entry) for entry in self._begun.values()]
        return journal.append(carried_out(layout, begun), time=time, who=who) if begun else []


def finish(
    layout: Layout, journal: Journal, entries: Sequence[JournalEntry], *, time: datetime, who: str
) -> list[JournalEntry]:
    """Bring to their end the deletions that a killed writer had begun; see `OpenDeletions`."""
    open_ = OpenDeletions()
    for entry in entries:
        open_.take(entry)
    return open_.finish(layout, journal, time=time, who=who)


def _deed(entry: JournalEntry) -> Deed:
    return Deed(**{one.name: getattr(entry, one.name) for one in fields(Deed)})
