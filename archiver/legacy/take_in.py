"""What a dry run accepted, archived: visit by visit, through the archive's one way in.

A run that was killed is taken up where it stopped: what is archived is known by its digest, and
nothing is archived twice. The folder is only read.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path

from archiver import __version__
from archiver.archive.ingest import (
    FileResult,
    IngestSettings,
    UntoldTaken,
    WrappedPhotograph,
    add_files,
    kept_as,
    take_in_untold,
    wrap,
)
from archiver.archive.statements import KeptDoubt, keep_doubts, kept_doubts
from archiver.archive.store import Archive, Outcome
from archiver.dentition import Turn
from archiver.errors import InputError, PhotoError, Problem
from archiver.legacy.import_memory import ImportMemory, ImportRow
from archiver.legacy.reasons import KEPT_COPIES, ImportReason
from archiver.objects import (
    Circumstances,
    CopyOf,
    Photograph,
    Session,
    UntoldPhotograph,
    Visit,
    is_answered,
)
from archiver.photo import PictureDoubt, file_doubts, read_camera_file
from archiver.workers import in_order

#: Objects handed over together.
_OBJECTS = 64
#: Pictures of one visit worked on by one thread; a longer one is taken in several parts.
_PART = 64

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Imported:
    """What became of the files that the dry run accepted.

    Parameters
    ----------
    counts
        By outcome.
    """

    counts: Counter[Outcome]

    @property
    def new(self) -> int:
        """Files that were archived now."""
        return self.counts[Outcome.NEW]

    @property
    def same(self) -> int:
        """Files that were archived before."""
        return self.counts[Outcome.SAME]

    @property
    def refused(self) -> int:
        """Files that the archive did not take, or put aside."""
        return self.counts.total() - self.new - self.same


@dataclass(frozen=True)
class _Taken:
    key: int
    outcome: Outcome
    uid: str = ""
    problem: Problem | None = None
    doubts: tuple[tuple[PictureDoubt, bool], ...] = ()
    displayed: str = ""


def import_accepted(
    archive: Archive,
    root: Path,
    memory: ImportMemory,
    settings: IngestSettings,
    *,
    workers: int = 1,
    progress: Progress | None = None,
) -> Imported:
    """Archive what a dry run accepted, and copies beside their best originals.

    Parameters
    ----------
    archive
        Open for writing.
    root
        The folder that was looked at.
    workers
        Visits worked on at once, and pictures of each.
    progress
        Told how many files are done, of how many.

    Raises
    ------
    ArchiveError
        If the archive cannot be written; what was told before is kept.
    """
    counts: Counter[Outcome] = Counter()
    taking = _Taking(archive, root, replace(settings, workers=workers))
    (total,) = next(memory.keys(f"select count(*) from file where reason in ({_list(_ALL)})"))

    def note(several: Sequence[_Taken]) -> None:
        counts.update(one.outcome for one in several)
        # Before the pictures are noted: a run that goes on weighs those that are not.
        taking.keep_doubts(several)
        memory.note_kept((one.key, one.uid) for one in several if one.uid)
        for one in several:
            if one.problem is not None:
                memory.decide_again(one.key, ImportReason.ARCHIVE_REFUSED, one.problem)
        if progress is not None:
            progress(counts.total(), total)

    # Originals before their copies, which point at them.
    for reasons in (_ORIGINALS, KEPT_COPIES):
        parts = _parts(memory, reasons)
        for _, several in in_order(taking.part, parts, workers, "visit"):
            note(several)
    for rows in _batches(memory.rows(f"reason in ({_list((ImportReason.OBJECT,))})"), _OBJECTS):
        note(taking.objects(rows))
    memory.commit()
    return Imported(counts)


_ORIGINALS = (ImportReason.WHOLE, ImportReason.SIDE_UNKNOWN, ImportReason.VIEW_UNKNOWN)
_ALL = (*_ORIGINALS, *KEPT_COPIES, ImportReason.OBJECT)


def _list(reasons: Sequence[ImportReason]) -> str:
    return ", ".join(f"'{one.value}'" for one in reasons)


@dataclass(frozen=True)
class _Part:
    """Pictures of one visit, with the instance of which each is a copy, where it is one."""

    rows: tuple[tuple[ImportRow, str], ...]


def _parts(memory: ImportMemory, reasons: Sequence[ImportReason]) -> Iterator[_Part]:
    where = f"reason in ({_list(reasons)})"
    question = f"select visit, key from file where {where} order by visit, key"
    for _, several in groupby(memory.keys(question), key=lambda one: one[0]):
        keys = [key for _, key in several]
        for start in range(0, len(keys), _PART):
            rows = [memory.row(key) for key in keys[start : start + _PART]]
            yield _Part(tuple((one, memory.row(one.best).uid if one.best else "") for one in rows))


def _batches(rows: Iterator[ImportRow], size: int) -> Iterator[list[ImportRow]]:
    batch: list[ImportRow] = []
    for row in rows:
        batch.append(row)
        if len(batch) == size:
            yield batch
            batch = []
    if batch:
        yield batch


class _Taking:
    """Takes pictures into an archive; for any thread."""

    def __init__(self, archive: Archive, root: Path, settings: IngestSettings) -> None:
        self._archive, self._root = archive, root
        self._settings = settings
        self._doubts_before = {
            uid: frozenset(doubt.kind for doubt in doubts)
            for uid, doubts in kept_doubts(archive.layout.root).items()
        }

    def part(self, part: _Part) -> list[_Taken]:
        """Archive pictures of one visit."""
        rows = [row for row, _ in part.rows]
        held = self._archive.held([row.uid for row in rows if row.uid])
        done = [_Taken(row.key, Outcome.SAME, row.uid) for row in rows if row.uid in held]
        left = [(row, best) for row, best in part.rows if row.uid not in held]
        if not left:
            return done
        decision = left[0][0].decision
        assert decision is not None and decision.patient is not None and decision.day is not None
        session = Session(decision.patient, Visit(decision.day), ())
        told = [row for row, best in left if _is_told(row)]
        try:
            done += self._known(session, told, done)
            done += self._untold(session, [one for one in left if not _is_told(one[0])])
        except InputError as error:
            # Whom the archive knows otherwise, nobody becomes by an import.
            seen = {one.key for one in done}
            done += [
                _Taken(row.key, Outcome.REFUSED, problem=error.problems[0])
                for row, _ in left
                if row.key not in seen
            ]
        return done

    def _known(self, session: Session, rows: list[ImportRow], done: list[_Taken]) -> list[_Taken]:
        """Archive pictures of which view and side are told, as a sheet would say them."""
        taken: list[_Taken] = []
        fresh: list[ImportRow] = []
        for row in rows:
            try:
                uid = kept_as(self._archive, session, row.seen.sha256)
            except PhotoError as error:
                taken.append(_Taken(row.key, Outcome.REFUSED, problem=error.problems[0]))
                continue
            if uid:
                doubts = tuple((doubt, False) for doubt in self._doubts(row))
                taken.append(_Taken(row.key, Outcome.SAME, uid, doubts=doubts))
            else:
                fresh.append(row)
        if not fresh:
            return taken
        entries = [self._photograph(row) for row in fresh]
        wrapped = wrap(self._archive, replace(session, photographs=tuple(entries)), self._settings)
        taken += [
            _of_wrapped(row, one) for row, one in zip(fresh, wrapped.photographs, strict=True)
        ]
        return taken

    def _doubts(self, row: ImportRow) -> tuple[PictureDoubt, ...]:
        try:
            return file_doubts(read_camera_file(self._root / row.path))
        except PhotoError:
            return ()

    def _photograph(self, row: ImportRow) -> Photograph:
        assert row.decision is not None
        shown = row.decision.shown
        assert shown.view is not None and shown.mirror is not None
        flipped = shown.flipped if shown.flipped is not Turn.IDENTITY else None
        return Photograph(
            self._root / row.path,
            shown.view,
            shown.mirror,
            shown.teeth,
            circumstances=Circumstances(stage=shown.state),
            flipped=flipped,
        )

    def _untold(self, session: Session, left: Sequence[tuple[ImportRow, str]]) -> list[_Taken]:
        if not left:
            return []
        entries = [self._untold_photograph(row, best) for row, best in left]
        origin = f"import {__version__}"
        by = {row.decision.mended_by for row, _ in left if row.decision is not None} - {""}
        if by:
            origin += f", mended by {', '.join(sorted(by))}"
        stream = take_in_untold(session, entries, self._archive, self._settings, origin)
        return [_of_untold(row, one) for (row, _), one in zip(left, stream, strict=True)]

    def _untold_photograph(self, row: ImportRow, best: str) -> UntoldPhotograph:
        assert row.decision is not None
        shown, reason = row.decision.shown, row.decision.reason
        copy = CopyOf(best, str(reason.text)) if best and reason in KEPT_COPIES else None
        return UntoldPhotograph(self._root / row.path, shown.view, shown.teeth, shown.state, copy)

    def objects(self, rows: Sequence[ImportRow]) -> list[_Taken]:
        """Archive DICOM objects, byte for byte."""
        report = add_files(self._archive, [self._root / row.path for row in rows])
        of_path: dict[Path, FileResult] = {one.path: one for one in report.results}
        return [_of_object(row, of_path[self._root / row.path]) for row in rows]

    def keep_doubts(self, several: Sequence[_Taken]) -> None:
        """Keep what the files themselves said against their sides."""
        found = [
            KeptDoubt(uid, doubt.kind, doubt.text, doubt.turn, is_answered=answered)
            for one in several
            if (uid := one.displayed or one.uid)
            for doubt, answered in one.doubts
            if doubt.kind not in self._doubts_before.get(uid, ())
        ]
        if found:
            now, root = self._settings.now(), self._archive.layout.root
            keep_doubts(root, found, time=now, by=f"import {__version__}")


def _is_told(row: ImportRow) -> bool:
    """Whether view and side are told; a copy is kept as it is, whatever is said of it."""
    return row.decision is not None and row.decision.reason is ImportReason.WHOLE


def _of_wrapped(row: ImportRow, one: WrappedPhotograph) -> _Taken:
    doubts = tuple((doubt, is_answered(doubt, one.photograph)) for doubt in one.doubts)
    uid = one.instances[0].sop_instance_uid if one.instances else ""
    problem = one.problems[0] if one.status is Outcome.REFUSED and one.problems else None
    shown = one.instances[-1].sop_instance_uid if one.instances else ""
    return _Taken(row.key, one.status, uid, problem, doubts, shown)


def _of_untold(row: ImportRow, one: UntoldTaken) -> _Taken:
    doubts = tuple((doubt, False) for doubt in one.doubts)
    problem = one.problems[0] if one.problems else None
    return _Taken(row.key, one.status, one.sop_instance_uid, problem, doubts)


def _of_object(row: ImportRow, one: FileResult) -> _Taken:
    outcome = one.outcome or Outcome.REFUSED
    if outcome in (Outcome.NEW, Outcome.SAME):
        return _Taken(row.key, outcome, one.sop_instance_uid)
    problem = one.problem.with_places() if one.problem is not None else None
    return _Taken(row.key, outcome, problem=problem)
