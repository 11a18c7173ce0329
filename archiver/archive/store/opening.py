"""Index and journal of an archive, opened and held against each other."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from archiver.archive.statements import evidence
from archiver.archive.store import atomic_batch, deletion, sqlite
from archiver.archive.store.index import Index
from archiver.archive.store.journal import Journal, open_journal
from archiver.archive.store.journal_lines import START, JournalEntry, entries_of
from archiver.archive.store.layout import Layout
from archiver.archive.store.recovery import heeded_in, remove_aside
from archiver.archive.store.transactions import Author
from archiver.errors import ArchiveError, Problem


@dataclass(frozen=True)
class WritingParts:
    """What an archive that is open for writing is made of.

    Parameters
    ----------
    beyond
        Lines of the journal that the index has not taken in.
    aside_removed
        How many leftovers of earlier runs were removed.
    """

    index: Index
    journal: Journal
    beyond: list[JournalEntry]
    aside_removed: int


def reading_index(layout: Layout) -> Index:
    """Open the index of an archive for reading.

    Raises
    ------
    ArchiveError
        If there is no archive or no index, or the journal has more than an empty index.
    """
    layout.check_mark()
    if not layout.index.exists():
        raise ArchiveError(Problem("archive.archive.no_index").at(file=str(layout.index)))
    index = Index(sqlite.reading_engine(layout.index), layout.index)
    try:
        if index.position() == START:
            layout.check_journal()
    except BaseException:
        index.close()
        raise
    return index


def writing_parts(layout: Layout, author: Author, time: datetime) -> WritingParts:
    """Open index and journal for writing; who calls holds the writer lock.

    Batches that a kill left half done are finished, and what an earlier version wrote is brought
    up; the journal tells of both.

    Raises
    ------
    ArchiveError, IntegrityError
        If there is no archive, or the journal is damaged where it has to be read.
    """
    layout.prepare()
    layout.check_mark()
    if not layout.index.exists():
        layout.check_journal()
    removed = remove_aside(layout)
    index = Index(sqlite.writing_engine(layout.index), layout.index)
    try:
        index.prepare()
        position = index.position()
        if position == START:
            layout.check_journal()
        is_old = index.bring_up(lambda: heeded_in(layout))
        journal, beyond = open_journal(layout.journal, position, time=time, who=author.name)
        beyond += atomic_batch.finish(layout, journal, beyond, time=time, who=author.name)
        beyond += deletion.finish(layout, journal, beyond, time=time, who=author.name)
        every = list(entries_of(layout.journal, evidence.ACTIONS)) if is_old else beyond
        deeds = evidence.unfinished(layout.root, beyond)
        if is_old or position == START:
            deeds += evidence.brought_up(layout.root, every)
        beyond += journal.append(deeds, time=time, who=author.name) if deeds else []
    except BaseException:
        index.close()
        raise
    return WritingParts(index, journal, beyond, removed)
