"""The index made again from the objects, and everything that is kept checked on the way."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from time import monotonic, sleep

from archiver.archive.store import atomic_batch, sqlite
from archiver.archive.store.archive import Archive, Clock, system_clock
from archiver.archive.store.durable import Written, digest_file, flush_folder, translated
from archiver.archive.store.identity import give_identity
from archiver.archive.store.index import Index
from archiver.archive.store.indexed_instance import IndexedInstance
from archiver.archive.store.journal import (
    ADOPTED,
    REBUILT,
    START,
    Deed,
    Journal,
    JournalEntry,
    Position,
    holds_at,
    open_journal,
    read_lines,
    verify_chain,
)
from archiver.archive.store.layout import Layout, relative_path
from archiver.archive.store.metadata_reader import Describe, describe_file
from archiver.archive.store.recovery import promises, remove_aside, take_in
from archiver.archive.store.writer_lock import WriterLock
from archiver.errors import ArchiveError, ObjectError, Place, Problem
from archiver.wording import Text

__all__ = ["RebuildReport", "rebuild", "rebuild_open", "verify", "verify_chain"]

_AT_ONCE = 500
#: The line of an object follows its file within this time (seconds).
_LINE_COMES = 2.0

#: Takes how many are done and of how many.
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class RebuildReport:
    """What a rebuilding found.

    Parameters
    ----------
    objects
        Files under ``objects``.
    indexed
        Instances in the new index.
    chain
        What is wrong with the journal.
    damaged
        Objects that are not what the journal says, or that cannot be read. They are left as
        they are and are not indexed; handing the good object in again puts it in their place.
    missing
        Objects that the journal promises and that are not there.
    adopted
        Objects that the journal did not know. They are indexed, and the journal says so.
    misplaced
        Files that lie where an object of that name does not belong; not indexed.
    """

    objects: int
    indexed: int
    chain: tuple[Problem, ...] = ()
    damaged: tuple[Problem, ...] = ()
    missing: tuple[Problem, ...] = ()
    adopted: tuple[Problem, ...] = ()
    misplaced: tuple[Problem, ...] = ()

    @property
    def is_sound(self) -> bool:
        """True if nothing that was promised is lost, changed or in doubt."""
        return not (self.chain or self.damaged or self.missing or self.misplaced)

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Everything found, the worst first."""
        return self.missing + self.damaged + self.chain + self.misplaced + self.adopted


@dataclass
class _Findings:
    damaged: list[Problem] = field(default_factory=list)
    misplaced: list[Problem] = field(default_factory=list)
    adopted: list[Problem] = field(default_factory=list)
    seen: set[str] = field(default_factory=set)
    objects: int = 0
    indexed: int = 0


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
            chain = _shortened(layout)
            time = clock()
            journal, entries = open_journal(
                layout.journal, START, time=time, who=actor, faults=chain
            )
            try:
                give_identity(layout.root)
                entries += atomic_batch.finish(layout, journal, entries, time=time, who=actor)
                return _rebuild(layout, journal, entries, chain, (clock, actor, describe, progress))
            finally:
                journal.close()
        finally:
            lock.release()


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
    entries: list[JournalEntry],
    chain: list[Problem],
    ways: tuple[Clock, str, Describe, Progress | None],
) -> RebuildReport:
    clock, actor, describe, progress = ways
    promised = promises(entries)
    findings = _Findings()
    new = sqlite.fresh_file(layout.index)
    index = Index(sqlite.writing_engine(new), layout.index)
    try:
        index.prepare()
        for kept, unknown in _batches(layout, promised, findings, describe, progress):
            kept += _adopted(journal, unknown, findings, clock(), actor)
            index.add(kept, START)
            findings.indexed += len(kept)
        _finish(journal, index, findings, clock(), actor)
    finally:
        index.close()
    sqlite.swap_in(new, layout.index)
    flush_folder(layout.root)
    return _report(findings, promised, chain)


def _adopted(
    journal: Journal,
    unknown: Sequence[IndexedInstance],
    findings: _Findings,
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
    journal: Journal, index: Index, findings: _Findings, time: datetime, actor: str
) -> None:
    note = f"{findings.indexed} of {findings.objects} objects indexed"
    journal.append([Deed(REBUILT, note=note)], time=time, who=actor)
    index.add([], journal.end)
    sqlite.settle(index.engine)


def _report(
    findings: _Findings, promised: dict[str, JournalEntry], chain: Sequence[Problem]
) -> RebuildReport:
    missing = tuple(
        Problem("archive.index_rebuild.object_missing").at(file=_place(entry))
        for sop, entry in promised.items()
        if sop not in findings.seen
    )
    return RebuildReport(
        findings.objects,
        findings.indexed,
        chain=tuple(chain),
        damaged=tuple(findings.damaged),
        missing=missing,
        adopted=tuple(findings.adopted),
        misplaced=tuple(findings.misplaced),
    )


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
    entries, end = _whole_lines(layout, START, chain)
    promised = promises(entries)
    findings, waiting = _Findings(), list[IndexedInstance]()
    new = sqlite.fresh_file(layout.index)
    index = Index(sqlite.writing_engine(new), layout.index)

    def complete(journal: Journal) -> Path:
        late, _ = _whole_lines(layout, end, chain)
        taken = take_in(layout, index, late, journal.end, describe)
        findings.indexed += taken.taken_in
        findings.damaged += taken.problems
        known = promises(late)
        unknown = [k for k in waiting if k.description.sop_instance_uid not in known]
        adopted = _adopted(journal, unknown, findings, clock(), actor)
        index.add(adopted, START)
        findings.indexed += len(adopted)
        _finish(journal, index, findings, clock(), actor)
        index.close()
        return new

    with translated(Text("archive.index_rebuild.not_made"), layout.root):
        try:
            index.prepare()
            for kept, unknown in _batches(layout, promised, findings, describe, progress):
                index.add(kept, START)
                findings.indexed += len(kept)
                waiting += unknown
            archive.replace_index(complete)
        finally:
            index.close()
            sqlite.fresh_file(layout.index)
    return _report(findings, promised, chain)


