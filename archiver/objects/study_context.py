"""Patient and visit taken from an object that exists, so that photographs stand beside it."""

from __future__ import annotations

from datetime import date, datetime, time
from pathlib import Path

from pydicom import Dataset

from archiver.errors import ObjectError, Problem
from archiver.objects.dataset_reader import open_dataset
from archiver.objects.description import describe, text
from archiver.objects.session import Patient, Visit


def _day(value: str) -> date | None:
    try:
        return datetime.strptime(value[:8], "%Y%m%d").date()
    except ValueError:
        return None


def _clock(value: str) -> time | None:
    try:
        return datetime.strptime(value.partition(".")[0].ljust(6, "0")[:6], "%H%M%S").time()
    except ValueError:
        return None


def context_of(dataset: Dataset) -> tuple[Patient, Visit]:
    """Return the patient and the visit of an object.

    Raises
    ------
    ObjectError
        If it names no patient, study or study date.
    """
    d = describe(dataset)
    day = _day(d.study_date)
    missing = [
        name
        for name, there in (
            ("Patient ID (0010,0020)", d.patient_id),
            ("Study Instance UID (0020,000D)", d.study_uid),
            ("Study Date (0008,0020)", day),
        )
        if not there
    ]
    if missing or day is None:
        raise ObjectError(Problem("objects.study_context.lacks", missing=tuple(missing)))
    patient = Patient(
        d.patient_id,
        d.patient_name,
        d.issuer,
        _day(d.birth_date),
        d.sex if d.sex in ("M", "F", "O") else "",
    )
    visit = Visit(
        day,
        _clock(d.study_time) if d.study_time else None,
        d.accession,
        d.study_description,
        study_uid=d.study_uid,
        study_id=text(dataset, "StudyID"),
        referring_physician=text(dataset, "ReferringPhysicianName"),
    )
    return patient, visit


def read_context(path: Path) -> tuple[Patient, Visit]:
    """Return the patient and the visit of a DICOM file.

    Raises
    ------
    ObjectError
        If the file is no DICOM file or lacks what is needed.
    """
    dataset = open_dataset(path)
    try:
        return context_of(dataset)
    except ObjectError as error:
        raise ObjectError(*(p.at(str(path)) for p in error.problems)) from None
