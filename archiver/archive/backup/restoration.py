"""Making an archive of the last complete backup."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath
from uuid import uuid4

from archiver.archive.backup.target import (
    BackupState,
    BackupTarget,
    for_the_owner_alone,
    is_sound,
    pieces,
)
from archiver.archive.index_rebuild import rebuild
from archiver.archive.kept_objects import Progress, RebuildReport
from archiver.archive.store import (
    Deed,
    Layout,
    WriterLock,
    flush_folder,
    promises,
    read_lines,
    translated,
    write_whole,
)
from archiver.archive.store.journal import Journal
from archiver.archive.store.journal_lines import RECOVERED
from archiver.errors import ArchiveError, Problem
from archiver.wording import Text

#: Says that a folder is on its way to be an archive; becomes its mark.
MARK = "restoring"


@dataclass(frozen=True)
class Restored:
    """What was put back.

    Parameters
    ----------
    number, time
        Of the backup.
    found
        What the rebuilding of the index found; sound where everything promised is there.
    files
        Paths of other files that the target lacks or has damaged.
    """

    number: int
    time: str
    found: RebuildReport
    files: tuple[Problem, ...] = ()

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Everything that is not as it was."""
        return (*self.files, *self.found.problems)


def restore(
    target: Path,
    folder: Path,
    *,
    time: datetime,
    actor: str,
    progress: Progress | None = None,
) -> Restored:
    """Make an archive in a new or empty folder, as the last complete backup has it.

    A folder in which this was killed is no archive for anybody; doing it again goes on with it.

    Parameters
    ----------
    time
        Now, aware of its offset.
    actor
        For the journal.
    progress
        Told how many objects of how many have been put back.

    Raises
    ------
    ArchiveError
        If there is no complete backup, the folder holds other things, or the disk refuses.
    """
    source = BackupTarget(Path(target).absolute())
    source.identity()
    state = source.last()
    if not state.number:
        raise ArchiveError(Problem("archive.backup.none_complete").at(file=str(source.root)))
    layout = Layout(Path(folder).absolute())
    with translated(Text("archive.backup.not_restored"), layout.root), for_the_owner_alone():
        layout.root.mkdir(mode=0o700, parents=True, exist_ok=True)
        mark = layout.root / MARK
        others = {one.name for one in layout.root.iterdir()} - {"lock", "lost+found"}
        if others and not mark.exists():
            raise ArchiveError(Problem("archive.backup.folder_used").at(file=str(layout.root)))
        lock = WriterLock(layout.lock)
        try:
            layout.write_mark(mark)
            _put_objects(source, state, layout, progress)
            lacking = _put_files(source, state, layout)
            _put_journal(source, state, layout, time, actor)
            flush_folder(layout.root)
            mark.replace(layout.mark)
            flush_folder(layout.root)
        finally:
            lock.release()
        found = rebuild(folder, clock=lambda: time, actor=actor)
    return Restored(state.number, state.time, found, tuple(lacking))


def _put_objects(
    source: BackupTarget, state: BackupState, layout: Layout, progress: Progress | None
) -> None:
    """Put objects in their places; what is not there is told by who makes the index."""
    layout.temporary.mkdir(exist_ok=True)
    lines = (one for one in read_lines(source.journal) if one.after.offset <= state.end.offset)
    promised = promises(line.entry for line in lines if line.entry is not None)
    for number, entry in enumerate(promised.values()):
        if progress is not None:
            progress(number, len(promised))
        path = layout.path_of(layout.place_of(entry.study, entry.series, entry.sop))
        _put(source.object(entry.digest), path, entry.digest, layout)


def _put(kept: Path, path: Path, digest: str, layout: Layout) -> bool:
    """Put a file in its place, unless it is there; return whether it is, with its content."""
    if is_sound(path, digest):
        return True
    if not kept.exists():
        return False
    aside = layout.temporary / uuid4().hex
    written = write_whole(aside, pieces(kept))
    if written.sha256 != digest:
        aside.unlink()
        return False
    path.parent.mkdir(parents=True, exist_ok=True)
    aside.replace(path)
    for parent in (path.parent, *path.parent.parents):
        if parent == layout.root:
            break
        flush_folder(parent)
    return True


def _put_files(source: BackupTarget, state: BackupState, layout: Layout) -> list[Problem]:
    lacking = []
    for name, file in state.files.items():
        path = layout.root / PurePosixPath(name)
        if not _put(source.file(file.sha256), path, file.sha256, layout):
            lacking.append(Problem("archive.backup.file_lost").at(file=name))
    return lacking


def _put_journal(
    source: BackupTarget, state: BackupState, layout: Layout, time: datetime, actor: str
) -> None:
    layout.journal.unlink(missing_ok=True)
    write_whole(layout.journal, pieces(source.journal, state.end.offset))
    journal = Journal(layout.journal, state.end)
    try:
        note = f"from backup {state.number} of {state.time}"
        journal.append([Deed(RECOVERED, note=note)], time=time, who=actor)
    finally:
        journal.close()
