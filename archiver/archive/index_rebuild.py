"""The index made again from the objects, and everything that is kept checked on the way."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from archiver.archive.kept_objects import (
    Progress,
    RebuildFindings,
    RebuildReport,
    read_objects,
    report_of,
    take_lines,
    whole_lines,
)
from archiver.archive.statements import evidence
from archiver.archive.statements.rejection_notes import STATEMENTS
from archiver.archive.store import atomic_batch, sqlite
from archiver.archive.store.archive import Archive, Clock, system_clock
from archiver.archive.store.deletion import OpenDeletions
from archiver.archive.store.durable import flush_folder, translated
from archiver.archive.store.identity import give_identity
from archiver.archive.store.index import Index
from archiver.archive.store.indexed_instance import IndexedInstance
from archiver.archive.store.journal import Journal, open_journal
from archiver.archive.store.journal_lines import (
    ADOPTED,
    REBUILT,
    START,
    Deed,
    JournalEntry,
    holds_at,
    verify_chain,
)
from archiver.archive.store.layout import Layout
from archiver.archive.store.metadata_reader import Describe, describe_file
from archiver.archive.store.promised import Promised
from archiver.archive.store.recovery import promises, remove_aside, take_in, tombstones
from archiver.archive.store.writer_lock import WriterLock
from archiver.errors import ArchiveError, Problem
from archiver.wording import Text

__all__ = ["rebuild", "rebuild_open", "verify_chain"]


def rebuild(
    folder: Path,
    *,
    clock: Clock = system_clock,
    actor: str = "unnamed",
    describe: Describe = describe_file,
    progress: Progress | None = None,
) -> RebuildReport:
    """Make the index again from the objects, and verify digests and the journal's chain.

    The new index is built beside the old one and swapped in when it is whole. No object is
    ever changed, moved or deleted.

    Parameters
    ----------
    progress
        Told before each object how many of how many were looked at.

    Raises
    ------
    ArchiveError
        If the folder is no archive, another process writes, or the disk refuses.
    """
    layout = Layout(Path(folder).absolute())
    with translated(Text("archive.index_rebuild.not_made"), layout.root):
        layout.check_mark()
        lock = WriterLock(layout.lock)
        try:
            layout.prepare()
            remove_aside(layout)
            with Promised() as promised:
                told = _JournalContents(promised, _shortened(layout))
                journal = _brought_to_an_end(layout, told, clock(), actor)
                try:
                    return _rebuild(layout, journal, told, (clock, actor, describe, progress))
                finally:
                    journal.close()
        finally:
            lock.release()


class _JournalContents:
    """What the journal says that a rebuilding has to know; all but statements lies on disk.

    Parameters
    ----------
    promised
        Takes what objects there are to be.
    chain
        What is wrong with the journal.
    """

    def __init__(self, promised: Promised, chain: list[Problem]) -> None:
        self.promised = promised
        self.chain = chain
        self.statements: list[JournalEntry] = []
        self.heeded: set[str] = set()
        self.batch = atomic_batch.OpenBatch()
        self.deletions = OpenDeletions()

    def restart(self) -> None:
        """Forget all but the promises, which a second reading leaves as they are."""
        self.chain.clear()
        self.statements.clear()
        self.heeded.clear()
        self.batch = atomic_batch.OpenBatch()
        self.deletions = OpenDeletions()

    def note(self, entry: JournalEntry) -> None:
        """Note a line that the promises have already."""
        self.batch.take(entry)
        self.deletions.take(entry)
        if entry.action in evidence.ACTIONS:
            self.statements.append(entry)
        if entry.action in STATEMENTS:
            self.heeded.add(entry.sop)

    def take(self, entries: Iterable[JournalEntry]) -> None:
        """Take further lines."""
        taken = list(entries)
        self.promised.take(taken)
        for entry in taken:
            self.note(entry)


def _brought_to_an_end(
    layout: Layout, told: _JournalContents, time: datetime, actor: str
) -> Journal:
    """Read and open the journal, and bring to its end what a killed writer had begun."""
    end = take_lines(layout, told.promised, told.chain, told.note)
    if end.seq and not holds_at(layout.journal, end):
        end = START  # the last line is damaged: opening the journal tells of all of it again
        told.restart()
    journal, beyond = open_journal(layout.journal, end, time=time, who=actor, faults=told.chain)
    try:
        told.take(beyond)
        give_identity(layout.root)
        told.take(atomic_batch.finish(layout, journal, told.batch.entries, time=time, who=actor))
        told.take(told.deletions.finish(layout, journal, time=time, who=actor))
        deeds = evidence.unfinished(layout.root, told.statements)
        deeds += evidence.brought_up(layout.root, told.statements)
        told.take(journal.append(deeds, time=time, who=actor))
    except BaseException:
        journal.close()
        raise
    return journal


def _shortened(layout: Layout) -> list[Problem]:
    """Return a problem if the old index remembers lines that the journal has lost."""
    if not layout.index.exists():
        return []
    old = Index(sqlite.writing_engine(layout.index), layout.index)
    try:
        position = old.position()
    except ArchiveError:
        return []
    finally:
        old.close()
    # A first writer that was killed may leave an index that knows of no line, and no journal.
    if position == START or (layout.journal.exists() and holds_at(layout.journal, position)):
        return []
    return [
        Problem("archive.index_rebuild.line_gone", line=position.seq).at(file=layout.journal.name)
    ]


def _rebuild(
    layout: Layout,
    journal: Journal,
    told: _JournalContents,
    ways: tuple[Clock, str, Describe, Progress | None],
) -> RebuildReport:
    clock, actor, describe, progress = ways
    findings = RebuildFindings()
    new = sqlite.fresh_file(layout.index)
    index = Index(sqlite.writing_engine(new, mapped=False), layout.index)
    try:
        with index.prepared_for_many():
            for kept, unknown in read_objects(layout, told.promised, findings, describe, progress):
                kept += _adopted(journal, unknown, findings, clock(), actor)
                index.add(kept, START)
                findings.indexed += len(kept)
            index.add([], START, told.heeded)
        _finish(journal, index, findings, clock(), actor)
    finally:
        index.close()
    sqlite.swap_in(new, layout.index)
    flush_folder(layout.root)
    return report_of(layout, findings, told.promised, told.chain)


def rebuild_open(
    archive: Archive,
    *,
    clock: Clock = system_clock,
    actor: str = "unnamed",
    describe: Describe = describe_file,
    progress: Progress | None = None,
) -> RebuildReport:
    """Do what `rebuild` does for an archive that is open for writing and in use.

    Objects are read while others are kept. Only at the end does the writer wait: what came
    meanwhile is taken in, and the rows of the index in use are replaced in one transaction.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    layout = archive.layout
    chain: list[Problem] = []
    findings, waiting = RebuildFindings(), list[IndexedInstance]()
    new = sqlite.fresh_file(layout.index)
    index = Index(sqlite.writing_engine(new, mapped=False), layout.index)

    def complete(journal: Journal) -> Path:
        late, _ = whole_lines(layout, end, chain)
        taken = take_in(layout, index, late, journal.end, describe)
        findings.indexed += taken.taken_in
        findings.damaged += taken.problems
        known = {*promises(late), *tombstones(late)}
        unknown = [k for k in waiting if k.description.sop_instance_uid not in known]
        adopted = _adopted(journal, unknown, findings, clock(), actor)
        index.add(adopted, START, told.heeded)
        findings.indexed += len(adopted)
        _finish(journal, index, findings, clock(), actor)
        index.close()
        return new

    with translated(Text("archive.index_rebuild.not_made"), layout.root), Promised() as promised:
        told = _JournalContents(promised, chain)
        end = take_lines(layout, promised, chain, told.note)
        try:
            with index.prepared_for_many():
                for kept, unknown in read_objects(layout, promised, findings, describe, progress):
                    index.add(kept, START)
                    findings.indexed += len(kept)
                    waiting += unknown
            archive.replace_index(complete)
        finally:
            index.close()
            sqlite.fresh_file(layout.index)
        return report_of(layout, findings, promised, chain)


def _adopted(
    journal: Journal,
    unknown: Sequence[IndexedInstance],
    findings: RebuildFindings,
    time: datetime,
    actor: str,
) -> list[IndexedInstance]:
    """Tell the journal of objects that it does not know, and return them with their lines."""
    entries = journal.append([_adoption(k) for k in unknown], time=time, who=actor)
    findings.adopted += [Problem("archive.index_rebuild.adopted").at(file=k.path) for k in unknown]
    return [
        replace(k, journal_seq=entry.seq, added=entry.time)
        for k, entry in zip(unknown, entries, strict=True)
    ]


def _finish(
    journal: Journal, index: Index, findings: RebuildFindings, time: datetime, actor: str
) -> None:
    note = f"{findings.indexed} of {findings.objects} objects indexed"
    journal.append([Deed(REBUILT, note=note)], time=time, who=actor)
    index.add([], journal.end)
    sqlite.settle(index.engine)


def _adoption(kept: IndexedInstance) -> Deed:
    d = kept.description
    return Deed(
        ADOPTED,
        study=d.study_uid,
        series=d.series_uid,
        sop=d.sop_instance_uid,
        digest=kept.digest,
        size=kept.size,
        note="found without a line in the journal",
    )
