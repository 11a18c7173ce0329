"""The archive: instances are put in, found again, and never changed."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from datetime import datetime, timezone
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from archiver.archive import sqlite
from archiver.archive.describing import Describe, describe_file
from archiver.archive.durable import Written, digest_file, told, translated
from archiver.archive.index import Held, Index, Kept
from archiver.archive.journal import (
    RESTORED,
    START,
    STORED,
    Deed,
    Entry,
    Journal,
    open_journal,
    read_lines,
)
from archiver.archive.layout import Layout, relative_path
from archiver.archive.locking import WriterLock
from archiver.archive.putting import Incoming, Outcome, Placement, Stored
from archiver.archive.query import Query, Record, answer
from archiver.archive.recovery import Recovery, remove_aside, take_in
from archiver.errors import ArchiveError, Problem

if TYPE_CHECKING:
    from sqlalchemy import Connection

Clock = Callable[[], datetime]


def system_clock() -> datetime:
    """Return the time now, in UTC."""
    return datetime.now(timezone.utc)


@dataclass
class _Decided:
    """What is to be done with one instance of a batch."""

    incoming: Incoming
    relative: str
    outcome: Outcome
    written: Written
    action: str = ""
    note: str = ""


class Archive:
    """An archive in a folder; made by `Archive.open`.

    One process writes at a time, any number read. A writer may put from any thread, one batch
    after the other.

    Attributes
    ----------
    layout
        The paths.
    recovery
        What the opening had to mend.
    """

    def __init__(self, layout: Layout, index: Index) -> None:
        self.layout = layout
        self.recovery = Recovery()
        self._index = index
        self._guard = threading.Lock()
        self._flushed: set[Path] = set()
        #: How far the index is known to have come; behind the journal's end after any failure.
        self._applied = START
        self._journal: Journal | None = None
        self._lock: WriterLock | None = None
        self._clock: Clock = system_clock
        self._actor = ""
        self._describe: Describe = describe_file

    @classmethod
    def open(
        cls,
        folder: Path,
        *,
        create: bool = True,
        clock: Clock = system_clock,
        actor: str = "unnamed",
        read_only: bool = False,
        describe: Describe = describe_file,
    ) -> Archive:
        """Open an archive.

        Parameters
        ----------
        folder
            Where it is.
        create
            Make it where the folder is missing or empty.
        clock
            Gives the time for the journal.
        actor
            Who writes, for the journal.
        read_only
            Take no lock and mend nothing.
        describe
            Reads an object that the journal knows and the index does not.

        Raises
        ------
        ArchiveError
            If there is none, another process writes, or the disk refuses.
        IntegrityError
            If the journal is damaged where it would have to be read.
        """
        layout = Layout(Path(folder).absolute())
        if read_only:
            return cls._open_reading(layout)
        with translated("the archive was not opened", layout.root):
            layout.find_or_make(create)
            lock = WriterLock(layout.lock)
            try:
                return cls._open_writing(layout, lock, clock, actor, describe)
            except BaseException:
                lock.release()
                raise

    @classmethod
    def _open_reading(cls, layout: Layout) -> Archive:
        layout.check_mark()
        if not layout.index.exists():
            raise ArchiveError(
                Problem(
                    "the archive has no index",
                    where=str(layout.index),
                    hint="`archiver rebuild` makes it again from the objects",
                )
            )
        index = Index(sqlite.reading_engine(layout.index), layout.index)
        index.position()
        return cls(layout, index)

    @classmethod
    def _open_writing(
        cls, layout: Layout, lock: WriterLock, clock: Clock, actor: str, describe: Describe
    ) -> Archive:
        layout.prepare()
        layout.check_mark()
        removed = remove_aside(layout)
        index = Index(sqlite.writing_engine(layout.index), layout.index)
        try:
            index.prepare()
            position = index.position()
            journal, beyond = open_journal(layout.journal, position, time=clock(), who=actor)
        except BaseException:
            index.close()
            raise
        archive = cls(layout, index)
        archive._journal, archive._lock = journal, lock
        archive._clock, archive._actor, archive._describe = clock, actor, describe
        try:
            recovery = take_in(layout, index, beyond, journal.end, describe) if beyond else None
            archive._applied = journal.end
        except BaseException:
            archive.close()
            raise
        archive.recovery = replace(recovery or Recovery(), aside_removed=removed)
        return archive

    def close(self) -> None:
        """Close files and give the lock back; harmless when done before."""
        self._index.close()
        if self._journal is not None:
            self._journal.close()
            self._journal = None
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def __enter__(self) -> Archive:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def has(self, sop_instance_uid: str) -> bool:
        """Return whether an instance with this UID is kept."""
        return bool(self._index.held([sop_instance_uid]))

    def held(self, sop_instance_uids: Sequence[str]) -> dict[str, Held]:
        """Return what is known of the files of those of the instances that are kept."""
        return self._index.held(sop_instance_uids)

    def path_of(self, sop_instance_uid: str) -> Path | None:
        """Return the file of an instance, None if it is not kept."""
        held = self._index.held([sop_instance_uid]).get(sop_instance_uid)
        return self.layout.path_of(held.path) if held else None

    def query(self, query: Query) -> list[Record]:
        """Return the instances that answer a question."""
        with self._index.reading() as connection:
            return answer(connection, query, self.layout)

    def reading(self) -> AbstractContextManager[Connection]:
        """Give a connection to the index, for questions that `query` does not know.

        Raises
        ------
        ArchiveError
            If the index cannot be read.
        """
        return self._index.reading()

    def record(self, deeds: Sequence[Deed]) -> None:
        """Tell the journal of deeds that change no object; flushed when this returns.

        Raises
        ------
        ArchiveError
            If the disk refuses.
        """
        with self._guard, translated("the journal was not written", self.layout.journal):
            journal = self._writable()
            self._catch_up(journal)
            journal.append(deeds, time=self._clock(), who=self._actor)
            self._index.add([], journal.end)
            self._applied = journal.end

    def __len__(self) -> int:
        return self._index.count()

    def put(self, batch: Sequence[Incoming]) -> list[Stored]:
        """Keep instances for good.

        When this returns, every instance that is ADDED is on the disk whatever happens next.
        If it raises, nothing of the batch is kept, unless the message says otherwise.

        Parameters
        ----------
        batch
            Together they are flushed and indexed once; the files are flushed one by one.

        Returns
        -------
        list of Stored
            One for each, in the same order. An instance whose UID is kept with other content
            is a CONFLICT and what is kept stays.

        Raises
        ------
        ArchiveError
            If the disk refuses.
        ObjectError
            If an instance lacks one of its UIDs.
        """
        with self._guard:
            journal = self._writable()
            self._catch_up(journal)
            before = journal.end
            placement = Placement(self.layout, self._flushed)
            try:
                decided = self._decide(batch, placement)
                placement.place()
                entries = self._tell(journal, decided)
            except BaseException as error:
                # Lines that stand in the journal need their files.
                if journal.end == before and journal.cut_back():
                    placement.undo()
                if isinstance(error, OSError):
                    raise told(error, "nothing was stored", self.layout.root) from error
                raise
            self._enter(journal, decided, entries)
        return [self._stored(one) for one in decided]

    def _writable(self) -> Journal:
        if self._journal is None:
            raise ArchiveError(
                Problem("the archive is not open for writing", where=str(self.layout.root))
            )
        return self._journal

    def _decide(self, batch: Sequence[Incoming], placement: Placement) -> list[_Decided]:
        """Write aside what is new, compare what is not."""
        paths = []
        for one in batch:
            d = one.description
            paths.append(relative_path(d.study_uid, d.series_uid, d.sop_instance_uid))
        held = self._index.held(one.description.sop_instance_uid for one in batch)
        new: dict[str, Written] = {}
        decided = []
        for one, relative in zip(batch, paths, strict=True):
            uid = one.description.sop_instance_uid
            if uid in new:
                written = one.digest()
                same = written == new[uid]
                outcome = Outcome.PRESENT if same else Outcome.CONFLICT
                decided.append(_Decided(one, relative, outcome, written))
            elif uid in held:
                decided.append(self._compare(one, held[uid], placement))
            else:
                new[uid] = written = placement.write(relative, one)
                decided.append(_Decided(one, relative, Outcome.ADDED, written, STORED))
        return decided

    def _compare(self, one: Incoming, held: Held, placement: Placement) -> _Decided:
        """Compare with what is kept; bring back what was kept and is lost or damaged."""
        written = one.digest()
        if written.sha256 != held.digest:
            return _Decided(one, held.path, Outcome.CONFLICT, written)
        try:
            on_disk = digest_file(self.layout.path_of(held.path)).sha256
        except FileNotFoundError:
            on_disk = ""
        if on_disk == held.digest:
            return _Decided(one, held.path, Outcome.PRESENT, written)
        note = f"was {on_disk}" if on_disk else "was missing"
        placement.write(held.path, one)
        return _Decided(one, held.path, Outcome.ADDED, written, RESTORED, note)

    def _tell(self, journal: Journal, decided: Sequence[_Decided]) -> list[Entry]:
        deeds = []
        for one in decided:
            if one.action:
                d = one.incoming.description
                deeds.append(
                    Deed(
                        one.action,
                        study=d.study_uid,
                        series=d.series_uid,
                        sop=d.sop_instance_uid,
                        digest=one.written.sha256,
                        size=one.written.size,
                        source=one.incoming.source_sha256 or "",
                        note=one.note or one.incoming.origin,
                    )
                )
        return journal.append(deeds, time=self._clock(), who=self._actor) if deeds else []

    def _enter(
        self, journal: Journal, decided: Sequence[_Decided], entries: Sequence[Entry]
    ) -> None:
        if not entries:
            return
        acted = [one for one in decided if one.action]
        kept = [
            Kept(
                one.incoming.description,
                one.relative,
                one.written.size,
                one.written.sha256,
                one.incoming.source_sha256,
                entry.seq,
                entry.time,
            )
            for one, entry in zip(acted, entries, strict=True)
            if one.action == STORED
        ]
        try:
            self._index.add(kept, journal.end)
            self._applied = journal.end
        except ArchiveError as error:
            raise ArchiveError(
                *error.problems,
                Problem(
                    f"{len(entries)} instances are stored but not indexed yet",
                    where=str(self.layout.root),
                    hint="the index takes them in when the archive is next opened for writing",
                ),
            ) from error

    def _catch_up(self, journal: Journal) -> None:
        """Take into the index what an earlier put could not."""
        if self._applied != journal.end:
            lines = read_lines(self.layout.journal, self._index.position())
            entries = [line.entry for line in lines if line.entry]
            take_in(self.layout, self._index, entries, journal.end, self._describe)
            self._applied = journal.end

    def _stored(self, one: _Decided) -> Stored:
        uid = one.incoming.description.sop_instance_uid
        problem = None
        if one.outcome is Outcome.CONFLICT:
            problem = Problem(
                f"instance {uid} is kept already, with other content; it stays as it is",
                where=one.incoming.source_name or "",
                hint="a changed object needs a SOP Instance UID of its own",
            )
        path = self.layout.path_of(one.relative)
        return Stored(uid, one.outcome, path, one.written.sha256, problem)
