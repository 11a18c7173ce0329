"""Reading the meaning of an instance: teeth, view, side, mirror state, who confirmed.

The only place that does so. It is tolerant: it reads objects that other programs wrote, codes of
earlier generations, and radiographs; what it cannot read it leaves out.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass

from pydicom import Dataset
from pydicom.multival import MultiValue

from archiver.dentition import (
    Arch,
    Code,
    Orientation,
    Surface,
    Tooth,
    Turn,
    View,
    codes,
    in_arch_order,
    orientation_of,
)
from archiver.errors import ObjectError, Problem
from archiver.objects import concepts
from archiver.objects.phrases import TURNED

_PHOTOGRAPH_MODALITY = "XC"
_SURFACES = {c.value: s for s, c in codes.SURFACE_CODES.items()}
_LATERALITY = {c.value: letter for letter, c in codes.LATERALITY_CODES.items()}
_ARCHES = {
    **{c.value: arch for arch, c in codes.ARCH_STRUCTURES.items()},
    # CID 4016, as radiographs of the jaws use it.
    "70925003": Arch.UPPER,
    "91609006": Arch.LOWER,
}


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
    """

    title: Code
    uids: tuple[str, ...]
    words: str = ""

    @property
    def rejects(self) -> bool:
        """True where the title says that the instances are not to be used."""
        return self.title.scheme == "DCM" and self.title.value in concepts.REJECTIONS


