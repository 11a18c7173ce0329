"""The instances that come in the place of wrong ones (PS3.3 C.12.1, Original Attributes).

A successor is its predecessor with what was wrong put right and a UID of its own. Everything
that was replaced stands in Original Attributes, the predecessor's UID among it: that is the link
between the two. CID 7201 and 7202 have no purpose of reference for "wrong before", and Source
Image says from which pixels a picture was made, so neither is used for it.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from pydicom import DataElement, Dataset
from pydicom.sequence import Sequence
from pydicom.valuerep import PersonName

from archiver import __version__
from archiver.dentition import Plan, codes
from archiver.objects import concepts, modules, photograph, phrases
from archiver.objects.attribute_values import code_keys, items, number, text
from archiver.objects.calibration import calibration_of, set_calibration
from archiver.objects.clock import zone_of
from archiver.objects.coded_meaning import view_modifiers
from archiver.objects.contribution import set_confirmations
from archiver.objects.photograph_meaning import Meaning
from archiver.objects.scale import set_scale
from archiver.objects.series import earlier_series, series_of
from archiver.objects.session import Patient, Visit
from archiver.objects.uids import UidPolicy
from archiver.photo import PLACES_IN_PIXELS, Corrected

MODIFYING_SYSTEM = concepts.MODEL_NAME
#: Defined term of (0400,0565): a wrong value was put right.
_CORRECT = "CORRECT"
#: Made anew with every instance, and no part of what was wrong.
_OWN = {
    "InstanceCreationDate",
    "InstanceCreationTime",
    "Manufacturer",
    "ManufacturerModelName",
    "SoftwareVersions",
    "OriginalAttributesSequence",
    "PixelData",
}
_ANATOMY = (
    "AnatomicRegionSequence",
    "PrimaryAnatomicStructureSequence",
    "ViewCodeSequence",
    "ImageLaterality",
    "RecognizableVisualFeatures",
)
#: Of the visit of another patient; they go with that patient.
_OF_VISIT = (
    "AccessionNumber",
    "ReferringPhysicianName",
    "StudyDescription",
    "RequestAttributesSequence",
    "ReferencedStudySequence",
    "AdmissionID",
    "PatientAge",
    "PatientSize",
    "PatientWeight",
    "PatientComments",
    "AdditionalPatientHistory",
    "OtherPatientIDs",
    "OtherPatientIDsSequence",
    "OtherPatientNames",
)


@dataclass(frozen=True)
class Whose:
    """The patient and the visit to which a photograph is moved."""

    patient: Patient
    visit: Visit
    study: str


@dataclass(frozen=True)
class Amending:
    """What all successors of a photograph are made from.

    Parameters
    ----------
    after
        What the photograph says now.
    words
        What was wrong, for a reader of lists; no full stop, nothing that identifies.
    whose
        Where the patient was wrong; None where not.
    created
        When the successors are made; aware of its offset.
    """

    after: Meaning
    words: str
    whose: Whose | None
    created: datetime
    uids: UidPolicy

    def uid(self, predecessor: str, role: str) -> str:
        """Return the UID of a successor: it follows from predecessor and new meaning."""
        entry, planned = self.after.photograph, self.after.plan
        identity: Mapping[str, object] = {
            "in place of": predecessor,
            "role": role,
            "view": planned.sight.view.value,
            "teeth": [tooth.iso for tooth in planned.sight.teeth],
            "mirror": planned.mirror,
            "stored": str(planned.stored),
            "crop": str(entry.crop),
            "confirmed_by": entry.confirmed_by,
            "comment": entry.comment,
            "patient": _identity(self.whose),
        }
        return self.uids.uid("instance", identity)


def _identity(whose: Whose | None) -> object:
    return None if whose is None else [whose.patient.issuer, whose.patient.id, whose.study]


def as_shot(old: Dataset, amending: Amending) -> Dataset:
    """Return the successor of a photograph as shot; its pixels are the same."""
    entry, planned = amending.after.photograph, amending.after.plan
    ds = _successor(old, amending, "as shot")
    _set_series(ds, old, amending, upright=not amending.after.needs_correction)
    _set_meaning(ds, amending.after, planned.original_modifiers)
    ds.PatientOrientation = [planned.stored.rows.value, planned.stored.columns.value]
    ds.ImageComments = phrases.as_shot_comment(entry, planned, amending.words)
    return _with_originals(ds, old, amending.created)


def kept_corrected(old: Dataset, shot: Dataset, amending: Amending) -> Dataset:
    """Return the successor of a corrected picture whose pixels stay as they are.

    Parameters
    ----------
    shot
        The successor of the photograph as shot.
    """
    ds = _successor(old, amending, "corrected")
    preserved = next(
        (text(one, "SpatialLocationsPreserved") for one in items(old, "SourceImageSequence")), "NO"
    )
    photograph.set_source(ds, amending.after.plan, preserved or "NO", _key(shot))
    _carry_calibration(ds, old, amending)
    _finish_corrected(ds, old, amending)
    return _with_originals(ds, old, amending.created)


def turned_corrected(
    old: Dataset | None, shot: Dataset, result: Corrected, amending: Amending
) -> Dataset:
    """Return a corrected picture that was made anew from the photograph as shot.

    Parameters
    ----------
    old
        The one in whose place it comes; None where there was none.
    shot
        The successor of the photograph as shot.
    """
    ds = copy.deepcopy(shot)
    predecessor = text(shot, "SOPInstanceUID") if old is None else text(old, "SOPInstanceUID")
    ds.SOPInstanceUID = amending.uid(predecessor, "corrected")
    ds.ImageType = ["DERIVED", "PRIMARY"]
    modules.set_pixels(ds, result.pixels)
    cropped = amending.after.photograph.crop is not None
    photograph.set_derivation(ds, amending.after.plan, result, cropped=cropped, source=_key(shot))
    if ds.SourceImageSequence[0].SpatialLocationsPreserved != "YES":
        for keyword in PLACES_IN_PIXELS & set(ds.dir()):
            delattr(ds, keyword)
    if old is not None:
        _carry_calibration(ds, old, amending)
    _finish_corrected(ds, old, amending)
    ds.pop("OriginalAttributesSequence", None)
    return ds if old is None else _with_originals(ds, old, amending.created)


def _carry_calibration(ds: Dataset, old: Dataset, amending: Amending) -> None:
    """Colours stay what they were; the frame they come by is one of the earlier patient's visit."""
    found = calibration_of(old)
    if found is not None:
        moved = amending.whose is not None
        set_calibration(ds, replace(found, series="", instance="") if moved else found)


