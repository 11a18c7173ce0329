"""Any DICOM object brought in from files, byte for byte."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.archive.ingest.media_directory import MediaDirectory
from archiver.archive.ingest.part10_check import NO_OBJECT, read_whole
from archiver.archive.ingest.patient_check import note_checked
from archiver.archive.ingest.service import Ingest
from archiver.archive.statements.patient_reassignment import NewPatient, registered_patient
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Incoming, OnDoubt, Outcome
from archiver.archive.store.known_people import person_of
from archiver.archive.store.layout import relative_path
from archiver.errors import ObjectError, Problem
from archiver.objects import (
    Patient,
    SamePerson,
    describe,
    open_dataset,
    part10,
    reconcile,
    reconciled_at,
)
from archiver.standard import storage_classes
from archiver.wording import Text

if TYPE_CHECKING:
    from pydicom import Dataset

    from archiver.archive.ingest.part10_check import FileMeta
    from archiver.objects import Description

#: Files put together, and their bytes; a batch ends with whichever comes first.
_BATCH_FILES = 32
_BATCH_BYTES = 128 << 20
_CHUNK = 1 << 20


#: How reports for people and programs name what became of a file.
FILE_NAMES: dict[Outcome | None, str] = {
    Outcome.NEW: "added",
    Outcome.SAME: "duplicate",
    Outcome.CONFLICT: "refused",
    Outcome.REFUSED: "refused",
    Outcome.QUARANTINED: "quarantined",
    None: "skipped",
}


@dataclass(frozen=True)
class FileResult:
    """What became of one file that was seen.

    Parameters
    ----------
    path
        The file as it was found.
    outcome
        What became of it; None where it is nothing to be kept, as a DICOMDIR.
    sop_instance_uid
        Empty where the file has none.
    problem
        Why it was refused or skipped, else None.
    """

    path: Path
    outcome: Outcome | None
    sop_instance_uid: str = ""
    problem: Problem | None = None


@dataclass(frozen=True)
class AddReport:
    """What became of all files; the counts add up to the files seen.

    Parameters
    ----------
    results
        For each file seen, and for each that a DICOMDIR lists and nobody found.
    notes
        Where a DICOMDIR says otherwise than the files that were taken.
    """

    results: tuple[FileResult, ...]
    notes: tuple[Problem, ...] = ()

    def count(self, outcome: Outcome | None) -> int:
        """Return how many files had this outcome."""
        return sum(result.outcome is outcome for result in self.results)

    @property
    def refused(self) -> int:
        """Return how many files were not taken though they should have been."""
        return self.count(Outcome.CONFLICT) + self.count(Outcome.REFUSED)

    @property
    def quarantined(self) -> int:
        """Return how many files lie aside until somebody has decided whose they are."""
        return self.count(Outcome.QUARANTINED)

    def by_name(self) -> dict[str, int]:
        """Return how many files there are under each of `FILE_NAMES`."""
        names = Counter(FILE_NAMES[result.outcome] for result in self.results)
        return {name: names[name] for name in dict.fromkeys(FILE_NAMES.values())}

    @property
    def seen(self) -> int:
        """Return how many files were seen."""
        return len(self.results)

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Return why files were refused."""
        return tuple(r.problem for r in self.results if r.problem and r.outcome is not None)


class FileParts:
    """The content of a file in pieces, read anew each time it is gone through.

    Parameters
    ----------
    path
        The file.
    size
        Its bytes when it was looked at; a file that has changed since is refused.
    """

    def __init__(self, path: Path, size: int) -> None:
        self._path = path
        self._size = size

    def __iter__(self) -> Iterator[bytes]:
        count = 0
        with self._path.open("rb") as file:
            while chunk := file.read(_CHUNK):
                count += len(chunk)
                yield chunk
        if count != self._size:
            raise ObjectError(Problem("archive.foreign_files.changed").at(file=str(self._path)))