def verify(
    folder: Path, *, describe: Describe = describe_file, progress: Progress | None = None
) -> RebuildReport:
    """Read every object and the journal as `rebuild` does, and write nothing.

    Others may write meanwhile.

    Returns
    -------
    RebuildReport
        ``indexed`` counts what an index made anew would hold.

    Raises
    ------
    ArchiveError
        If the folder is no archive, or the disk refuses.
    """
    layout = Layout(Path(folder).absolute())
    layout.check_mark()
    chain: list[Problem] = []
    with translated(Text("archive.index_rebuild.not_read"), layout.root):
        entries, end = _whole_lines(layout, START, chain)
        promised = promises(entries)
        findings = _Findings()
        waiting: dict[str, IndexedInstance] = {}
        for kept, unknown in _batches(layout, promised, findings, describe, progress):
            findings.indexed += len(kept) + len(unknown)
            waiting |= {k.description.sop_instance_uid: k for k in unknown}
        until = monotonic() + _LINE_COMES
        while True:
            for uid in promises(_whole_lines(layout, end, [])[0]):
                waiting.pop(uid, None)
            if not waiting or monotonic() > until:
                break
            sleep(0.1)
    findings.adopted = [
        Problem("archive.index_rebuild.unknown").at(file=k.path) for k in waiting.values()
    ]
    return _report(findings, promised, chain)


def _whole_lines(
    layout: Layout, start: Position, faults: list[Problem]
) -> tuple[list[JournalEntry], Position]:
    """Return the lines from a position on, and where they end; a last one may be on its way."""
    entries = []
    end = start
    if layout.journal.exists():
        for line in read_lines(layout.journal, start):
            if line.torn:
                break
            if line.problem:
                faults.append(line.problem)
            if line.entry is not None:
                entries.append(line.entry)
            end = line.after
    return entries, end


def _place(entry: JournalEntry) -> str:
    return f"objects/{entry.study}/{entry.series}/{entry.sop}.dcm"


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


def _batches(
    layout: Layout,
    promised: dict[str, JournalEntry],
    findings: _Findings,
    describe: Describe,
    progress: Progress | None,
) -> Iterator[tuple[list[IndexedInstance], list[IndexedInstance]]]:
    """Go through the objects: those that the journal knows, those that it does not."""
    known: list[IndexedInstance] = []
    unknown: list[IndexedInstance] = []
    paths = sorted(p for p in layout.objects.rglob("*") if not p.is_dir())
    for path in paths:
        if progress is not None:
            progress(findings.objects, len(paths))
        findings.objects += 1
        kept = _look_at(layout, path, promised, findings, describe)
        if kept is not None:
            (known if kept.journal_seq else unknown).append(kept)
        if len(known) + len(unknown) >= _AT_ONCE:
            yield known, unknown
            known, unknown = [], []
    if known or unknown:
        yield known, unknown


def _look_at(
    layout: Layout,
    path: Path,
    promised: dict[str, JournalEntry],
    findings: _Findings,
    describe: Describe,
) -> IndexedInstance | None:
    """Check one file; None if it is not to be indexed."""
    relative = path.relative_to(layout.root).as_posix()
    entry = promised.get(path.stem)
    belongs = entry is not None and relative == _place(entry)
    if belongs:
        findings.seen.add(path.stem)
    try:
        written = digest_file(path)
        if entry is not None and belongs and written.sha256 != entry.digest:
            findings.damaged.append(_changed(relative, written, entry))
            return None
        description = describe(path)
        right = relative_path(
            description.study_uid, description.series_uid, description.sop_instance_uid
        )
    except ObjectError as error:
        findings.damaged += [p.with_places(Place(file=relative)) for p in error.problems[:1]]
        return None
    except OSError as error:
        findings.damaged.append(
            Problem("archive.index_rebuild.unreadable", reason=error.strerror).at(file=relative)
        )
        return None
    if relative != right or (entry is not None and not belongs):
        findings.misplaced.append(
            Problem("archive.index_rebuild.misplaced", right=right).at(file=relative)
        )
        return None
    if entry is not None:
        source = entry.source or None
        return IndexedInstance(
            description, relative, written.size, written.sha256, source, entry.seq, entry.time
        )
    return IndexedInstance(description, relative, written.size, written.sha256, None, 0, "")


def _changed(relative: str, written: Written, entry: JournalEntry) -> Problem:
    return Problem(
        "archive.index_rebuild.not_what_was_kept",
        digest=written.sha256[:16],
        size=written.size,
        right_digest=entry.digest[:16],
        right_size=entry.size,
    ).at(file=relative)
