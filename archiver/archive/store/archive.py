"""The archive: instances are put in, found again, and never changed."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import datetime, timezone
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Protocol, TypeVar, cast

from archiver.archive.query import Query, Record, answer, answers
from archiver.archive.store.durable import translated
from archiver.archive.store.file_transaction import Incoming, Stored
from archiver.archive.store.index import Index
from archiver.archive.store.indexed_instance import HeldFile
from archiver.archive.store.journal import Journal
from archiver.archive.store.journal_lines import START, Deed, Position
from archiver.archive.store.layout import Layout
from archiver.archive.store.metadata_reader import Describe, describe_file
from archiver.archive.store.opening import reading_index, writing_parts
from archiver.archive.store.recovery import Recovery
from archiver.archive.store.schema import Fields, Schema
from archiver.archive.store.transactions import Author, Transactions, read_only
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
        self._index = index
        self._transactions: Transactions | None = None
        self.writer = Writer(
            lambda batch: self._writable().put(batch),
            lambda deeds: self._writable().append_to_journal(deeds),
            lambda: self._transactions.settle() if self._transactions is not None else None,
        )
        self._companions: dict[type, Companion] = {}
        self._guard = threading.RLock()
        self._lock: WriterLock | None = None

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
                return cls._open_writing(layout, lock, Author(clock, actor), now, describe)
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
        return cls(layout, reading_index(layout))

    @classmethod
    def _open_writing(
        cls,
        layout: Layout,
        lock: WriterLock,
        author: Author,
        time: datetime,
        describe: Describe,
    ) -> Archive:
        parts = writing_parts(layout, author, time)
        archive = cls(layout, parts.index)
        archive._lock = lock
        written = Transactions(layout, parts.index, parts.journal, START, author, describe)
        archive._transactions = written
        try:
            recovery = written.recover(parts.beyond)
        except BaseException:
            archive.close()
            raise
        archive.recovery = replace(recovery, aside_removed=parts.aside_removed)
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
        if self._transactions is not None:
            self._transactions.close()
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

    def query_each(self, query: Query) -> Iterator[Record]:
        """Yield the instances that answer a question, however many, in little memory."""
        with self._index.reading() as connection:
            yield from answers(connection, query, self.layout)

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
        written = self._writable()
        self.writer.call(lambda: written.record(deeds))

    def record_soon(self, deeds: Iterable[Deed]) -> None:
        """Tell the journal of deeds within a moment; who calls does not wait."""
        self.writer.record_soon(deeds)

    def append_line(
        self, name: str, schema: Schema[Fields], fields: Fields, deeds: Sequence[Deed]
    ) -> None:
        """Append a line to a file of statements, and tell the journal; both are flushed.

        Parameters
        ----------
        name
            Of the file in the archive's folder.

        Raises
        ------
        ArchiveError
            If the disk refuses, or a newer program has appended to the file.
        """
        written = self._writable()
        self.writer.call(lambda: written.append_line(name, schema, fields, deeds))

    def secret(self) -> bytes:
        """Return the archive's secret, made when it is first asked for; see `secret_of`."""
        written = self._writable()
        secret: bytes = self.writer.call(written.secret)
        return secret

    def replace_index(self, complete: Callable[[Journal], Path]) -> None:
        """Put another index in the place of this one, while the writer waits.

        Parameters
        ----------
        complete
            Brings the other one up to the end of the journal, closes it, and returns its file.

        Raises
        ------
        ArchiveError
            If the disk refuses; the index is then as it was.
        """
        written = self._writable()
        self.writer.call(lambda: written.replace_index(complete))

    def position(self) -> Position:
        """Return how much of the journal has been confirmed: the index has taken it in."""
        return self._index.position()

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
        written = self._writable()

        def together() -> list[Stored]:
            stored = written.put_together(batch, notes)
            self.writer.heard(stored)
            return stored

        stored: list[Stored] = self.writer.call(together)
        return stored

    def delete(self, deeds: Sequence[Deed]) -> None:
        """Delete instances for good, each with a tombstone in the journal.

        Whether they may be, `archiver.workflow.delete` judges. When this returns, index and
        objects have them no more; a kill leaves deletions that the next writer ends.

        Parameters
        ----------
        deeds
            One for each instance: its UIDs, its digest, and as `note` who lets it go and why.

        Raises
        ------
        ArchiveError
            If an instance is not kept as said, and nothing is deleted; or the disk refuses.
        """
        written = self._writable()
        self.writer.call(lambda: written.delete(deeds))

    def _writable(self) -> Transactions:
        if self._transactions is None:
            raise read_only(self.layout)
        self._transactions.demand_open()
        return self._transactions