def add_files(
    archive: Archive,
    paths: Iterable[Path],
    *,
    same_person: tuple[SamePerson, datetime] | None = None,
    as_patient: NewPatient | None = None,
    more_classes: Collection[str] = (),
    progress: Callable[[int, int], None] | None = None,
) -> AddReport:
    """Keep every DICOM object among files and folders.

    Objects are recognised by content, not by name, and kept exactly as they are. Those whose
    identifier or study is known of somebody else lie in quarantine until a person has looked.

    Parameters
    ----------
    archive
        Open for writing.
    paths
        Files, and folders that are gone through with everything below them.
    same_person
        Who has looked and says that those whose identifier is known otherwise are the same
        person, why, and when.
    as_patient
        Whose objects these are in the clinic, whatever they say: they get that identity, and what
        they came with stays in them. Somebody must have looked, as `same_person` says.
    more_classes
        SOP classes that are taken beside those of the standard.
    progress
        Told before each file how many of how many were looked at.

    Returns
    -------
    AddReport
        A result for each file seen, in the order in which they were seen.

    Raises
    ------
    ArchiveError
        If the archive refuses; files before the batch in hand are kept.
    ObjectError
        If the archive does not know the patient of that identifier, or several; nothing is kept.
    """
    patient = None
    if as_patient is not None:
        patient = registered_patient(archive, as_patient, may_be_new=False)[0]
    adding = _Adding(archive, more_classes, same_person, patient)
    files = list(_files(paths))
    # What a directory lists and nobody named comes behind the rest.
    for path in _growing(files, adding.directories):
        if progress is not None:
            progress(len(adding.results), len(files))
        adding.add(path)
    return adding.report()


def _growing(files: list[Path], directories: Sequence[MediaDirectory]) -> Iterator[Path]:
    """Yield files, then those that directories among them list, which are added to the files."""
    yield from list(files)
    known = {path.absolute() for path in files}
    for directory in directories:
        for place in directory.places.values():
            if place is not None and place.absolute() not in known:
                known.add(place.absolute())
                files.append(place)
                yield place


class _Adding:
    """Files on their way into the archive, a batch at a time."""

    def __init__(
        self,
        archive: Archive,
        more_classes: Collection[str],
        same_person: tuple[SamePerson, datetime] | None,
        patient: Patient | None,
    ) -> None:
        self.results: list[FileResult] = []
        self.directories: list[MediaDirectory] = []
        self._archive = archive
        self._more_classes = more_classes
        self._same_person = same_person
        self._patient = patient
        self._origin = ""
        if patient is not None and same_person is not None:
            self._origin = f"identity checked by {same_person[0].checked_by}"
        self._batch: list[tuple[int, Incoming]] = []
        self._waiting = 0

    def add(self, path: Path) -> None:
        """Look at a file, and put the batch that it fills."""
        looked = _look_at(path, self._more_classes)
        if isinstance(looked, MediaDirectory):
            self.directories.append(looked)
            note = Problem("archive.foreign_files.dicomdir").at(file=str(path))
            looked = FileResult(path, None, problem=note)
        if isinstance(looked, FileResult):
            self.results.append(looked)
            return
        try:
            description, parts = self._as_here(path, *looked)
        except ObjectError as error:
            problem = error.problems[0].at(file=str(path))
            self.results.append(FileResult(path, Outcome.REFUSED, problem=problem))
            return
        self.results.append(FileResult(path, Outcome.REFUSED, description.sop_instance_uid))
        if self._same_person is not None:
            who = (description.patient_id, description.issuer), person_of(description)
            note_checked(self._archive, who, *self._same_person)
        incoming = Incoming(
            description,
            parts,
            source_name=str(path),
            on_doubt=OnDoubt.QUARANTINE,
            origin=self._origin,
        )
        self._batch.append((len(self.results) - 1, incoming))
        self._waiting += looked[1]
        # Who has looked says it of each file, after those before it are kept.
        full = len(self._batch) >= _BATCH_FILES or self._waiting >= _BATCH_BYTES
        if self._same_person or full:
            self._put()

    def _as_here(
        self, path: Path, came: Description, size: int
    ) -> tuple[Description, Iterable[bytes]]:
        """Return what an object says and its file, under the identity that was said for it."""
        here = self._patient
        if here is None or (came.patient_id, came.issuer) == (here.id, here.issuer):
            return came, FileParts(path, size)
        assert self._same_person is not None, "somebody has looked"
        ds = open_dataset(path, pixels=True, decoded=True)
        kept = self._archive.path_of(came.sop_instance_uid)
        # What comes again is the same object, whenever that was.
        before = reconciled_at(open_dataset(kept)) if kept is not None else None
        reconcile(ds, here, before or self._same_person[1])
        return describe(ds, str(path)), [part10.written(ds)]

    def report(self) -> AddReport:
        """Put what waits, and return what became of everything."""
        self._put()
        self.results = [self._of_medium(one) for one in self.results]
        found = [(one.path, one.sop_instance_uid) for one in self.results if one.sop_instance_uid]
        notes = tuple(note for one in self.directories for note in one.differences(found))
        for directory in self.directories:
            for path, uid in directory.missing:
                lost = Problem("archive.media_directory.missing", directory=directory.path)
                lost = lost.at(file=str(path))
                self.results.append(FileResult(path, Outcome.REFUSED, uid, lost))
        return AddReport(tuple(self.results), notes)

    def _of_medium(self, one: FileResult) -> FileResult:
        """Skip what a medium has beside its objects, pages and checksums, without refusing it."""
        if one.problem is None or one.problem.code != NO_OBJECT:
            return one
        around = [d for d in self.directories if d.path.parent in one.path.parents]
        listed = any(one.path in directory.places.values() for directory in around)
        return replace(one, outcome=None) if around and not listed else one

    def _put(self) -> None:
        _put(self._archive, self._batch, self.results)
        self._batch, self._waiting = [], 0


