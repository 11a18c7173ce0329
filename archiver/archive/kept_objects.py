"""Everything that is kept, read and compared with what the journal promised."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic, sleep

from archiver.archive.store.durable import Written, digest_file, translated
from archiver.archive.store.indexed_instance import IndexedInstance
from archiver.archive.store.journal_lines import START, JournalEntry, Position, read_lines
from archiver.archive.store.layout import Layout, relative_path
from archiver.archive.store.metadata_reader import Describe, describe_file
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
class RebuildFindings:
    damaged: list[Problem] = field(default_factory=list)
    misplaced: list[Problem] = field(default_factory=list)
    adopted: list[Problem] = field(default_factory=list)
    seen: set[str] = field(default_factory=set)
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
    with translated(Text("archive.index_rebuild.not_read"), layout.root):
        entries, end = whole_lines(layout, START, chain)
        promised = promises(entries)
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
    layout: Layout,
    findings: RebuildFindings,
    promised: dict[str, JournalEntry],
    chain: Sequence[Problem],
) -> RebuildReport:
    missing = tuple(
        Problem("archive.index_rebuild.object_missing").at(
            file=layout.place_of(entry.study, entry.series, entry.sop)
        )
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


def whole_lines(
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


def _files(folder: Path, within: set[tuple[int, int]]) -> Iterator[Path]:
    """Yield all that is no folder; a folder that is a link is gone into, but never into itself."""
    about = folder.stat()
    here = (about.st_dev, about.st_ino)
    if here in within:
        return
    for path in folder.iterdir():
        if path.is_dir():
            yield from _files(path, {*within, here})
        else:
            yield path


def read_objects(
    layout: Layout,
    promised: dict[str, JournalEntry],
    findings: RebuildFindings,
    describe: Describe,
    progress: Progress | None,
) -> Iterator[tuple[list[IndexedInstance], list[IndexedInstance]]]:
    """Go through the objects: those that the journal knows, those that it does not."""
    known: list[IndexedInstance] = []
    unknown: list[IndexedInstance] = []
    paths = sorted(_files(layout.objects, set()))
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
    findings: RebuildFindings,
    describe: Describe,
) -> IndexedInstance | None:
    """Check one file; None if it is not to be indexed."""
    relative = path.relative_to(layout.root).as_posix()
    entry = promised.get(path.stem)
    belongs = False
    if entry is not None:
        belongs = relative == layout.place_of(entry.study, entry.series, entry.sop)
    if belongs:
        findings.seen.add(path.stem)
    try:
        written = digest_file(path)
        if entry is not None and belongs and written.sha256 != entry.digest:
            findings.damaged.append(_changed(relative, written, entry))
            return None
        description = describe(path)
        uids = description.study_uid, description.series_uid, description.sop_instance_uid
        relative_path(*uids)
        right = layout.place_of(*uids)
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