def _key(shot: Dataset) -> tuple[str, str]:
    return text(shot, "SeriesInstanceUID"), text(shot, "SOPInstanceUID")


def _finish_corrected(ds: Dataset, old: Dataset | None, amending: Amending) -> None:
    entry, planned = amending.after.photograph, amending.after.plan
    _set_series(ds, old, amending, upright=True)
    _set_meaning(ds, amending.after, planned.corrected_modifiers)
    ds.PatientOrientation = [planned.display.rows.value, planned.display.columns.value]
    ds.ImageComments = phrases.corrected_comment(entry, planned, amending.words)


def _set_series(ds: Dataset, old: Dataset | None, amending: Amending, *, upright: bool) -> None:
    """Put a successor into the series of its state; what an earlier version made keeps its own.

    Parameters
    ----------
    ds
        Holds the study; where there was no `old`, the series of the photograph as shot.
    """
    study, uids = text(ds, "StudyInstanceUID"), amending.uids
    before = ds if old is None else old
    was = text(before, "SeriesInstanceUID")
    own = {one.uid: one for one in (series_of(study, uids, upright=up) for up in (True, False))}
    if old is not None and amending.whose is None and was not in own:
        for keyword in ("SeriesInstanceUID", "SeriesNumber", "SeriesDescription"):
            ds.pop(keyword, None)
            if keyword in old:
                ds[keyword] = copy.deepcopy(old[keyword])
    elif old is None and was == earlier_series(study, uids, derived=False).uid:
        modules.set_series(ds, earlier_series(study, uids, derived=True))
    else:
        first = 1
        if was in own:
            first = (number(before, "SeriesNumber") or own[was].number) + 1 - own[was].number
        modules.set_series(ds, series_of(study, uids, upright=upright, first=first))


def _successor(old: Dataset, amending: Amending, role: str) -> Dataset:
    """Return a copy with a UID of its own, made now, and with the right patient."""
    ds = copy.deepcopy(old)
    ds.pop("PixelData", None)
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.SOPInstanceUID = amending.uid(text(old, "SOPInstanceUID"), role)
    ds.Manufacturer = concepts.MANUFACTURER
    ds.ManufacturerModelName = concepts.MODEL_NAME
    ds.SoftwareVersions = __version__
    created = _in_zone(amending.created, text(old, "TimezoneOffsetFromUTC"))
    ds.InstanceCreationDate = created.strftime("%Y%m%d")
    ds.InstanceCreationTime = created.strftime("%H%M%S")
    if amending.whose is not None:
        _set_patient(ds, amending.whose)
    return ds


