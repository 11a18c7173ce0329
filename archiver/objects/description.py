"""Reading the meaning of an instance: teeth, view, side, mirror state, who confirmed.

The only place that does so. It is tolerant: it reads objects that other programs wrote, codes of
earlier generations, and radiographs; what it cannot read it leaves out.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace

from pydicom import Dataset

from archiver.dentition import (
    Arch,
    Code,
    Orientation,
    Surface,
    Tooth,
    Turn,
    View,
    sight,
)
from archiver.errors import MeaningError, ObjectError, Problem
from archiver.objects import concepts
from archiver.objects.attribute_values import (
    code_key,
    code_keys,
    items,
    number,
    text,
)
from archiver.objects.coded_meaning import (
    mirror_state,
    named_arch,
    orientation,
    places,
    shown_parts,
    surface_of,
    teeth,
    view_modifiers,
    view_shown,
)
from archiver.objects.confirmation import LAPSED, Confirmation, Witnessed, certainty_of
from archiver.objects.contribution import stated
from archiver.objects.phrases import TURNED
from archiver.objects.session import Crop, Places

_CROPPED = re.compile(r"cropped to (\d+)x(\d+)\+(\d+)\+(\d+)")
_PHOTOGRAPH_MODALITY = "XC"


@dataclass(frozen=True)
class Selection:
    """What a Key Object Selection Document says of which instances.

    Parameters
    ----------
    title
        Code of the document's title (PS3.16 CID 7010).
    uids
        SOP Instance UIDs of the instances, in the order of the document.
    words
        Key Object Description; empty where there is none.
    by
        Person Observer's Name; empty where nobody is named.
    is_evidenced
        Whether Current Requested Procedure Evidence lists all of the instances (PS3.3 C.17.6.2),
        and they are of the document's own study.
    """

    title: Code
    uids: tuple[str, ...]
    words: str = ""
    by: str = ""
    is_evidenced: bool = False

    @property
    def binds(self) -> bool:
        """True where it rejects instances of its own study, all of which its evidence lists."""
        return self.rejects and self.is_evidenced

    @property
    def rejects(self) -> bool:
        """True where the title says that the instances are not to be used."""
        return self.title.scheme == "DCM" and self.title.value in concepts.REJECTIONS


@dataclass(frozen=True)
class Description:
    """What an instance is and shows, as far as it says so.

    Texts are as stored, dates ``YYYYMMDD`` and times ``HHMMSS[.ffffff]``; an empty text means
    that the instance does not say. `transfer_syntax` is that of the file it was read from.
    `teeth` are those named, `places` those of them where no natural tooth stands. `mirror` is
    ``direct``, ``uncorrected`` or ``corrected``; `role` ``original`` or ``derived``; both, like
    `confirmed`, are None for what is no photograph. `crop` is that of a corrected picture.
    `confirmations` are those that hold: a confirmation that is bound to what was shown holds as
    long as the instance still says that; else it is among the `lapsed`. `confirmed_by` is the
    first who confirmed. `selection` is None for what is no Key Object Selection Document.
    `predecessor` is the SOP Instance UID of the instance in whose place this one came.
    """

    patient_id: str
    issuer: str
    patient_name: str
    birth_date: str
    sex: str
    study_uid: str
    series_uid: str
    sop_instance_uid: str
    sop_class_uid: str
    modality: str
    study_date: str
    study_time: str
    acquired: str
    accession: str
    study_description: str
    series_description: str
    instance_number: int | None
    rows: int | None
    columns: int | None
    laterality: str
    orientation: Orientation | None
    teeth: tuple[Tooth, ...]
    arch: Arch | None
    view: View | None
    surface: Surface | None
    mirror: str | None
    confirmed: bool | None
    confirmed_by: str
    role: str | None
    source_uids: tuple[str, ...]
    turn: Turn | None
    study_id: str = ""
    referring: str = ""
    series_number: int | None = None
    frames: int | None = None
    bits: int | None = None
    transfer_syntax: str = ""
    selection: Selection | None = None
    predecessor: str = ""
    crop: Crop | None = None
    confirmations: tuple[Confirmation, ...] = ()
    lapsed: tuple[Confirmation, ...] = ()
    places: Places = ()

    @property
    def certainty(self) -> str | None:
        """How its side is confirmed, or was (`LAPSED`); None for what is no photograph."""
        if self.confirmed is None:
            return None
        return certainty_of(self.confirmations) or (LAPSED if self.lapsed else "")

    @property
    def is_photograph(self) -> bool:
        """True for a visible-light photograph."""
        return self.modality == _PHOTOGRAPH_MODALITY


def _role(dataset: Dataset) -> str | None:
    first = text(dataset, "ImageType").split("\\")[0]
    return {"ORIGINAL": "original", "DERIVED": "derived"}.get(first)


def _turn(dataset: Dataset) -> Turn | None:
    """Read the turn that this program's own Derivation Description starts with."""
    done = text(dataset, "DerivationDescription").split(";")[0].casefold()
    return next((turn for turn, words in TURNED.items() if words == done), None)