@dataclass(frozen=True)
class Description:
    """What an instance is and shows, as far as it says so.

    Texts are as stored, dates ``YYYYMMDD`` and times ``HHMMSS[.ffffff]``; an empty text means
    that the instance does not say. `transfer_syntax` is that of the file it was read from.
    `teeth` are those named by code. `mirror` is ``direct``,
    ``uncorrected`` or ``corrected``; `role` ``original`` or ``derived``; both, like
    `confirmed`, are None for what is no photograph. `selection` is None for what is no Key
    Object Selection Document. `predecessor` is the SOP Instance UID of the instance in whose
    place this one came.
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

    @property
    def is_photograph(self) -> bool:
        """True for a visible-light photograph."""
        return self.modality == _PHOTOGRAPH_MODALITY


def text(dataset: Dataset, keyword: str) -> str:
    """Return a single-valued attribute as text; empty if it is absent, empty or unreadable."""
    value = _value(dataset, keyword)
    if value is None:
        return ""
    try:
        if isinstance(value, MultiValue | list | tuple):
            return "\\".join(str(v) for v in value)
        return str(value).strip()
    except Exception:  # an item of a sequence is converted only when it is written
        return ""


def _value(dataset: Dataset, keyword: str) -> object:
    try:
        return dataset.get(keyword)
    except Exception:  # pydicom raises many kinds on broken values; the validator tells them
        return None


def _number(dataset: Dataset, keyword: str) -> int | None:
    try:
        return int(str(_value(dataset, keyword)))
    except ValueError:
        return None


def items(dataset: Dataset, keyword: str) -> Iterator[Dataset]:
    """Yield the items of a sequence; nothing if it is absent or no sequence."""
    value = _value(dataset, keyword)
    try:
        candidates = list(value)  # type: ignore[call-overload]
    except TypeError:
        return
    for item in candidates:
        if isinstance(item, Dataset):
            yield item


def code_key(item: Dataset) -> tuple[str, str]:
    """Return (value, scheme) of a code sequence item; empty texts where it has none."""
    value = text(item, "CodeValue") or text(item, "LongCodeValue") or text(item, "URNCodeValue")
    return value, text(item, "CodingSchemeDesignator")


def code_keys(dataset: Dataset, keyword: str) -> tuple[tuple[str, str], ...]:
    """Return (value, scheme) of every item of a code sequence."""
    return tuple(code_key(item) for item in items(dataset, keyword))


def acquisition_context(dataset: Dataset) -> tuple[tuple[tuple[str, str], str], ...]:
    """Return Acquisition Context as (concept name, value); a code is told by its value."""
    found = []
    for item in items(dataset, "AcquisitionContextSequence"):
        coded = code_keys(item, "ConceptCodeSequence")
        value = coded[0][0] if coded else text(item, "PersonName") or text(item, "TextValue")
        found += [(name, value) for name in code_keys(item, "ConceptNameCodeSequence")]
    return tuple(found)


def _context_value(dataset: Dataset, name: Code) -> str:
    wanted = (name.value, name.scheme)
    return next((v for n, v in acquisition_context(dataset) if n == wanted), "")


def comments(dataset: Dataset) -> dict[str, str]:
    """Return the Comments of Acquisition Context by the words that they start with."""
    wanted = (concepts.COMMENT.value, concepts.COMMENT.scheme)
    parts = (v.partition(": ") for n, v in acquisition_context(dataset) if n == wanted)
    return {start: rest for start, _, rest in parts}


def view_modifiers(dataset: Dataset) -> frozenset[str]:
    """Return the code values of all view modifiers."""
    return frozenset(
        value
        for view in items(dataset, "ViewCodeSequence")
        for value, _ in code_keys(view, "ViewModifierCodeSequence")
    )


def orientation(dataset: Dataset) -> Orientation | None:
    """Return Patient Orientation, None where it is absent, empty or unreadable."""
    value = _value(dataset, "PatientOrientation")
    if isinstance(value, MultiValue | list | tuple) and len(value) == 2:
        return orientation_of((str(value[0]), str(value[1])))
    return None


def teeth(dataset: Dataset) -> tuple[Tooth, ...]:
    """Return the teeth that Primary Anatomic Structure names, by codes of any generation."""
    named = (
        codes.tooth_of_code(*key) for key in code_keys(dataset, "PrimaryAnatomicStructureSequence")
    )
    return in_arch_order(tuple(t for t in named if t is not None))


def _surface(dataset: Dataset) -> Surface | None:
    for structure in items(dataset, "PrimaryAnatomicStructureSequence"):
        for value, _ in code_keys(structure, "PrimaryAnatomicStructureModifierSequence"):
            if value in _SURFACES:
                return _SURFACES[value]
    return None


def region_laterality(dataset: Dataset) -> str:
    """Return ``R``, ``L`` or ``B`` as the modifier of the region says; empty if it does not."""
    for region in items(dataset, "AnatomicRegionSequence"):
        for value, _ in code_keys(region, "AnatomicRegionModifierSequence"):
            if value in _LATERALITY:
                return _LATERALITY[value]
    return ""


def shown_parts(dataset: Dataset) -> tuple[str, ...]:
    """Return the code values of primary structures and regions.

    The arch and the face are structures (CID 4061); versions before, and others, name them as
    regions.
    """
    sequences = ("PrimaryAnatomicStructureSequence", "AnatomicRegionSequence")
    return tuple(value for keyword in sequences for value, _ in code_keys(dataset, keyword))


def named_arch(dataset: Dataset) -> Arch | None:
    """Return the arch that structure or region names, None if neither names one."""
    return next((_ARCHES[value] for value in shown_parts(dataset) if value in _ARCHES), None)


def _view(
    dataset: Dataset,
    named: tuple[Tooth, ...],
    surface: Surface | None,
    arch: Arch | None,
) -> View | None:
    """Tell the view from its code, the surface and the teeth; None where they do not settle it."""
    code = next((value for value, _ in code_keys(dataset, "ViewCodeSequence")), "")
    lateral = {codes.RIGHT_LATERAL.value: "right", codes.LEFT_LATERAL.value: "left"}
    if codes.FACE.value in shown_parts(dataset):
        if code in lateral:
            return View(f"{lateral[code]} profile")
        smiling = _context_value(dataset, concepts.FUNCTIONAL_CONDITION)
        return View.SMILE if smiling == concepts.SMILES.value else View.FACE
    modifiers = view_modifiers(dataset)
    if codes.CLOSE_UP_OF_TEETH.value in modifiers:
        return View.CLOSE_UP
    if code == codes.OCCLUSAL_PROJECTION.value:
        if surface is Surface.OCCLUSAL:
            return View.OCCLUSAL
        if codes.ANTERIOR_TEETH.value in modifiers:
            return View.INCISAL
        if arch is None:
            return None
        return View.UPPER_OCCLUSAL_ARCH if arch is Arch.UPPER else View.LOWER_OCCLUSAL_ARCH
    if surface is Surface.LINGUAL:
        return View.PALATAL if arch is Arch.UPPER else View.LINGUAL
    if code == codes.FRONTAL.value:
        return View.LABIAL if surface is Surface.VESTIBULAR else View.FRONTAL
    if code in lateral:
        return View.BUCCAL if surface is Surface.VESTIBULAR else View(f"{lateral[code]} buccal")
    return None


def through_mirror(dataset: Dataset) -> bool:
    """True where an intraoral mirror is among the devices."""
    return codes.MIRROR_DEVICE.value in (v for v, _ in code_keys(dataset, "DeviceSequence"))


def _mirror(dataset: Dataset) -> str:
    modifiers = view_modifiers(dataset)
    if modifiers & codes.UNCORRECTED_VALUES:
        return "uncorrected"
    if modifiers & codes.CORRECTED_VALUES or through_mirror(dataset):
        return "corrected"
    return "direct"


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
    words = ""
    for item in items(dataset, "ContentSequence"):
        uids |= {
            text(o, "ReferencedSOPInstanceUID"): None for o in items(item, "ReferencedSOPSequence")
        }
        if (concepts.KEY_OBJECT_DESCRIPTION.value, "DCM") in code_keys(
            item, "ConceptNameCodeSequence"
        ):
            words = text(item, "TextValue")
    title = Code(*code_key(titles[0]), text(titles[0], "CodeMeaning"))
    return Selection(title, tuple(uid for uid in uids if uid), words)


def _predecessor(dataset: Dataset) -> str:
    """Return the SOP Instance UID that Original Attributes says was replaced last (C.12.1)."""
    replaced = ""
    for change in items(dataset, "OriginalAttributesSequence"):
        for before in items(change, "ModifiedAttributesSequence"):
            replaced = text(before, "SOPInstanceUID") or replaced
    return replaced


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


def _described(dataset: Dataset) -> Description:
    photograph = text(dataset, "Modality") == _PHOTOGRAPH_MODALITY
    named = teeth(dataset)
    surface = _surface(dataset)
    arches = {t.arch for t in named}
    arch = named_arch(dataset) or (next(iter(arches)) if len(arches) == 1 else None)
    confirmed_by = _context_value(dataset, concepts.VERIFYING)
    acquired = text(dataset, "AcquisitionDateTime") or (
        text(dataset, "AcquisitionDate") + text(dataset, "AcquisitionTime")
    )
    return Description(
        patient_id=text(dataset, "PatientID"),
        issuer=text(dataset, "IssuerOfPatientID"),
        patient_name=text(dataset, "PatientName"),
        birth_date=text(dataset, "PatientBirthDate"),
        sex=text(dataset, "PatientSex"),
        study_uid=text(dataset, "StudyInstanceUID"),
        series_uid=text(dataset, "SeriesInstanceUID"),
        sop_instance_uid=text(dataset, "SOPInstanceUID"),
        sop_class_uid=text(dataset, "SOPClassUID"),
        modality=text(dataset, "Modality"),
        study_date=text(dataset, "StudyDate"),
        study_time=text(dataset, "StudyTime"),
        acquired=acquired,
        accession=text(dataset, "AccessionNumber"),
        study_description=text(dataset, "StudyDescription"),
        series_description=text(dataset, "SeriesDescription"),
        instance_number=_number(dataset, "InstanceNumber"),
        rows=_number(dataset, "Rows"),
        columns=_number(dataset, "Columns"),
        laterality=text(dataset, "ImageLaterality") or text(dataset, "Laterality"),
        orientation=orientation(dataset),
        teeth=named,
        arch=arch,
        view=_view(dataset, named, surface, arch) if photograph else None,
        surface=surface,
        mirror=_mirror(dataset) if photograph else None,
        confirmed=bool(confirmed_by) if photograph else None,
        confirmed_by=confirmed_by,
        role=_role(dataset) if photograph else None,
        source_uids=tuple(
            text(s, "ReferencedSOPInstanceUID") for s in items(dataset, "SourceImageSequence")
        ),
        turn=_turn(dataset) if photograph else None,
        study_id=text(dataset, "StudyID"),
        referring=text(dataset, "ReferringPhysicianName"),
        series_number=_number(dataset, "SeriesNumber"),
        frames=_number(dataset, "NumberOfFrames"),
        bits=_number(dataset, "BitsAllocated"),
        transfer_syntax=text(getattr(dataset, "file_meta", Dataset()), "TransferSyntaxUID"),
        selection=_selection(dataset),
        predecessor=_predecessor(dataset),
    )
