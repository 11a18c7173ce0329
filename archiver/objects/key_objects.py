"""Key Object Selection Documents: notes that select or reject instances (PS3.3 A.35.4).

A note stands in the study of the instances that it names, under their patient. One that rejects
says why in the code of its title, and hides them from whoever heeds it; it deletes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from pydicom import Dataset
from pydicom.sequence import Sequence
from pydicom.uid import UID

from archiver import __version__
from archiver.dentition import Code
from archiver.objects import concepts
from archiver.objects.attribute_values import text
from archiver.objects.clock import zone_of
from archiver.objects.modules import code_item, code_sequence
from archiver.objects.uids import UidPolicy

#: The series of notes of a study; photographs have the numbers before it.
SERIES_NUMBER = 90
_TEMPLATE = "2010"
#: Of patient and study, as the instances have them.
_SHARED = (
    "PatientName",
    "PatientID",
    "IssuerOfPatientID",
    "PatientBirthDate",
    "PatientSex",
    "StudyInstanceUID",
    "StudyDate",
    "StudyTime",
    "ReferringPhysicianName",
    "StudyID",
    "AccessionNumber",
    "StudyDescription",
)
#: Of those, what is optional (PS3.3 C.7.1.1, C.7.2.1).
_SHARED_IF_THERE = ("StudyDescription", "IssuerOfPatientID")


@dataclass(frozen=True)
class Referenced:
    """An instance that a note names."""

    sop_class: str
    sop_instance: str
    series: str
    study: str


@dataclass(frozen=True)
class Note:
    """What a note says.

    Parameters
    ----------
    title
        Of CID 7010; see `archiver.objects.concepts.REJECTIONS` and ``SELECTIONS``.
    references
        The instances, all of one study.
    words
        Key Object Description; empty for none.
    modifiers
        Of CID 7011; only with *Rejected for Quality Reasons* (TID 2010, row 2).
    by
        Who says so, as a DICOM person name; empty where nobody is named.
    repeat
        How often the same was said before and revoked since.
    """

    title: Code
    references: tuple[Referenced, ...]
    words: str = ""
    modifiers: tuple[Code, ...] = ()
    by: str = ""
    repeat: int = 0


def referenced(dataset: Dataset) -> Referenced:
    """Return how a note names an instance."""
    return Referenced(
        text(dataset, "SOPClassUID"),
        text(dataset, "SOPInstanceUID"),
        text(dataset, "SeriesInstanceUID"),
        text(dataset, "StudyInstanceUID"),
    )


def by_study(references: Iterable[Referenced]) -> dict[str, tuple[Referenced, ...]]:
    """Return the instances by their study; each study has its own note."""
    found: dict[str, list[Referenced]] = {}
    for one in references:
        found.setdefault(one.study, []).append(one)
    return {study: tuple(some) for study, some in found.items()}


def note_uid(note: Note, uids: UidPolicy) -> str:
    """Return the SOP Instance UID of a note: it follows from all that the note says."""
    again = {"repeat": note.repeat} if note.repeat else {}
    return uids.uid(
        "instance",
        {
            **again,
            "role": "note",
            "title": note.title.value,
            "of": sorted(one.sop_instance for one in note.references),
            "words": note.words,
            "modifiers": [code.value for code in note.modifiers],
            "by": note.by,
        },
    )


def build(note: Note, beside: Dataset, *, created: datetime, uids: UidPolicy) -> Dataset:
    """Build a Key Object Selection Document.

    Parameters
    ----------
    beside
        One of the instances; patient and study are taken from it.
    created
        When the note is made; aware of its offset.

    Raises
    ------
    ValueError
        If the instances are not all of the study of `beside`, or there is none.
    """
    if {one.study for one in note.references} != {text(beside, "StudyInstanceUID")}:
        raise ValueError("a note names instances of one study, that of the object beside it")
    ds = Dataset()
    ds.SpecificCharacterSet = "ISO_IR 192"
    copy_subject(ds, beside)
    _set_series(ds, note, uids)
    set_times(ds, created, text(beside, "TimezoneOffsetFromUTC"))
    ds.Manufacturer = concepts.MANUFACTURER
    ds.ManufacturerModelName = concepts.MODEL_NAME
    ds.SoftwareVersions = __version__
    ds.SOPClassUID = concepts.KEY_OBJECT_SELECTION
    ds.SOPInstanceUID = note_uid(note, uids)
    ds.CurrentRequestedProcedureEvidenceSequence = _evidence(note.references)
    _set_content(ds, note)
    return ds


def copy_subject(ds: Dataset, beside: Dataset) -> None:
    """Set patient and study as another instance has them."""
    for keyword in _SHARED:
        words = text(beside, keyword)
        if words or keyword not in _SHARED_IF_THERE:
            setattr(ds, keyword, words)


def _set_series(ds: Dataset, note: Note, uids: UidPolicy) -> None:
    """Key Object Document Series (C.17.6.1)."""
    ds.Modality = "KO"
    series = {"study": ds.StudyInstanceUID, "series": "notes", "title": note.title.value}
    ds.SeriesInstanceUID = uids.uid("series", series)
    ds.SeriesNumber = SERIES_NUMBER
    # What lists of any archive show.
    ds.SeriesDescription = note.title.meaning
    ds.ReferencedPerformedProcedureStepSequence = Sequence([])


def set_times(ds: Dataset, created: datetime, offset: str) -> None:
    """Content and creation times; all times of an object are in one zone (C.12.1)."""
    if zone := zone_of(offset):
        created = created.astimezone(zone)
        ds.TimezoneOffsetFromUTC = offset
    ds.InstanceCreationDate = ds.ContentDate = created.strftime("%Y%m%d")
    ds.InstanceCreationTime = ds.ContentTime = created.strftime("%H%M%S")
    ds.InstanceNumber = 1


def _reference(one: Referenced) -> Dataset:
    item = Dataset()
    item.ReferencedSOPClassUID = one.sop_class
    item.ReferencedSOPInstanceUID = one.sop_instance
    return item


def _evidence(references: tuple[Referenced, ...]) -> Sequence:
    """Current Requested Procedure Evidence: the instances with their series and study."""
    series: dict[str, list[Dataset]] = {}
    for one in references:
        series.setdefault(one.series, []).append(_reference(one))
    listed = []
    for uid, instances in series.items():
        item = Dataset()
        item.SeriesInstanceUID = uid
        item.ReferencedSOPSequence = Sequence(instances)
        listed.append(item)
    study = Dataset()
    study.StudyInstanceUID = references[0].study
    study.ReferencedSeriesSequence = Sequence(listed)
    return Sequence([study])


def _set_content(ds: Dataset, note: Note) -> None:
    """SR Document Content (C.17.3) by TID 2010, in the order of its rows."""
    ds.ValueType = "CONTAINER"
    ds.ConceptNameCodeSequence = code_sequence(note.title)
    ds.ContinuityOfContent = "SEPARATE"
    template = Dataset()
    template.MappingResource = "DCMR"
    template.TemplateIdentifier = _TEMPLATE
    ds.ContentTemplateSequence = Sequence([template])
    modifiers = [
        _coded("HAS CONCEPT MOD", concepts.DOCUMENT_TITLE_MODIFIER, code) for code in note.modifiers
    ]
    content = [*modifiers, *_observer(note.by)]
    if note.words:
        words = _item("CONTAINS", "TEXT", concepts.KEY_OBJECT_DESCRIPTION)
        words.TextValue = note.words
        content.append(words)
    for one in note.references:
        reference = _item("CONTAINS", _value_type(one.sop_class), None)
        reference.ReferencedSOPSequence = Sequence([_reference(one)])
        content.append(reference)
    ds.ContentSequence = Sequence(content)


def _observer(by: str) -> list[Dataset]:
    """Who says so (TID 1002, 1003)."""
    if not by:
        return []
    name = _item("HAS OBS CONTEXT", "PNAME", concepts.PERSON_OBSERVER_NAME)
    name.PersonName = by
    return [_coded("HAS OBS CONTEXT", concepts.OBSERVER_TYPE, concepts.PERSON), name]


def _item(relationship: str, value_type: str, name: Code | None) -> Dataset:
    item = Dataset()
    item.RelationshipType = relationship
    item.ValueType = value_type
    if name is not None:
        item.ConceptNameCodeSequence = code_sequence(name)
    return item


def _coded(relationship: str, name: Code, value: Code) -> Dataset:
    item = _item(relationship, "CODE", name)
    item.ConceptCodeSequence = Sequence([code_item(value)])
    return item


def _value_type(sop_class: str) -> str:
    """Return how TID 2010 refers to an object of a SOP class."""
    name = UID(sop_class).name
    if "Waveform" in name or "ECG" in name:
        return "WAVEFORM"
    return "IMAGE" if "Image" in name else "COMPOSITE"