def _selection(dataset: Dataset) -> Selection | None:
    """Read a Key Object Selection Document (PS3.16 TID 2010)."""
    if text(dataset, "SOPClassUID") != concepts.KEY_OBJECT_SELECTION:
        return None
    titles = list(items(dataset, "ConceptNameCodeSequence"))
    if not titles:
        return None
    uids: dict[str, None] = {}
    words = by = ""
    for item in items(dataset, "ContentSequence"):
        uids |= {
            text(o, "ReferencedSOPInstanceUID"): None for o in items(item, "ReferencedSOPSequence")
        }
        if (concepts.KEY_OBJECT_DESCRIPTION.value, "DCM") in code_keys(
            item, "ConceptNameCodeSequence"
        ):
            words = text(item, "TextValue")
        by = by or text(item, "PersonName")
    title = Code(*code_key(titles[0]), text(titles[0], "CodeMeaning"))
    named = tuple(uid for uid in uids if uid)
    return Selection(title, named, words, by, bool(named) and _evidence(dataset) >= set(named))


def _evidence(dataset: Dataset) -> set[str]:
    """Return the instances of the evidence of a document; none where some are of other studies."""
    studies = list(items(dataset, "CurrentRequestedProcedureEvidenceSequence"))
    if {text(one, "StudyInstanceUID") for one in studies} != {text(dataset, "StudyInstanceUID")}:
        return set()
    return {
        text(one, "ReferencedSOPInstanceUID")
        for study in studies
        for series in items(study, "ReferencedSeriesSequence")
        for one in items(series, "ReferencedSOPSequence")
    }


def _predecessor(dataset: Dataset) -> str:
    """Return the SOP Instance UID that Original Attributes says was replaced last (C.12.1)."""
    replaced = ""
    for change in items(dataset, "OriginalAttributesSequence"):
        for before in items(change, "ModifiedAttributesSequence"):
            replaced = text(before, "SOPInstanceUID") or replaced
    return replaced


def _crop(dataset: Dataset) -> Crop | None:
    """Read the crop that this program's own Derivation Description says was done."""
    found = _CROPPED.search(text(dataset, "DerivationDescription"))
    if found is None:
        return None
    width, height, left, top = (int(number) for number in found.groups())
    return Crop(left, top, width, height)


def examined(
    d: Description, picture: str, turn: Turn | None = None, crop: Crop | None = None
) -> Witnessed | None:
    """Return what is shown of a photograph; None where its display is not known.

    Parameters
    ----------
    picture
        SHA-256 of its camera file, or of its coded frame as shot.
    turn, crop
        Of its corrected picture, as far as the instance does not say them itself.
    """
    if d.view is None or d.orientation is None:
        return None
    try:
        seen = sight(d.view, d.teeth)
        of_twin = turn if d.role != "derived" else None
        seen = seen.displayed(d.orientation.turned(of_twin) if of_twin else d.orientation)
        to_display = d.orientation.turn_to(seen.display)
    except (MeaningError, ValueError):  # the view does not fit the teeth, or looks elsewhere
        return None
    if d.role == "derived" and d.turn is not None:
        turn, crop = d.turn, d.crop
    elif d.role == "derived":
        turn = turn or to_display
    else:
        turn = to_display
    mirror = d.mirror != "direct" and not d.view.is_extraoral
    return Witnessed(picture, turn, crop, seen, mirror, d.issuer, d.patient_id, d.patient_name)


def shown_digest(d: Description, picture: str | None) -> str:
    """Return the digest of what is shown of a photograph.

    Empty where only its pixels would tell, or where it is a picture as shot that is shown as
    another instance has it, corrected.
    """
    seen = examined(d, picture) if picture else None
    if seen is None or (d.role == "original" and seen.is_turned):
        return ""
    return seen.digest


