"""Patient and visit taken from an object that exists, so that photographs stand beside it."""

from __future__ import annotations

import copy
import warnings
from datetime import date, datetime, time
from pathlib import Path

from pydicom import DataElement, Dataset
from pydicom.config import IGNORE, RAISE
from pydicom.multival import MultiValue
from pydicom.uid import UID
from pydicom.valuerep import STR_VR, PersonName, validate_value

from archiver.errors import ObjectError, Problem
from archiver.objects.attribute_values import text
from archiver.objects.dataset_reader import open_dataset
from archiver.objects.description import describe
from archiver.objects.session import Patient, Visit

#: Patient, Clinical Trial Subject and Study, and visit (PS3.3 C.7.1, C.7.2) have these groups.
_GROUPS = {0x0010, 0x0012, 0x0038}
#: What General Study and Patient Study have in other groups (PS3.3 C.7.2.1, C.7.2.2).
_OF_STUDY = {
    *("StudyTime", "StudyID", "StudyDescription", "ReferencedStudySequence"),
    *("AccessionNumber", "IssuerOfAccessionNumberSequence", "ProcedureCodeSequence"),
    *("ReferringPhysicianName", "ReferringPhysicianIdentificationSequence"),
    *("ConsultingPhysicianName", "ConsultingPhysicianIdentificationSequence"),
    *("PhysiciansOfRecord", "PhysiciansOfRecordIdentificationSequence"),
    *("NameOfPhysiciansReadingStudy", "PhysiciansReadingStudyIdentificationSequence"),
    *("RequestingService", "RequestingServiceCodeSequence"),
    *("ReasonForPerformedProcedureCodeSequence", "ReasonForVisit", "ReasonForVisitCodeSequence"),
    *("AdmittingDiagnosesDescription", "AdmittingDiagnosesCodeSequence"),
    *("ReferencedPatientSequence",),
}
#: Who the patient is says `Patient`.
_OWN = {"PatientName", "PatientID", "IssuerOfPatientID", "PatientBirthDate", "PatientSex"}


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


def _beside(dataset: Dataset) -> Dataset:
    """Return what an object says of patient and study that our own modules do not set.

    A value that cannot be written is left out: a photograph must not be refused for it.
    """
    found = Dataset()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for element in dataset:
            of_either = element.tag.group in _GROUPS or element.keyword in _OF_STUDY
            if not of_either or element.keyword in _OWN or element.is_empty:
                continue
            if element.VR == "SQ" or _is_sound(element):
                found.add(_in_unicode(element))
    return found


def _is_sound(element: DataElement) -> bool:
    values = element.value if isinstance(element.value, MultiValue | list) else [element.value]
    try:
        for value in values:
            given = str(value) if element.VR in STR_VR else value
            validate_value(element.VR, given, RAISE)
    except ValueError:
        return False
    return True


def _in_unicode(element: DataElement) -> DataElement:
    """Return a copy that is written in the character set of its new dataset."""
    if element.VR == "PN":
        return DataElement(element.tag, "PN", PersonName(str(element.value)))
    return copy.deepcopy(element)


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
            # One that ends early is that of a file cut short, and of no study.
            ("Study Instance UID (0020,000D)", UID(d.study_uid, IGNORE).is_valid),
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
        beside=_beside(dataset),
        series_number=d.series_number,
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
