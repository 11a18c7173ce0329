"""Everything that is kept, read and compared with what the journal promised."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from time import monotonic, sleep

from archiver.archive.object_reader import ObjectRead, read_in_order
from archiver.archive.store.durable import Written, translated
from archiver.archive.store.indexed_instance import IndexedInstance
from archiver.archive.store.journal_lines import (
    DELETED,
    START,
    JournalEntry,
    Position,
    read_lines,
)
from archiver.archive.store.layout import Layout, relative_path
from archiver.archive.store.metadata_reader import Describe, describe_file
from archiver.archive.store.promised import Promised
from archiver.archive.store.recovery import promises
from archiver.errors import ObjectError, Place, Problem
from archiver.wording import Text

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
    returned
        Objects that were deleted, of which a file lies there again; not indexed.
    """

    objects: int
    indexed: int
    chain: tuple[Problem, ...] = ()
    damaged: tuple[Problem, ...] = ()
    missing: tuple[Problem, ...] = ()
    adopted: tuple[Problem, ...] = ()
    misplaced: tuple[Problem, ...] = ()
    returned: tuple[Problem, ...] = ()

    @property
    def is_sound(self) -> bool:
        """True if nothing that was promised is lost, changed or in doubt."""
        return not (self.chain or self.damaged or self.missing or self.misplaced or self.returned)

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Everything found, the worst first."""
        found = self.missing + self.damaged + self.chain + self.misplaced
        return found + self.returned + self.adopted


@dataclass
class RebuildFindings:
    damaged: list[Problem] = field(default_factory=list)
    misplaced: list[Problem] = field(default_factory=list)
    returned: list[Problem] = field(default_factory=list)
    adopted: list[Problem] = field(default_factory=list)
    objects: int = 0
    indexed: int = 0


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
    with translated(Text("archive.index_rebuild.not_read"), layout.root), Promised() as promised:
        end = take_lines(layout, promised, chain)
        findings = RebuildFindings()
        waiting: dict[str, IndexedInstance] = {}
        for kept, unknown in read_objects(layout, promised, findings, describe, progress):
            findings.indexed += len(kept) + len(unknown)
            waiting |= {k.description.sop_instance_uid: k for k in unknown}
        until = monotonic() + _LINE_COMES
        while True:
            for uid in promises(whole_lines(layout, end, [])[0]):
                waiting.pop(uid, None)
            if not waiting or monotonic() > until:
                break
            sleep(0.1)
        findings.adopted = [
            Problem("archive.index_rebuild.unknown").at(file=k.path) for k in waiting.values()
        ]
        return report_of(layout, findings, promised, chain)


def report_of(
    layout: Layout, findings: RebuildFindings, promised: Promised, chain: Sequence[Problem]
) -> RebuildReport:
    missing = tuple(
        Problem("archive.index_rebuild.object_missing").at(
            file=layout.place_of(entry.study, entry.series, entry.sop)
        )
        for entry in promised.unseen()
    )
    return RebuildReport(
        findings.objects,
        findings.indexed,
        chain=tuple(chain),
        damaged=tuple(findings.damaged),
        missing=missing,
        adopted=tuple(findings.adopted),
        misplaced=tuple(findings.misplaced),
        returned=tuple(findings.returned),
    )


def take_lines(
    layout: Layout,
    promised: Promised,
    faults: list[Problem],
    each: Callable[[JournalEntry], None] = lambda entry: None,
) -> Position:
    """Take what the whole journal promises, and return where its whole lines end.

    Parameters
    ----------
    each
        Told of every line, in their order.
    """
    end = START

    def entries() -> Iterator[JournalEntry]:
        nonlocal end
        for entry, end in _lines(layout, START, faults):  # noqa: B007
            if entry is not None:
                each(entry)
                yield entry

    promised.take(entries())
    return end


def whole_lines(
    layout: Layout, start: Position, faults: list[Problem]
) -> tuple[list[JournalEntry], Position]:
    """Return the lines from a position on, and where they end; a last one may be on its way."""
    entries, end = [], start
    for entry, end in _lines(layout, start, faults):  # noqa: B007
        if entry is not None:
            entries.append(entry)
    return entries, end


def _lines(
    layout: Layout, start: Position, faults: list[Problem]
) -> Iterator[tuple[JournalEntry | None, Position]]:
    for line in read_lines(layout.journal, start) if layout.journal.exists() else ():
        if line.torn:
            return
        if line.problem:
            faults.append(line.problem)
        yield line.entry, line.after


def _files(folder: Path, within: set[tuple[int, int]]) -> Iterator[Path]:
    """Yield all that is no folder, in its order; a link to a folder is followed, never into itself.

    Of one folder at a time there is more in memory than its own files' names.
    """
    about = folder.stat()
    here = (about.st_dev, about.st_ino)
    if here in within:
        return
    for path in sorted(folder.iterdir()):
        if path.is_dir():
            yield from _files(path, {*within, here})
        else:
            yield path


def read_objects(
    layout: Layout,
    promised: Promised,
    findings: RebuildFindings,
    describe: Describe,
    progress: Progress | None,
) -> Iterator[tuple[list[IndexedInstance], list[IndexedInstance]]]:
    """Go through the objects: those that the journal knows, those that it does not."""
    total = len(promised)
    paths = _files(layout.objects, set())
    looked = read_in_order(paths, describe, total)
    while some := list(islice(_reported(looked, findings, total, progress), _AT_ONCE)):
        entries = promised.some([one.path.stem for one in some])
        seen: list[str] = []
        known: list[IndexedInstance] = []
        unknown: list[IndexedInstance] = []
        for one in some:
            entry = entries.get(one.path.stem)
            kept = _look_at(layout, one, entry, (findings, seen))
            if kept is not None:
                (known if kept.journal_seq else unknown).append(kept)
        promised.see(seen)
        yield known, unknown


def _reported(
    looked: Iterable[ObjectRead],
    findings: RebuildFindings,
    total: int,
    progress: Progress | None,
) -> Iterator[ObjectRead]:
    for one in looked:
        if progress is not None:
            progress(findings.objects, max(total, findings.objects + 1))
        findings.objects += 1
        yield one


def _look_at(
    layout: Layout,
    one: ObjectRead,
    entry: JournalEntry | None,
    told: tuple[RebuildFindings, list[str]],
) -> IndexedInstance | None:
    """Check one file; None if it is not to be indexed.

    Parameters
    ----------
    told
        What is found, and the instances whose objects are in their places.
    """
    findings, seen = told
    relative = one.path.relative_to(layout.root).as_posix()
    belongs = False
    if entry is not None and entry.action == DELETED:
        findings.returned.append(
            Problem("archive.index_rebuild.deleted", day=entry.time[:10]).at(file=relative)
        )
        return None
    if entry is not None:
        belongs = relative == layout.place_of(entry.study, entry.series, entry.sop)
    if entry is not None and belongs:
        seen.append(entry.sop)
        if one.written is not None and one.written.sha256 != entry.digest:
            findings.damaged.append(_changed(relative, one.written, entry))
            return None
    written, description = one.written, one.description
    if written is None or description is None:
        assert one.problem is not None
        findings.damaged.append(one.problem.with_places(Place(file=relative)))
        return None
    uids = description.study_uid, description.series_uid, description.sop_instance_uid
    try:
        relative_path(*uids)
    except ObjectError as error:
        findings.damaged.append(error.problems[0].with_places(Place(file=relative)))
        return None
    right = layout.place_of(*uids)
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