def _with_confirmations(d: Description, found: Iterable[Confirmation]) -> Description:
    """Tell the confirmations that hold from those that were of something else."""
    holding: list[Confirmation] = []
    lapsed: list[Confirmation] = []
    for one in found:
        if not one.is_bound:
            holding.append(one)
            continue
        now = examined(d, one.picture, one.turn, one.crop)
        fits = now is not None and now.digest == one.shown
        (holding if fits else lapsed).append(one)
    by = holding[0].by if holding else ""
    return replace(
        d,
        confirmed=bool(holding),
        confirmed_by=by,
        confirmations=tuple(holding),
        lapsed=tuple(lapsed),
    )


def describe(dataset: Dataset, where: str = "") -> Description:
    """Read what an instance is and shows.

    Parameters
    ----------
    dataset
        Any DICOM dataset; pixel data are not looked at.
    where
        What an error calls the object.

    Returns
    -------
    Description
        With empty texts and None for all that the instance does not say.

    Raises
    ------
    ObjectError
        If its values are such that they cannot even be looked at.
    """
    try:
        with warnings.catch_warnings():
            # What pydicom thinks of single values is the validator's business.
            warnings.simplefilter("ignore")
            return _described(dataset)
    except Exception as error:
        # pydicom converts values when they are first looked at, and raises what they lead it to.
        raise ObjectError(
            Problem("objects.description.unreadable", error=error).at(file=where)
        ) from error


def _acquired(dataset: Dataset) -> str:
    return text(dataset, "AcquisitionDateTime") or (
        text(dataset, "AcquisitionDate") + text(dataset, "AcquisitionTime")
    )


def _arch(parts: Iterable[str], named: Collection[Tooth]) -> Arch | None:
    """The arch that is named, or that all teeth are of."""
    arches = {tooth.arch for tooth in named}
    return named_arch(parts) or (arches.pop() if len(arches) == 1 else None)


def _described(dataset: Dataset) -> Description:
    modality = text(dataset, "Modality")
    photograph = modality == _PHOTOGRAPH_MODALITY
    named, parts = teeth(dataset), shown_parts(dataset)
    surface, arch = surface_of(dataset), _arch(parts, named)
    modifiers = view_modifiers(dataset) if photograph else frozenset()
    described = Description(
        patient_id=text(dataset, "PatientID"),
        issuer=text(dataset, "IssuerOfPatientID"),
        patient_name=text(dataset, "PatientName"),
        birth_date=text(dataset, "PatientBirthDate"),
        sex=text(dataset, "PatientSex"),
        study_uid=text(dataset, "StudyInstanceUID"),
        series_uid=text(dataset, "SeriesInstanceUID"),
        sop_instance_uid=text(dataset, "SOPInstanceUID"),
        sop_class_uid=text(dataset, "SOPClassUID"),
        modality=modality,
        study_date=text(dataset, "StudyDate"),
        study_time=text(dataset, "StudyTime"),
        acquired=_acquired(dataset),
        accession=text(dataset, "AccessionNumber"),
        study_description=text(dataset, "StudyDescription"),
        series_description=text(dataset, "SeriesDescription"),
        instance_number=number(dataset, "InstanceNumber"),
        rows=number(dataset, "Rows"),
        columns=number(dataset, "Columns"),
        laterality=text(dataset, "ImageLaterality") or text(dataset, "Laterality"),
        orientation=orientation(dataset),
        teeth=named,
        arch=arch,
        view=view_shown(dataset, parts, modifiers, surface, arch) if photograph else None,
        surface=surface,
        mirror=mirror_state(dataset, modifiers) if photograph else None,
        confirmed=None,
        confirmed_by="",
        role=_role(dataset) if photograph else None,
        source_uids=tuple(
            text(s, "ReferencedSOPInstanceUID") for s in items(dataset, "SourceImageSequence")
        ),
        turn=_turn(dataset) if photograph else None,
        study_id=text(dataset, "StudyID"),
        referring=text(dataset, "ReferringPhysicianName"),
        series_number=number(dataset, "SeriesNumber"),
        frames=number(dataset, "NumberOfFrames"),
        bits=number(dataset, "BitsAllocated"),
        transfer_syntax=text(getattr(dataset, "file_meta", Dataset()), "TransferSyntaxUID"),
        selection=_selection(dataset),
        predecessor=_predecessor(dataset),
        crop=_crop(dataset) if photograph else None,
        places=places(dataset) if photograph else (),
    )
    return _with_confirmations(described, stated(dataset)) if photograph else described
