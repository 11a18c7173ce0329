"""The information model of Query/Retrieve and what the index knows of it (PS3.4 C.6)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement

from archiver.archive.store import tables as t
from archiver.network.query_level import Level

_I, _P = t.instances.c, t.patients.c


@dataclass(frozen=True)
class Attribute:
    """An attribute that the index keeps.

    Parameters
    ----------
    level
        To which it belongs.
    column
        Where it is kept; None for what is counted or gathered over the entity.
    gathered
        Name of what is counted or gathered, as the statement calls it.
    """

    level: Level
    column: ColumnElement[Any] | None
    gathered: str = ""


def _of(level: Level, **columns: ColumnElement[Any]) -> dict[str, Attribute]:
    return {keyword: Attribute(level, column) for keyword, column in columns.items()}


ATTRIBUTES: Mapping[str, Attribute] = {
    **_of(
        Level.PATIENT,
        PatientID=_P.patient_id,
        IssuerOfPatientID=_P.issuer,
        PatientName=_P.name,
        PatientBirthDate=_I.birth_date,
        PatientSex=_I.sex,
    ),
    "NumberOfPatientRelatedStudies": Attribute(Level.PATIENT, None, "studies"),
    "NumberOfPatientRelatedSeries": Attribute(Level.PATIENT, None, "series"),
    "NumberOfPatientRelatedInstances": Attribute(Level.PATIENT, None, "instances"),
    **_of(
        Level.STUDY,
        StudyInstanceUID=_I.study_uid,
        StudyDate=_I.study_date,
        StudyTime=_I.study_time,
        AccessionNumber=_I.accession,
        StudyID=_I.study_id,
        StudyDescription=_I.study_description,
        ReferringPhysicianName=_I.referring,
    ),
    "ModalitiesInStudy": Attribute(Level.STUDY, None, "modalities"),
    "SOPClassesInStudy": Attribute(Level.STUDY, None, "classes"),
    "NumberOfStudyRelatedSeries": Attribute(Level.STUDY, None, "series"),
    "NumberOfStudyRelatedInstances": Attribute(Level.STUDY, None, "instances"),
    **_of(
        Level.SERIES,
        SeriesInstanceUID=_I.series_uid,
        Modality=_I.modality,
        SeriesNumber=_I.series_number,
        SeriesDescription=_I.series_description,
    ),
    "NumberOfSeriesRelatedInstances": Attribute(Level.SERIES, None, "instances"),
    **_of(
        Level.IMAGE,
        SOPInstanceUID=_I.sop_instance_uid,
        SOPClassUID=_I.sop_class_uid,
        InstanceNumber=_I.instance_number,
        Rows=_I.rows,
        Columns=_I.columns,
        NumberOfFrames=_I.frames,
        BitsAllocated=_I.bits,
        AvailableTransferSyntaxUID=_I.transfer_syntax,
    ),
}

#: Unique and required keys (PS3.4 C.6.1.1, C.6.2.1).
REQUIRED = {
    "PatientID",
    "PatientName",
    "StudyInstanceUID",
    "StudyDate",
    "StudyTime",
    "AccessionNumber",
    "StudyID",
    "SeriesInstanceUID",
    "Modality",
    "SeriesNumber",
    "SOPInstanceUID",
    "InstanceNumber",
}
#: Those of which a stored attribute without a value is unknown, and answers everything (C.2.2.1.2).
#: A unique key always has a value (C.2.2.1.1). Who the patient is is not among them either: a
#: record without identifier or name must not be given out as somebody's.
UNKNOWN_ANSWERS = REQUIRED - {
    *("PatientID", "PatientName"),
    *("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID"),
}

#: Further attributes of an entity, read from the header of its first object. Of an instance any
#: attribute can be asked for.
IN_HEADERS: Mapping[Level, frozenset[str]] = {
    Level.PATIENT: frozenset({"OtherPatientIDsSequence", "PatientComments", "EthnicGroup"}),
    Level.STUDY: frozenset(
        {"PatientAge", "AdditionalPatientHistory", "NameOfPhysiciansReadingStudy", "Occupation"}
    ),
    Level.SERIES: frozenset(
        {
            "BodyPartExamined",
            "Laterality",
            "Manufacturer",
            "ManufacturerModelName",
            "OperatorsName",
            "PerformedProcedureStepStartDate",
            "PerformedProcedureStepStartTime",
            "ProtocolName",
            "RequestAttributesSequence",
            "SeriesDate",
            "SeriesTime",
        }
    ),
    Level.IMAGE: frozenset(),
}

#: Not keys: they say how to read the others, or come only in answers.
NOT_KEYS = {
    "SpecificCharacterSet",
    "QueryRetrieveLevel",
    "TimezoneOffsetFromUTC",
    "RetrieveAETitle",
    "InstanceAvailability",
    "RetrieveURL",
}
