"""What the writer mends when it opens an archive that was not closed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from archiver.archive.statements.rejection_notes import heeded_by
from archiver.archive.store.durable import digest_file
from archiver.archive.store.index import Index
from archiver.archive.store.indexed_instance import IndexedInstance
from archiver.archive.store.journal_lines import (
    CUT,
    DELETED,
    KEEPING,
    JournalEntry,
    Position,
    read_lines,
)
from archiver.archive.store.layout import Layout
from archiver.archive.store.metadata_reader import Describe
from archiver.errors import ObjectError, Problem

_AT_ONCE = 200


@dataclass(frozen=True)
class Recovery:
    """What an opening found and mended.

    Parameters
    ----------
    aside_removed
        Files that were being written when the last writer ended.
    taken_in
        Instances that the journal knew and the index did not.
    torn_line_cut
        Whether a torn last line was cut off the journal.
    problems
        Objects that the journal promises and that are not there, or not the same.
    """

    aside_removed: int = 0
    taken_in: int = 0
    torn_line_cut: bool = False
    problems: tuple[Problem, ...] = ()


def remove_aside(layout: Layout) -> int:
    """Remove the files that were being written; only for the holder of the writer lock."""
    left = [path for path in layout.temporary.iterdir() if path.is_file()]
    for path in left:
        path.unlink()
    return len(left)


def heeded_in(layout: Layout) -> set[str]:
    """Return the instances that the journal says are heeded as statements.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    if not layout.journal.exists():
        return set()
    return heeded_by(line.entry for line in read_lines(layout.journal) if line.entry)


def promises(entries: Iterable[JournalEntry]) -> dict[str, JournalEntry]:
    """Return, for each instance, the line that first told of the object that is kept now."""
    first: dict[str, JournalEntry] = {}
    for entry in entries:
        if entry.action in KEEPING:
            told = first.get(entry.sop)
            if told is None or told.digest != entry.digest:
                first[entry.sop] = entry
        elif entry.action == DELETED:
            first.pop(entry.sop, None)
    return first


def tombstones(entries: Iterable[JournalEntry]) -> dict[str, JournalEntry]:
    """Return, for each instance that was deleted and did not come again, the line that says so."""
    gone: dict[str, JournalEntry] = {}
    for entry in entries:
        if entry.action == DELETED:
            gone[entry.sop] = entry
        elif entry.action in KEEPING:
            gone.pop(entry.sop, None)
    return gone


def take_in(
    layout: Layout, index: Index, entries: Sequence[JournalEntry], end: Position, describe: Describe
) -> Recovery:
    """Bring the index up to the end of the journal.

    Parameters
    ----------
    entries
        The lines behind the index's position.
    end
        The position behind the last of them.
    describe
        Reads an object.
    """
    problems: list[Problem] = []
    taken = 0
    if deleted := {entry.sop for entry in entries if entry.action == DELETED}:
        index.remove(deleted, index.position())
    gone = tombstones(entries)
    for begin in range(0, len(entries), _AT_ONCE):
        some = promises(entries[begin : begin + _AT_ONCE])
        known = index.held(some)
        kept = []
        for sop, entry in some.items():
            if sop in known or sop in gone:
                continue
            found = kept_object(layout, entry, describe)
            if isinstance(found, Problem):
                problems.append(found)
            else:
                kept.append(found)
        taken += len(kept)
        # The position moves only with the last of them; the instances themselves are skipped
        # as known if this is interrupted and done again.
        index.add(kept, index.position())
    index.add([], end, heeded_by(entries))
    return Recovery(
        taken_in=taken,
        torn_line_cut=any(e.action == CUT for e in entries),
        problems=tuple(problems),
    )


def kept_object(
    layout: Layout, entry: JournalEntry, describe: Describe
) -> IndexedInstance | Problem:
    """Return the object that a line of the journal tells of, or why it cannot be taken in."""
    try:
        relative = layout.place_of(entry.study, entry.series, entry.sop)
        path = layout.path_of(relative)
        found = digest_file(path)
        if found.sha256 != entry.digest:
            return Problem("archive.recovery.not_what_journal_says").at(file=relative)
        description = describe(path)
    except OSError:
        return Problem("archive.index_rebuild.object_missing").at(file=f"{entry.sop}.dcm")
    except ObjectError as error:
        return error.problems[0]
    return IndexedInstance(
        description, relative, found.size, found.sha256, entry.source, entry.seq, entry.time
    )
