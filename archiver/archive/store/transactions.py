"""What is written to an archive: objects, journal and index, one batch after the other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from archiver.archive.statements import evidence, jsonl_log
from archiver.archive.statements.rejection_notes import heeded_by
from archiver.archive.store import atomic_batch, deletion
from archiver.archive.store.durable import described_error, translated
from archiver.archive.store.file_transaction import Incoming, Placement, Stored
from archiver.archive.store.identity import give_identity
from archiver.archive.store.index import Index
from archiver.archive.store.ingest_decision import (
    Decided,
    decide,
    deeds_of,
    heeded_of,
    kept_of,
    stored_of,
)
from archiver.archive.store.journal import Journal
from archiver.archive.store.journal_lines import (
    DELETED,
    DELETION_BEGUN,
    FILE,
    LINE,
    Deed,
    JournalEntry,
    Position,
    entries_of,
    read_lines,
)
from archiver.archive.store.known_people import KnownPeople
from archiver.archive.store.layout import Layout, quarantine_path
from archiver.archive.store.metadata_reader import Describe
from archiver.archive.store.recovery import Recovery, take_in
from archiver.archive.store.schema import Fields, Schema
from archiver.archive.store.secret import FILE as SECRET
from archiver.archive.store.secret import secret_of
from archiver.errors import ArchiveError, IntegrityError, Problem
from archiver.wording import Text


@dataclass(frozen=True)
class Author:
    """Who writes, and the clock by which it is told."""

    clock: Callable[[], datetime]
    name: str


class Transactions:
    """Everything that changes an archive; only for the thread of its writer.

    Parameters
    ----------
    layout, index, journal
        Of the archive.
    applied
        How far the index is known to have come; behind the journal's end after any failure.
    author
        For the journal.
    describe
        Reads an object that the journal knows and the index does not.
    """

    def __init__(
        self,
        layout: Layout,
        index: Index,
        journal: Journal,
        applied: Position,
        author: Author,
        describe: Describe,
    ) -> None:
        self._layout = layout
        self._index = index
        self._journal = journal
        self._applied = applied
        self._author = author
        self._describe = describe
        self._people = KnownPeople(index, layout.root)
        self._flushed: set[Path] = set()
        self._is_behind = False
        self.is_open = True

    def recover(self, beyond: Sequence[JournalEntry]) -> Recovery:
        """Take in what the journal tells beyond the index's position."""
        end = self._journal.end
        found = Recovery()
        if beyond:
            found = take_in(self._layout, self._index, beyond, end, self._describe)
        self._applied = end
        return found

    def close(self) -> None:
        """Close the journal; nothing more can be written. Harmless when done before."""
        if self.is_open:
            with suppress(ArchiveError):  # the next that opens reads the lines again
                self.settle()
            self.is_open = False
            self._journal.close()

    def demand_open(self) -> Journal:
        """Return the journal.

        Raises
        ------
        ArchiveError
            If it was closed, at the end or because it could not be brought in order.
        """
        if not self.is_open:
            raise read_only(self._layout)
        return self._journal

    def put(self, batch: Sequence[Incoming]) -> list[Stored]:
        """Keep instances, all or none; see `Archive.put`."""
        journal = self._caught_up()
        before = journal.end
        placement = Placement(self._layout, self._flushed)
        try:
            decided = decide(batch, self._index, self._layout, placement, self._people)
            placement.place()
            entries = self._append(journal, [*deeds_of(decided), *heeded_of(decided)])
        except BaseException as error:
            # Lines that stand in the journal need their files.
            if journal.end == before and journal.cut_back():
                placement.undo()
            if isinstance(error, OSError):
                raise described_error(
                    error, Text("archive.archive.nothing_stored"), self._layout.root
                ) from error
            raise
        self._enter(journal, decided, entries)
        return [stored_of(one, self._layout) for one in decided]

    def put_together(self, batch: Sequence[Incoming], notes: Sequence[str]) -> list[Stored]:
        """Keep new instances as one; see `Archive.put_together`."""
        journal = self._caught_up()
        placement = Placement(self._layout, self._flushed)
        try:
            decided = decide(batch, self._index, self._layout, placement, self._people)
            atomic_batch.demand_new(decided)
            intended = atomic_batch.intended(deeds_of(decided), notes)
        except BaseException as error:
            placement.undo()
            if isinstance(error, OSError):
                raise described_error(
                    error, Text("archive.archive.nothing_stored"), self._layout.root
                ) from error
            raise
        with translated(Text("archive.archive.nothing_stored"), self._layout.root):
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
        self._enter(journal, decided, entries)
        return [stored_of(one, self._layout) for one in decided]

    def _give_up(self, journal: Journal, intended: Sequence[Deed]) -> None:
        try:
            self._append(journal, atomic_batch.given_up(intended))
        except (OSError, ArchiveError):
            # The next writer that opens finds the intention and ends it.
            self.close()

    def _append(self, journal: Journal, deeds: Sequence[Deed]) -> list[JournalEntry]:
        if not deeds:
            return []
        # An archive of an earlier version gets one with the first that is done to it.
        give_identity(self._layout.root)
        return journal.append(deeds, time=self._author.clock(), who=self._author.name)

    def _enter(
        self, journal: Journal, decided: Sequence[Decided], entries: Sequence[JournalEntry]
    ) -> None:
        if not entries:
            return
        kept = kept_of(decided, entries)
        try:
            self._index.add(kept, journal.end, heeded_by(entries))
            self._applied = journal.end
            self._people.learn([one.description for one in kept])
        except ArchiveError as error:
            raise ArchiveError(
                *error.problems,
                Problem("archive.archive.not_indexed_yet", entries=len(entries)).at(
                    file=str(self._layout.root)
                ),
            ) from error
        for one in kept:
            # What was in quarantine is so no longer; a copy that stays does no harm.
            with suppress(OSError):
                self._layout.path_of(quarantine_path(one.digest)).unlink(missing_ok=True)

    def _caught_up(self) -> Journal:
        """Take into the index what an earlier put could not; return the journal."""
        journal = self.demand_open()
        if self._applied != journal.end:
            lines = read_lines(self._layout.journal, self._index.position())
            entries = [line.entry for line in lines if line.entry]
            take_in(self._layout, self._index, entries, journal.end, self._describe)
            self._people.forget()
            self._applied = journal.end
        return journal

    def record(self, deeds: Sequence[Deed]) -> None:
        """Tell the journal of deeds that change no object."""
        with translated(Text("archive.archive.journal_not_written"), self._layout.journal):
            journal = self._caught_up()
            self._append(journal, deeds)
            heeded = heeded_by(deeds)
            self._index.add([], journal.end, heeded)
            self._applied = journal.end
            if heeded:
                self._people.forget()

    def append_to_journal(self, deeds: Sequence[Deed]) -> None:
        """Tell the journal of deeds that change nothing in the index.

        How far the index has come is noted there by the next that changes it, or by `settle`: a
        transaction of its own for each would take longer than the flush of the journal.
        """
        if heeded_by(deeds):
            self.record(deeds)
            return
        with translated(Text("archive.archive.journal_not_written"), self._layout.journal):
            journal = self._caught_up()
            self._append(journal, deeds)
            self._applied, self._is_behind = journal.end, True

    def settle(self) -> None:
        """Note in the index how far it has come, where that is not noted yet."""
        if self.is_open and self._is_behind:
            self._index.add([], self._applied)
            self._is_behind = False

    def delete(self, deeds: Sequence[Deed]) -> None:
        """Delete instances for good; see `Archive.delete`."""
        journal = self._caught_up()
        root = self._layout.root
        held = self._index.held([one.sop for one in deeds])
        for one in deeds:
            kept = held.get(one.sop)
            if kept is None or kept.digest != one.digest:
                raise ArchiveError(Problem("archive.deletion.not_what_is_kept", uid=one.sop))
        begun = [replace(one, action=DELETION_BEGUN) for one in deeds]
        with translated(Text("archive.deletion.not_deleted"), root):
            self._append(journal, begun)
            ends = deletion.carried_out(self._layout, begun)
            # A folder that is made again has to be flushed again.
            self._flushed.clear()
            try:
                self._append(journal, ends)
            except BaseException:
                # The next writer that opens finds the beginning and ends it.
                self.close()
                raise
        gone = [one.sop for one in ends if one.action == DELETED]
        self._index.remove(gone, journal.end)
        self._applied = journal.end
        self._people.forget()
        if left := [one.sop for one in ends if one.action != DELETED]:
            stays = [Problem("archive.deletion.file_stays", uid=uid) for uid in left]
            raise ArchiveError(*(one.at(file=str(root)) for one in stays))

    def append_line(
        self, name: str, schema: Schema[Fields], fields: Fields, deeds: Sequence[Deed]
    ) -> None:
        """Append a line to a file of statements, and tell the journal before and after."""
        path = self._layout.root / name
        text = jsonl_log.line_of(schema, fields)
        schema.check(jsonl_log.last_version(path), path)
        secret = self.secret()
        with translated(Text("archive.archive.journal_not_written"), self._layout.journal):
            begun = evidence.line_deed(secret, name, jsonl_log.end_of(path), text)
            self._append(self._caught_up(), [begun])
        jsonl_log.append(path, schema, fields)
        self.record([replace(begun, action=LINE), *deeds])

    def secret(self) -> bytes:
        """Return the archive's secret; where it is made, the journal is told."""
        root = self._layout.root
        if not (root / SECRET).exists():
            with translated(Text("archive.secret.not_made"), root / SECRET):
                told = list(entries_of(self._layout.journal, [FILE]))
            if any(one.note == SECRET for one in told):
                raise IntegrityError(Problem("archive.evidence.gone").at(file=SECRET))
            secret_of(root)
            self.record([evidence.file_deed(root, SECRET)])
        return secret_of(root)

    def replace_index(self, complete: Callable[[Journal], Path]) -> None:
        """Take over everything from another index; see `Archive.replace_index`."""
        journal = self.demand_open()
        self._index.replace_rows(complete(journal))
        self._people.forget()
        self._applied = journal.end


def read_only(layout: Layout) -> ArchiveError:
    """Return the error of writing to an archive that is open for reading only."""
    return ArchiveError(Problem("archive.archive.read_only").at(file=str(layout.root)))
