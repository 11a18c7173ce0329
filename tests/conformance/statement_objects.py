"""Tables of the conformance statement: the objects that are made, and their codes.

Which attributes an object has is seen from objects that are made here, from camera files and
sheets of every kind; their types come from the validator's tables of the standard.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from datetime import date, time, timedelta
from functools import cache

from pydicom import Dataset
from pydicom.datadict import dictionary_description

from archiver.dentition import codes
from archiver.dentition.codes import Code
from archiver.dentition.teeth import ALL_TEETH, Tooth
from archiver.objects import concepts
from archiver.objects.calibration import Calibration, set_calibration
from archiver.objects.key_objects import Note, build, referenced
from archiver.objects.session import Circumstances, Crop, Patient, Request, Visit
from archiver.objects.uids import DerivedUids
from archiver.photo.exif_rows import ROWS
from archiver.photo.icc import SRGB, input_profile
from archiver.standard.requirements import PHOTOGRAPHIC, AttributeRequirement, Module, modules_of
from tests.conformance.statement_services import name_of, table, tag_text
from tests.objects.object_samples import CREATED, entry, exif_block, make, picture

_BARE_PATIENT = Patient("P-0502", "Ødegård^Liv", "", None, "")
_BARE_VISIT = Visit(date(2026, 3, 5))
_FULL_VISIT = Visit(
    date(2026, 3, 4),
    time(14, 20),
    "A-2291",
    "Recall",
    referring_physician="Brânză^Ilinca",
    clock_offset=timedelta(minutes=3),
    institution="Harbour clinic",
    photographer="Haugen^Liv",
    request=Request("R1", "Photographs", "S1", "Photographs"),
)
_CIRCUMSTANCES = {
    "light": "ring flash",
    "polariser": "crossed",
    "stage": "before",
    "purpose": "records",
    "consent": "treatment",
    "retraction": "cheek retractor",
    "contraster": "black",
    "colour_frame": "neutral reference",
    "functional_state": "in occlusion",
    "magnification": "1:2",
    "seen_from": "front",
}


@cache
def _objects() -> tuple[Dataset, ...]:
    """Objects of every kind that `archiver wrap` makes."""
    full = Circumstances(**_CIRCUMSTANCES)
    camera = picture(exif=exif_block())
    crop = Crop(16, 16, 64, 32)
    scaled = Circumstances(scale_region=crop, scale_length="8 mm ± 0.1 mm")
    made = [
        make(entry(), camera, visit=_FULL_VISIT),
        make(entry(confirmed_by="Haugen^Liv", circumstances=full, comment="Chipped"), camera),
        make(entry(crop=crop), camera),
        make(entry("smile", "", False), picture(), patient=_BARE_PATIENT, visit=_BARE_VISIT),
        make(entry("face", "", False), picture("png")),
        make(entry("frontal", "", False), picture("webp")),
        make(
            entry("buccal", "36", False, circumstances=scaled),
            picture("grey png"),
            visit=_BARE_VISIT,
        ),
        make(entry("upper occlusal arch", ""), camera),
    ]
    found = tuple(one.dataset for photo in made for one in photo.instances)
    by_chart = Calibration(input_profile(SRGB), 0.7, 1.9, "1.2.3", "1.2.3.4")
    set_calibration(next(ds for ds in found if ds.ImageType[0] == "DERIVED"), by_chart)
    return found


def _instances() -> str:
    kinds: Counter[tuple[str, str]] = Counter()
    for ds in _objects():
        kinds[(ds.ImageType[0], str(ds.SeriesDescription))] += 1
    body = [
        (name_of(concepts.VL_PHOTOGRAPHIC_IMAGE), concepts.VL_PHOTOGRAPHIC_IMAGE, kind, series)
        for kind, series in sorted(kinds)
    ]
    return table(("SOP class", "UID", "Image Type, value 1", "Series"), body)


def _presence(keyword: str) -> str:
    """ALWAYS with a value, ANAP or VNAP, in the words of PS3.2."""
    there = [ds for ds in _objects() if keyword in ds]
    filled = [ds for ds in there if ds[keyword].value not in (None, "", [])]
    if len(filled) == len(_objects()):
        return "ALWAYS"
    if len(there) == len(_objects()):
        return "VNAP" if filled else "EMPTY"
    # What the camera's metadata may bring, whether or not these samples have it.
    return "ANAP" if there or keyword in {row.keyword for row in ROWS} else ""


def _own_words(values: list[str]) -> str:
    """The values where they are always the same few that the program chose."""
    return ", ".join(values) if 0 < len(values) <= 3 else ""


_FIXED = (
    "ImageType",
    "Modality",
    "Manufacturer",
    "ManufacturerModelName",
    "SamplesPerPixel",
    "PhotometricInterpretation",
    "PlanarConfiguration",
    "BitsAllocated",
    "BitsStored",
    "HighBit",
    "PixelRepresentation",
    "LossyImageCompression",
    "RecognizableVisualFeatures",
    "SpecificCharacterSet",
    "SOPClassUID",
)


def _fixed(keyword: str) -> str:
    if keyword not in _FIXED:
        return ""
    values = {str(ds[keyword].value) for ds in _objects() if keyword in ds}
    if keyword == "ImageType":
        values = {"\\".join(ds.ImageType) for ds in _objects()}
    return _own_words(sorted(values))


def _attributes() -> str:
    chosen: dict[str, tuple[Module, AttributeRequirement]] = {}
    for module in modules_of(PHOTOGRAPHIC, True):
        for one in module.rows.by_tag.values():
            known = chosen.get(one.keyword)
            # Where several modules have an attribute, the one that demands most counts.
            if known is None or one.kind < known[1].kind:
                chosen[one.keyword] = module, one
    body = []
    for keyword, (module, one) in chosen.items():
        presence = "ALWAYS" if keyword == "PixelData" else _presence(keyword)
        if presence:
            name, tag = dictionary_description(one.tag), tag_text(keyword)
            where = f"{module.name} ({module.clause})"
            body.append((where, name, tag, one.kind, presence, _fixed(keyword)))
    head = ("Module", "Attribute", "Tag", "Type", "Presence", "Value")
    return table(head, sorted(body, key=lambda row: row[2]))


def beyond_the_iod() -> set[str]:
    """Return attributes of our objects that no module of the IOD has."""
    known = {k for m in modules_of(PHOTOGRAPHIC, True) for k in m.rows.by_tag}
    return {e.keyword for ds in _objects() for e in ds if int(e.tag) not in known}


def _extended() -> str:
    found = sorted(beyond_the_iod())
    if not found:
        return "None: no attribute of our objects is outside the modules of its IOD."
    return table(("Attribute", "Tag"), [(k, tag_text(k)) for k in found])


def _code_rows() -> Iterator[tuple[str, Code]]:
    for code in codes.SURFACE_CODES.values():
        yield "Primary Anatomic Structure Modifier Sequence", code
    for code in codes.LATERALITY_CODES.values():
        yield "Anatomic Region Modifier Sequence", code
    for code in codes.PLACE_CODES.values():
        yield "Anatomic Region Modifier Sequence", code
    for code in (*codes.JAWS.values(), codes.BOTH_JAWS):
        yield "Anatomic Region Sequence", code
    for code in (codes.MOUTH, codes.HEAD_AND_NECK):
        yield "Anatomic Region Sequence", code
    for code in (*codes.ARCH_STRUCTURES.values(), codes.FACE):
        yield "Primary Anatomic Structure Sequence", code
    for code in (
        codes.FRONTAL,
        codes.RIGHT_LATERAL,
        codes.LEFT_LATERAL,
        codes.OCCLUSAL_PROJECTION,
    ):
        yield "View Code Sequence", code
    for code in (
        codes.MIRRORED_UNCORRECTED,
        codes.MIRRORED_CORRECTED,
        codes.MIRRORED_CORRECTED_HORIZONTALLY,
        codes.MIRRORED_CORRECTED_VERTICALLY,
        codes.ANTERIOR_TEETH,
        codes.TEETH_APART,
        codes.CLOSE_UP_OF_TEETH,
    ):
        yield "View Modifier Code Sequence", code
    for code in (
        codes.MIRROR_DEVICE,
        codes.RETRACTOR_DEVICE,
        codes.CONTRASTER_DEVICE,
        codes.RULER_DEVICE,
    ):
        yield "Device Sequence", code
    for code in (concepts.COMMENT, concepts.FUNCTIONAL_CONDITION):
        yield "Acquisition Context Sequence > Concept Name", code
    for code in (
        concepts.SMILES,
        concepts.LIPS_RELAXED,
        concepts.LIPS_CLOSED,
        concepts.CENTRIC_OCCLUSION,
    ):
        yield "Acquisition Context Sequence > Concept Code", code
    for code in (*concepts.REJECTIONS.values(), *concepts.SELECTIONS.values()):
        yield "Title of a Key Object Selection Document", code
    for code in concepts.QUALITY_REASONS.values():
        yield "Its Document Title Modifier", code
    for code in (concepts.ACQUISITION_EQUIPMENT, concepts.MODIFYING_EQUIPMENT):
        yield "Contributing Equipment > Purpose of Reference", code
    yield "Source Image > Purpose of Reference", concepts.SOURCE_FOR_PROCESSING
    yield "Referenced Image > Purpose of Reference", concepts.QUALITY_CONTROL_MATERIAL


def _note() -> Dataset:
    """A Key Object Selection Document that rejects a photograph."""
    first = _objects()[0]
    title, reason = concepts.REJECTED_FOR_QUALITY, concepts.INAPPROPRIATE_PROCESSING
    note = Note(title, (referenced(first),), "wrong crop", (reason,), "Haugen^Liv")
    return build(note, first, created=CREATED, uids=DerivedUids())


def _notes() -> str:
    body = []
    for element in sorted(_note(), key=lambda e: e.tag):
        value = str(element.value) if element.keyword in ("Modality", "ValueType") else ""
        body.append((element.name, str(element.tag), element.VR, value))
    return table(("Attribute", "Tag", "VR", "Value"), body)


def _coded() -> str:
    body = [(where, code.value, code.scheme, code.meaning) for where, code in _code_rows()]
    return table(("Where", "Value", "Scheme", "Meaning"), body)


def _teeth() -> str:
    body = []
    for tooth in ALL_TEETH:
        code, extra = codes.code_of(tooth), codes.code_of(_supernumerary(tooth))
        body.append((tooth.iso, code.value, code.scheme, code.meaning, extra.value))
    head = ("ISO 3950", "Value", "Scheme", "Meaning", "Value of a supernumerary tooth beside it")
    return table(head, body)


def _supernumerary(tooth: Tooth) -> Tooth:
    return Tooth(tooth.quadrant, tooth.position, True)


def _private() -> str:
    found = sorted({str(e.tag) for ds in _objects() for e in ds.iterall() if e.tag.is_private})
    return "None." if not found else table(("Tag",), [(tag,) for tag in found])


OBJECT_TABLES: dict[str, Callable[[], str]] = {
    "instances": _instances,
    "attributes": _attributes,
    "extended attributes": _extended,
    "key object attributes": _notes,
    "codes": _coded,
    "tooth codes": _teeth,
    "private attributes": _private,
}