def _files(paths: Iterable[Path]) -> Iterator[Path]:
    for path in paths:
        if path.is_dir():
            for folder, below, names in os.walk(path):
                below.sort()
                yield from (Path(folder, name) for name in sorted(names))
        else:
            yield path


def examine_object(path: Path, more_classes: Collection[str] = ()) -> Description | None:
    """Return what a DICOM file says, if it would be taken; None for a directory of a medium.

    Raises
    ------
    ObjectError
        If it would be refused, or cannot be read.
    """
    meta, header = read_whole(path)
    if meta.is_directory_record:
        return None
    return _taken(header, meta, str(path), more_classes)


def _taken(
    header: Dataset, meta: FileMeta, name: str, more_classes: Collection[str]
) -> Description:
    description = describe(header, name)
    relative_path(description.study_uid, description.series_uid, description.sop_instance_uid)
    if meta.sop_instance_uid != description.sop_instance_uid:
        named = meta.sop_instance_uid or Text("archive.foreign_files.nothing")
        raise ObjectError(
            Problem(
                "archive.foreign_files.other_instance_named",
                sop_instance_uid=description.sop_instance_uid,
                named=named,
            )
        )
    if description.sop_class_uid not in (*storage_classes(), *more_classes):
        raise ObjectError(
            Problem("archive.foreign_files.other_class", uid=description.sop_class_uid)
        )
    return description


def _look_at(
    path: Path, more_classes: Collection[str]
) -> FileResult | MediaDirectory | tuple[Description, int]:
    """Return what the object says and its size, or why it is not taken."""
    try:
        if not path.exists():
            raise ObjectError(Problem("archive.foreign_files.no_such_file").at(file=str(path)))
        meta, header = read_whole(path)
        if meta.is_directory_record:
            return MediaDirectory.of(path, header)
        description = _taken(header, meta, str(path), more_classes)
        return description, path.stat().st_size
    except ObjectError as error:
        problem = error.problems[0]
        if problem.place.file != str(path):
            problem = problem.at(file=path)
        return FileResult(path, Outcome.REFUSED, problem=problem)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        return FileResult(
            path,
            Outcome.REFUSED,
            problem=Problem("archive.foreign_files.unreadable", reason=reason).at(file=str(path)),
        )


def _put(archive: Archive, batch: list[tuple[int, Incoming]], results: list[FileResult]) -> None:
    """Put a batch; if a file of it fails when it is read again, put the files one by one."""
    if not batch:
        return
    try:
        stored = Ingest.of(archive).accept([incoming for _, incoming in batch])
    except ObjectError as error:
        if len(batch) > 1:
            for one in batch:
                _put(archive, [one], results)
            return
        place = batch[0][0]
        old = results[place]
        results[place] = FileResult(
            old.path, Outcome.REFUSED, old.sop_instance_uid, error.problems[0]
        )
        return
    for (place, _), kept in zip(batch, stored, strict=True):
        results[place] = FileResult(
            results[place].path, kept.outcome, kept.sop_instance_uid, kept.problem
        )
