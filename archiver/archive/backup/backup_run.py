"""Making a backup."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from uuid import UUID

from archiver.archive.backup.contents import Contents
from archiver.archive.backup.target import (
    BackupState,
    BackupTarget,
    LostObject,
    for_the_owner_alone,
    is_sound,
    pieces,
)
from archiver.archive.kept_objects import Progress
from archiver.archive.statements import evidence
from archiver.archive.store import (
    START,
    Index,
    JournalEntry,
    Layout,
    Position,
    WriterLock,
    entries_of,
    flush_folder,
    holds_at,
    identity_of,
    promises,
    read_lines,
    sqlite,
    tombstones,
    translated,
)
from archiver.archive.store.journal_lines import DELETED, DELETION_BEGUN, KEEPING, RESTORED
from archiver.errors import ArchiveError, Problem
from archiver.wording import Text


@dataclass(frozen=True)
class BackupReport:
    """What a backup has done.

    Parameters
    ----------
    number
        Of the backup in its target, from 1.
    time
        When it began.
    objects
        How many it holds.
    added, added_bytes
        How many of them are new, and their size.
    problems
        Objects that could not be taken as the journal promises them, damaged lines of the journal,
        and objects of the target that were damaged and are whole again.
    """

    number: int
    time: datetime
    objects: int
    added: int
    added_bytes: int
    problems: tuple[Problem, ...] = ()


def back_up(
    folder: Path,
    target: Path,
    *,
    time: datetime,
    verify: bool = False,
    progress: Progress | None = None,
) -> BackupReport:
    """Bring a target up to an archive, whoever writes to that meanwhile.

    Everything that was confirmed before the call is in the backup. What is copied is compared with
    the journal's digests on the way; a kill leaves the backup before as it was.

    Parameters
    ----------
    target
        A folder that is missing, empty, or holds earlier backups of the archive.
    time
        Now, aware of its offset.
    verify
        Read every object of the target, and bring those that are damaged anew.
    progress
        Told how many objects of how many have been brought or read.

    Raises
    ------
    ArchiveError
        If there is no archive, the target cannot be used or is in use, or the disk refuses.
    """
    layout = Layout(Path(folder).absolute())
    layout.check_mark()
    goal = BackupTarget(Path(target).absolute())
    if goal.root == layout.root or layout.root in goal.root.parents:
        raise ArchiveError(Problem("archive.backup.inside").at(file=str(goal.root)))
    with translated(Text("archive.backup.not_made"), goal.root), for_the_owner_alone():
        identity = identity_of(layout.root)
        if identity is None:
            raise ArchiveError(Problem("archive.backup.no_identity").at(file=str(layout.root)))
        goal.root.mkdir(mode=0o700, parents=True, exist_ok=True)
        lock = _locked(goal)
        try:
            return _Run(layout, goal, identity).made(time, verify, progress)
        finally:
            lock.release()


def _locked(target: BackupTarget) -> WriterLock:
    try:
        return WriterLock(target.lock)
    except ArchiveError:
        raise ArchiveError(Problem("archive.backup.in_use").at(file=str(target.root))) from None


class _Run:
    def __init__(self, layout: Layout, target: BackupTarget, identity: UUID) -> None:
        self._layout, self._target = layout, target
        target.prepare(identity)
        self._before = target.last()
        self._problems: list[Problem] = []
        self._added = self._added_bytes = 0

    def made(self, time: datetime, verify: bool, progress: Progress | None) -> BackupReport:
        layout, target, before = self._layout, self._target, self._before
        if before.number and not (layout.journal.exists() and holds_at(layout.journal, before.end)):
            raise ArchiveError(Problem("archive.backup.other_history").at(file=str(target.root)))
        contents = Contents(layout, target, before.files)
        contents.take_what_changes()
        end = self._confirmed()
        contents.take_what_grows()
        # A line is announced before it is written: what is announced only now comes too late.
        contents.cut(evidence.announced(self._entries_after(end)))
        entries = list(self._entries(before.end, end))
        promised = promises(entries)
        gone = tombstones(entries)
        lost_before = [one for one in before.lost if one.sop not in gone]
        lost = self._bring([*lost_before, *map(_lost, promised.values())], progress)
        self._append_journal(before.end, end)
        if verify:
            lost += self._verified(end, {one.digest for one in lost}, progress)
        state = BackupState(
            before.number + 1,
            time.isoformat(),
            end,
            before.objects + _more(entries),
            contents.files,
            tuple(lost),
        )
        target.complete(state)
        self._let_go()
        return BackupReport(
            state.number,
            time,
            state.objects,
            self._added,
            self._added_bytes,
            tuple(self._problems),
        )

    def _confirmed(self) -> Position:
        """Return where the journal ends that has been confirmed: what the index has taken in."""
        layout = self._layout
        try:
            index = Index(sqlite.reading_engine(layout.index), layout.index)
            try:
                end = index.position()
            finally:
                index.close()
            if end != START and holds_at(layout.journal, end):
                return end
        except ArchiveError:
            pass
        # Without an index, nobody has been told of lines that are not whole.
        end = self._before.end
        for line in read_lines(layout.journal, end):
            if line.torn:
                break
            end = line.after
        return end

    def _entries(self, start: Position, end: Position) -> Iterator[JournalEntry]:
        for line in read_lines(self._layout.journal, start):
            if line.after.offset > end.offset:
                return
            if line.problem:
                self._problems.append(line.problem)
            if line.entry is not None:
                yield line.entry

    def _entries_after(self, end: Position) -> Iterator[JournalEntry]:
        for line in read_lines(self._layout.journal, end):
            if line.entry is not None:
                yield line.entry

    def _bring(self, wanted: Sequence[LostObject], progress: Progress | None) -> list[LostObject]:
        """Bring objects; return those that are not what the journal says."""
        lost = []
        for number, one in enumerate(wanted):
            if progress is not None:
                progress(number, len(wanted))
            if not self._brought(one):
                lost.append(one)
        return lost

    def _brought(self, one: LostObject) -> bool:
        path = self._target.object(one.digest)
        # Left by a run that was killed: whole, as it got its name after its content.
        if path.exists() and path.stat().st_size == one.size:
            return True
        name = self._layout.place_of(one.study, one.series, one.sop)
        try:
            if not self._target.keep(path, pieces(self._layout.path_of(name)), one.digest):
                self._problems.append(
                    Problem("archive.recovery.not_what_journal_says").at(file=name)
                )
                return False
        except FileNotFoundError:
            if one.sop in self._deleted_since():
                return False
            self._problems.append(Problem("archive.index_rebuild.object_missing").at(file=name))
            return False
        self._added += 1
        self._added_bytes += one.size
        return True

    def _deleted_since(self) -> set[str]:
        """Return what was deleted while this backup is made; the next one lets it go."""
        told = entries_of(self._layout.journal, (DELETION_BEGUN, DELETED))
        return {entry.sop for entry in told}

    def _let_go(self) -> None:
        """Remove what was deleted from the archive, once the journal says so here, too."""
        journal = self._target.journal
        if next(entries_of(journal, (DELETED,)), None) is None:
            return
        for entry in tombstones(entries_of(journal, (DELETED, *KEEPING))).values():
            self._target.object(entry.digest).unlink(missing_ok=True)

    def _append_journal(self, start: Position, end: Position) -> None:
        """Append what is new; what a run that was killed had appended goes first."""
        target = self._target.journal
        is_new = not target.exists()
        with target.open("ab") as file, self._layout.journal.open("rb") as source:
            file.truncate(start.offset)
            source.seek(start.offset)
            left = end.offset - start.offset
            while left and (piece := source.read(min(left, 1 << 20))):
                file.write(piece)
                left -= len(piece)
            file.flush()
            os.fsync(file.fileno())
        if is_new:
            flush_folder(target.parent)
        if not holds_at(target, end):
            raise ArchiveError(Problem("archive.backup.journal_changed").at(file=str(target)))

    def _verified(
        self, end: Position, lost: set[str], progress: Progress | None
    ) -> list[LostObject]:
        """Read every object of the target; return those that cannot be made whole."""
        entries = [one.entry for one in read_lines(self._target.journal) if one.entry]
        wanted = [_lost(one) for one in promises(entries).values() if one.digest not in lost]
        gone = []
        for number, one in enumerate(wanted):
            if progress is not None:
                progress(number, len(wanted))
            path = self._target.object(one.digest)
            if is_sound(path, one.digest):
                continue
            path.unlink(missing_ok=True)
            if self._brought(one):
                self._problems.append(Problem("archive.backup.mended").at(file=path.name))
            else:
                gone.append(one)
        return gone


def _more(entries: Iterable[JournalEntry]) -> int:
    """Return by how many objects lines of the journal make an archive larger."""
    count, there = 0, dict[str, bool]()
    for entry in entries:
        if entry.action == DELETED:
            count -= 1
            there[entry.sop] = False
        elif entry.action in KEEPING:
            # What is restored without having been deleted was there before.
            was_there = there.get(entry.sop, entry.action == RESTORED)
            count += not was_there
            there[entry.sop] = True
    return count


def _lost(entry: JournalEntry) -> LostObject:
    return LostObject(entry.study, entry.series, entry.sop, entry.digest, entry.size)