def _set_patient(ds: Dataset, whose: Whose) -> None:
    for keyword in ("IssuerOfPatientID", *_OF_VISIT):
        ds.pop(keyword, None)
    # What another patient consented to is not what this one did.
    consent = f"{concepts.CONSENT}: "
    ds.AcquisitionContextSequence = Sequence(
        [
            item
            for item in items(ds, "AcquisitionContextSequence")
            if not text(item, "TextValue").startswith(consent)
        ]
    )
    modules.set_patient(ds, whose.patient)
    modules.set_study(ds, whose.visit, whose.study)
    modules.set_beside(ds, whose.visit)


def _in_zone(moment: datetime, offset: str) -> datetime:
    """All times of an object are in one zone (PS3.3 C.12.1)."""
    zone = zone_of(offset)
    return moment.astimezone(zone) if zone is not None else moment


def _set_meaning(ds: Dataset, after: Meaning, modifiers: tuple[codes.Code, ...]) -> None:
    planned = after.plan
    # What the teeth did stays as it was.
    if codes.TEETH_APART.value in view_modifiers(ds):
        modifiers = (*modifiers, codes.TEETH_APART)
    for keyword in _ANATOMY:
        ds.pop(keyword, None)
    places = after.photograph.circumstances.places
    modules.set_anatomy(ds, planned, modifiers, places)
    modules.set_places(ds, planned, places)
    _set_smile(ds, planned)
    _set_remark(ds, after.photograph.comment)
    set_confirmations(ds, after.confirmations)
    _set_mirror(ds, planned.mirror)
    if planned.mirror:
        set_scale(ds, None)


def _set_smile(ds: Dataset, planned: Plan) -> None:
    """Acquisition Context: whether it is a smile; the rest stays."""
    smiles = (concepts.SMILES.value, concepts.SMILES.scheme)
    found = [
        item
        for item in items(ds, "AcquisitionContextSequence")
        if smiles not in code_keys(item, "ConceptCodeSequence")
    ]
    ds.AcquisitionContextSequence = Sequence([*modules.smile_items(planned), *found])


def _set_remark(ds: Dataset, comment: str) -> None:
    """Acquisition Context: the sheet's own comment; the rest stays."""
    start = f"{concepts.REMARK}: "
    others = [
        item
        for item in items(ds, "AcquisitionContextSequence")
        if not text(item, "TextValue").startswith(start)
    ]
    said = [modules.comment_item(concepts.REMARK, comment)] if comment else []
    ds.AcquisitionContextSequence = Sequence([*others, *said])


def _set_mirror(ds: Dataset, mirror: bool) -> None:
    """Device: the mirror comes or goes, what else was in the picture stays."""
    value = codes.MIRROR_DEVICE.value
    others = [
        item
        for item in items(ds, "DeviceSequence")
        if value not in [text(item, "CodeValue"), text(item, "LongCodeValue")]
    ]
    devices = [modules.code_item(codes.MIRROR_DEVICE), *others] if mirror else others
    ds.pop("DeviceSequence", None)
    if devices:
        ds.DeviceSequence = Sequence(devices)


def _with_originals(ds: Dataset, old: Dataset, when: datetime) -> Dataset:
    """Add to Original Attributes all that this instance replaces or leaves out."""
    before = Dataset()
    for element in old:
        if element.keyword in _OWN or element.tag.group == 2:
            continue
        if element.tag not in ds or not _same(element, ds[element.tag]):
            before.add(_plain(element))
    change = Dataset()
    change.SourceOfPreviousValues = ""
    change.AttributeModificationDateTime = when.strftime("%Y%m%d%H%M%S%z")
    change.ModifyingSystem = MODIFYING_SYSTEM
    change.ReasonForTheAttributeModification = _CORRECT
    change.ModifiedAttributesSequence = Sequence([before])
    earlier = [copy.deepcopy(one) for one in items(old, "OriginalAttributesSequence")]
    ds.OriginalAttributesSequence = Sequence([*earlier, change])
    return ds


def _same(one: DataElement, other: DataElement) -> bool:
    return one.VR == other.VR and one.value == other.value


def _plain(element: DataElement) -> DataElement:
    """Return a copy that is written in the character set of its new dataset."""
    if element.VR == "PN":
        return DataElement(element.tag, "PN", PersonName(str(element.value)))
    return copy.deepcopy(element)
