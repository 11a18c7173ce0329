"""The archive: instances are put in, found again, and never changed."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import replace
from datetime import datetime, timezone
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Protocol, TypeVar, cast

from archiver.archive.query import Query, Record, answer
from archiver.archive.store import atomic_batch, sqlite
from archiver.archive.store.durable import described_error, translated
from archiver.archive.store.file_transaction import Incoming, Placement, Stored
from archiver.archive.store.identity import give_identity
from archiver.archive.store.index import Index
from archiver.archive.store.indexed_instance import HeldFile
from archiver.archive.store.ingest_decision import Decided, decide, deeds_of, kept_of, stored_of
from archiver.archive.store.journal import (
    START,
    Deed,
    Journal,
    JournalEntry,
    open_journal,
    read_lines,
)
from archiver.archive.store.known_people import KnownPeople
from archiver.archive.store.layout import Layout, quarantine_path
from archiver.archive.store.metadata_reader import Describe, describe_file
from archiver.archive.store.recovery import Recovery, remove_aside, take_in
from archiver.archive.store.writer import Listener, Writer
from archiver.archive.store.writer_lock import WriterLock
from archiver.errors import ArchiveError, Problem
from archiver.objects import demand_offset
from archiver.wording import Text

if TYPE_CHECKING:
    from sqlalchemy import Connection

Clock = Callable[[], datetime]


class Companion(Protocol):
    """What goes with an open archive and is closed before it."""

    def close(self) -> None:
        """End; what was begun may be finished."""


C = TypeVar("C", bound=Companion)


def system_clock() -> datetime:
    """Return the time now, in UTC."""
    return datetime.now(timezone.utc)


class Archive:
    """An archive in a folder; made by `Archive.open`.

    One process writes at a time, any number read. Whatever is written goes through the one
    thread of `writer`, whoever asks for it.

    Attributes
    ----------
    layout
        The paths.
    recovery
        What the opening had to mend.
    writer
        Carries out what writes.
    """

    def __init__(self, layout: Layout, index: Index) -> None:
        self.layout = layout
        self.recovery = Recovery()
        self.writer = Writer(self._put, self._record)
        self._index = index
        self._people = KnownPeople(index, layout.root)
        self._companions: dict[type, Companion] = {}
        self._guard = threading.RLock()
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
        InputError
            If the clock is naive.

        Examples
        --------
        >>> from pathlib import Path
        >>> from archiver import Archive
        >>> with Archive.open(Path("photographs"), actor="liv") as archive:
        ...     len(archive)
        0
        """
        layout = Layout(Path(folder).absolute())
        if read_only:
            return cls._open_reading(layout)
        now = clock()
        demand_offset(now)
        with translated(Text("archive.archive.not_opened"), layout.root):
            layout.find_or_make(create)
            lock = WriterLock(layout.lock)
            try:
                return cls._open_writing(layout, lock, (clock, now), actor, describe)
            except BaseException:
                lock.release()
                raise

    @classmethod
    def create(
        cls, folder: Path, *, clock: Clock = system_clock, actor: str = "unnamed"
    ) -> Archive:
        """Make an archive where there is none; parameters as `open` has them.

        Raises
        ------
        ArchiveError
            If there is one already, the folder holds other things, or the disk refuses.
        InputError
            If the clock is naive.
        """
        if Layout(Path(folder).absolute()).mark.exists():
            raise ArchiveError(Problem("archive.archive.already_there").at(file=str(folder)))
        return cls.open(folder, clock=clock, actor=actor)

    @classmethod
    def _open_reading(cls, layout: Layout) -> Archive:
        layout.check_mark()
        if not layout.index.exists():
            raise ArchiveError(Problem("archive.archive.no_index").at(file=str(layout.index)))
        index = Index(sqlite.reading_engine(layout.index), layout.index)
        index.position()
        return cls(layout, index)

    @classmethod
    def _open_writing(
        cls,
        layout: Layout,
        lock: WriterLock,
        times: tuple[Clock, datetime],
        actor: str,
        describe: Describe,
    ) -> Archive:
        clock, time = times
        layout.prepare()
        layout.check_mark()
        removed = remove_aside(layout)
        index = Index(sqlite.writing_engine(layout.index), layout.index)
        try:
            index.prepare()
            position = index.position()
            journal, beyond = open_journal(layout.journal, position, time=time, who=actor)
            beyond += atomic_batch.finish(layout, journal, beyond, time=time, who=actor)
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

    def keep_for(self, what: str) -> None:
        """Tell other writers which command has the archive open all the time (ASCII)."""
        if self._lock is not None:
            self._lock.say(what)

    def close(self) -> None:
        """Finish what waits, close files and give the lock back; harmless when done before."""
        while self._companions:
            self._companions.popitem()[1].close()
        self.writer.close()
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

    def held(self, sop_instance_uids: Sequence[str]) -> dict[str, HeldFile]:
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

    def companion(self, kind: Callable[[Archive], C]) -> C:
        """Return the one object of a class that goes with this archive until it is closed."""
        with self._guard:
            found = self._companions.get(cast(type, kind))
            if found is None:
                found = self._companions[cast(type, kind)] = kind(self)
            return cast(C, found)

    def listen(self, listener: Listener) -> None:
        """Have somebody told of all that is kept from now on, whichever way it came."""
        self.writer.listen(listener)

    def record(self, deeds: Sequence[Deed]) -> None:
        """Tell the journal of deeds that change no object; flushed when this returns.

        Raises
        ------
        ArchiveError
            If the disk refuses.
        """
        self._writable()
        self.writer.call(lambda: self._record(deeds))

    def record_soon(self, deeds: Iterable[Deed]) -> None:
        """Tell the journal of deeds within a moment; who calls does not wait."""
        self.writer.record_soon(deeds)

    def _record(self, deeds: Sequence[Deed]) -> None:
        with translated(Text("archive.archive.journal_not_written"), self.layout.journal):
            journal = self._writable()
            self._catch_up(journal)
            self._append(journal, deeds)
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
        self._writable()
        return self.writer.put(batch)

    def _put(self, batch: Sequence[Incoming]) -> list[Stored]:
        journal = self._writable()
        self._catch_up(journal)
        before = journal.end
        placement = Placement(self.layout, self._flushed)
        try:
            decided = decide(batch, self._index, self.layout, placement, self._people)
            placement.place()
            entries = self._append(journal, deeds_of(decided))
        except BaseException as error:
            # Lines that stand in the journal need their files.
            if journal.end == before and journal.cut_back():
                placement.undo()
            if isinstance(error, OSError):
                raise described_error(
                    error, Text("archive.archive.nothing_stored"), self.layout.root
                ) from error
            raise
        self._enter(journal, decided, entries)
        return [stored_of(one, self.layout) for one in decided]

    def put_together(self, batch: Sequence[Incoming], notes: Sequence[str]) -> list[Stored]:
        """Keep new instances, all of them or none, whatever happens in between.

        The journal is told first what is intended; a writer that finds intentions without their
        end finishes them where a line says that they were kept, and undoes them where none does.

        Parameters
        ----------
        notes
            For each instance, what the journal says of why it is kept.

        Raises
        ------
        ArchiveError
            If the disk refuses, or one of them is kept already; none is kept then.
        """
        self._writable()
        stored: list[Stored] = self.writer.call(lambda: self._put_together(batch, notes))
        return stored

    def _put_together(self, batch: Sequence[Incoming], notes: Sequence[str]) -> list[Stored]:
        journal = self._writable()
        self._catch_up(journal)
        placement = Placement(self.layout, self._flushed)
        try:
            decided = decide(batch, self._index, self.layout, placement, self._people)
            atomic_batch.demand_new(decided)
            intended = atomic_batch.intended(deeds_of(decided), notes)
        except BaseException as error:
            placement.undo()
            if isinstance(error, OSError):
                raise described_error(
                    error, Text("archive.archive.nothing_stored"), self.layout.root
                ) from error
            raise
        with translated(Text("archive.archive.nothing_stored"), self.layout.root):
            try:
                self._append(journal, intended)
            except BaseException:
                placement.undo()
                raise
            try:
                placement.place()
                entries = self._append(journal, atomic_batch.kept_and_done(decided, intended))
            except BaseException:
                placement.undo()
                self._give_up(journal, intended)
                raise
        self._enter(journal, decided, entries[: len(decided)])
        stored = [stored_of(one, self.layout) for one in decided]
        self.writer.heard(stored)
        return stored

    def _give_up(self, journal: Journal, intended: Sequence[Deed]) -> None:
        try:
            self._append(journal, atomic_batch.given_up(intended))
        except (OSError, ArchiveError):
            # The next writer that opens finds the intention and ends it.
            journal.close()
            self._journal = None

    def _append(self, journal: Journal, deeds: Sequence[Deed]) -> list[JournalEntry]:
        if not deeds:
            return []
        # An archive of an earlier version gets one with the first that is done to it.
        give_identity(self.layout.root)
        return journal.append(deeds, time=self._clock(), who=self._actor)

    def _writable(self) -> Journal:
        if self._journal is None:
            raise ArchiveError(Problem("archive.archive.read_only").at(file=str(self.layout.root)))
        return self._journal

    def _enter(
        self, journal: Journal, decided: Sequence[Decided], entries: Sequence[JournalEntry]
    ) -> None:
        if not entries:
            return
        kept = kept_of(decided, entries)
        try:
            self._index.add(kept, journal.end)
            self._applied = journal.end
            self._people.learn([one.description for one in kept])
        except ArchiveError as error:
            raise ArchiveError(
                *error.problems,
                Problem("archive.archive.not_indexed_yet", entries=len(entries)).at(
                    file=str(self.layout.root)
                ),
            ) from error
        for one in kept:
            # What was in quarantine is so no longer; a copy that stays does no harm.
            with suppress(OSError):
                self.layout.path_of(quarantine_path(one.digest)).unlink(missing_ok=True)

    def _catch_up(self, journal: Journal) -> None:
        """Take into the index what an earlier put could not."""
        if self._applied != journal.end:
            lines = read_lines(self.layout.journal, self._index.position())
            entries = [line.entry for line in lines if line.entry]
            take_in(self.layout, self._index, entries, journal.end, self._describe)
            self._people.forget()
            self._applied = journal.end
