"""Every rule of the register fires on a mutant of its own, and none on good objects."""

from __future__ import annotations

import io
import json
import struct
import warnings
from collections.abc import Callable
from datetime import datetime, timezone
from pathlib import Path

import pytest
from content_documents import report
from pydicom import Dataset
from pydicom.datadict import dictionary_VR
from pydicom.dataelem import RawDataElement
from pydicom.encaps import encapsulate
from pydicom.filewriter import dcmwrite
from pydicom.tag import Tag
from standard_photograph import (
    JPEG_BASELINE,
    ROOT,
    coded,
    file_meta,
    jpeg_frame,
    native,
    photograph,
    raw_element,
    written,
)

from archiver.dentition.codes import Code
from archiver.objects import concepts, key_objects, part10
from archiver.objects.modules import code_item as coded_item
from archiver.objects.uids import DerivedUids
from archiver.standard.finding import Severity
from archiver.standard.rules import all_rules
from archiver.standard.validator import validate_bytes, validate_file, validate_instance

EXPLICIT = "1.2.840.10008.1.2.1"
IMPLICIT = "1.2.840.10008.1.2"
DEFLATED = "1.2.840.10008.1.2.1.99"
BIG_ENDIAN = "1.2.840.10008.1.2.2"
LOSSLESS = "1.2.840.10008.1.2.4.70"
CT = "1.2.840.10008.5.1.4.1.1.2"
BLURRED = concepts.QUALITY_REASONS["111210"]


def changed(**values: object) -> bytes:
    """Return a photograph with attributes set, or left out where the value is None."""
    ds = photograph()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for keyword, value in values.items():
            if value is None:
                del ds[keyword]
            else:
                setattr(ds, keyword, value)
    return written(ds)


def altered(change: Callable[[Dataset], object]) -> bytes:
    ds = photograph()
    change(ds)
    return written(ds)


def framed(frame: bytes, syntax: str = JPEG_BASELINE, **values: object) -> bytes:
    """Return a photograph with another stream in its one fragment."""
    ds = photograph()
    for keyword, value in values.items():
        setattr(ds, keyword, value)
    ds.PixelData = encapsulate([frame])
    ds["PixelData"].is_undefined_length = True
    return written(ds, syntax)


def appended(element: bytes, before: int | None = None) -> bytes:
    """Return a native photograph with raw bytes put behind it, or before an element."""
    data = written(native(photograph()), EXPLICIT)
    if before is None:
        return data + element
    at = data.index(struct.pack("<HH", before >> 16, before & 0xFFFF), 132)
    return data[:at] + element + data[at:]


def note(change: Callable[[Dataset], object] = lambda ds: None, *modifiers: Code) -> bytes:
    """Return a note that rejects a photograph, spoilt."""
    wrong = photograph()
    told = key_objects.Note(
        concepts.REJECTED_FOR_QUALITY, (key_objects.referenced(wrong),), "blurred", modifiers
    )
    made = datetime(2026, 3, 5, tzinfo=timezone.utc)
    ds = key_objects.build(told, wrong, created=made, uids=DerivedUids())
    change(ds)
    return part10.whole(ds)


def changed_report(keyword: str, value: str) -> bytes:
    """Return a report, spoilt."""
    ds = report()
    setattr(ds, keyword, value)
    return part10.whole(ds)


def titled(title: Code, *modifiers: Code) -> bytes:
    return note(lambda ds: setattr(ds, "ConceptNameCodeSequence", [coded_item(title)]), *modifiers)


def refer_to(ds: Dataset, uid: str) -> None:
    ds.ContentSequence[-1].ReferencedSOPSequence[0].ReferencedSOPInstanceUID = uid


def replaced(old: bytes, new: bytes, count: int = 1) -> bytes:
    data = written(photograph())
    assert old in data
    return data.replace(old, new, count)


def segment(marker: int, payload: bytes) -> bytes:
    return struct.pack(">HH", 0xFF00 | marker, len(payload) + 2) + payload


def with_segment(marker: int, payload: bytes) -> bytes:
    frame = jpeg_frame()
    return framed(frame[:2] + segment(marker, payload) + frame[2:])


def icc(at: int, value: bytes) -> bytes:
    profile = bytearray(photograph().ICCProfile)
    profile[at : at + len(value)] = value
    return changed(ICCProfile=bytes(profile))


def item_of(keyword: str, number: int = 0) -> Callable[[Dataset], Dataset]:
    return lambda ds: ds[keyword].value[number]


def set_code(keyword: str, value: str, scheme: str, meaning: str) -> bytes:
    def change(ds: Dataset) -> None:
        item = ds[keyword].value[0]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning

    return altered(change)


def with_modifier(*values: str, **others: object) -> bytes:
    ds = photograph()
    ds.ViewCodeSequence[0].ViewModifierCodeSequence = [coded(v, "SCT", "x") for v in values]
    for keyword, value in others.items():
        setattr(ds, keyword, value)
    return written(ds)


def set_view(value: str) -> bytes:
    return altered(lambda ds: setattr(ds.ViewCodeSequence[0], "CodeValue", value))


def meta_without(length_of_element: int, tag: int) -> bytes:
    data = written(photograph())
    at = data.index(struct.pack("<HH", tag >> 16, tag & 0xFFFF), 132)
    return data[:at] + data[at + length_of_element :]


def fragments(*parts: bytes, end: bytes = b"\xfe\xff\xdd\xe0\0\0\0\0") -> bytes:
    """Return a photograph whose pixel data are these items as they are."""
    ds = photograph()
    del ds.PixelData
    items = b"".join(b"\xfe\xff\x00\xe0" + struct.pack("<I", len(p)) + p for p in parts)
    return written(ds) + b"\xe0\x7f\x10\x00OB\0\0\xff\xff\xff\xff" + items + end


def other_tooth(value: str, meaning: str) -> bytes:
    return set_code("PrimaryAnatomicStructureSequence", value, "SCT", meaning)


def with_source(**values: object) -> bytes:
    def change(ds: Dataset) -> None:
        for keyword, value in values.items():
            if value is None:
                del ds.SourceImageSequence[0][keyword]
            else:
                setattr(ds.SourceImageSequence[0], keyword, value)

    return altered(change)


def private(creator: bool) -> bytes:
    block = raw_element(0x00090010, "LO", b"INVENTED") if creator else b""
    return appended(block + raw_element(0x00091001, "LO", b"word"), 0x00100010)


def even(frame: bytes) -> bytes:
    return frame + b"\0" * (len(frame) % 2)


FRAME = even(jpeg_frame())

MUTANTS: dict[str, Callable[[], bytes]] = {
    "file-not-dicom": lambda: b"no object " * 40,
    "file-no-preamble": lambda: written(photograph())[132:],
    "file-meta-missing": lambda: bytes(128) + b"DICM" + raw_element(0x00080016, "UI", b"1.2\0"),
    "file-meta-element-missing": lambda: meta_without(14, 0x00020001),
    "file-meta-group-length": lambda: meta_without(14, 0x00020001),
    "file-meta-version": lambda: replaced(b"OB\0\0\x02\0\0\0\0\x01", b"OB\0\0\x02\0\0\0\0\x02"),
    "file-meta-contradicts-dataset": lambda: replaced(b"2.25.9127001.3", b"2.25.9127001.7"),
    "encoding-contradicts-syntax": lambda: replaced(
        b"1.2.840.10008.1.2.4.50", b"1.2.840.10008.1.2\0\0\0\0\0"
    ),
    "deflate-broken": lambda: written(native(photograph()), DEFLATED)[:-20],
    "element-unreadable": lambda: appended(b"\x01\x80\x02"),
    "element-truncated": lambda: written(native(photograph()), EXPLICIT)[:-100],
    "element-duplicate": lambda: appended(raw_element(0x00100020, "LO", b"P-1 "), 0x00100020),
    "element-order": lambda: appended(raw_element(0x00081010, "SH", b"Room"), 0x00100020),
    "element-unknown": lambda: appended(raw_element(0x00080003, "LO", b"word"), 0x00080008),
    "group-length-retired": lambda: appended(
        raw_element(0x00100000, "UL", b"\x10\0\0\0"), 0x00100010
    ),
    "group-misplaced": lambda: appended(raw_element(0x00000002, "UI", b"1.2\0"), 0x00080005),
    "private-creator-missing": lambda: private(creator=False),
    "length-odd": lambda: appended(raw_element(0x00081010, "SH", b"odd"), 0x00081030),
    "length-undefined": lambda: appended(
        b"\x08\x00\x10\x10UT\0\0\xff\xff\xff\xff\xfe\xff\xdd\xe0\0\0\0\0", 0x00081030
    ),
    "length-of-numbers": lambda: appended(raw_element(0x00189073, "FD", b"\0\0\0\0"), 0x0020000D),
    "vr-unknown": lambda: appended(b"\x08\0\x10\x10ZZ\0\0\x02\0\0\0ab", 0x00081030),
    "vr-unknown-used": lambda: appended(raw_element(0x00081010, "UN", b"ab"), 0x00081030),
    "vr-wrong": lambda: appended(raw_element(0x00081010, "LO", b"ab"), 0x00081030),
    "padding": lambda: replaced(b"Model One\x20", b"Model One\0"),
    "multiplicity": lambda: changed(PatientOrientation=["L"]),
    "value-length": lambda: changed(StudyDescription="x" * 66),
    "value-format": lambda: replaced(b"DA\x08\x0020260304", b"DA\x08\x002026-3-4"),
    "value-impossible": lambda: changed(StudyDate="20260230"),
    "uid-malformed": lambda: changed(StudyInstanceUID="1.2.03"),
    "repertoire": lambda: changed(ImageComments="bell\x07"),
    "charset-unknown": lambda: replaced(b"ISO_IR 192", b"ISO_IR 999"),
    "charset-undeclared": lambda: replaced(b"\x08\0\x05\0CS\x0a\0ISO_IR 192", b""),
    "charset-mismatch": lambda: replaced("Håk".encode(), b"H\xe5kk"),
    "type-1-missing": lambda: changed(Rows=None),
    "type-1-empty": lambda: changed(Modality=""),
    "type-1c-missing": lambda: changed(PlanarConfiguration=None),
    "type-2-missing": lambda: changed(StudyID=None),
    "type-2c-missing": lambda: changed(PatientOrientation=None),
    "condition-forbids": lambda: altered(
        lambda ds: setattr(ds.AcquisitionContextSequence[1], "Date", "20260304")
    ),
    "sequence-empty": lambda: changed(DerivationCodeSequence=[]),
    "sequence-too-long": lambda: altered(
        lambda ds: ds.AnatomicRegionSequence.append(coded("123851003", "SCT", "Mouth"))
    ),
    "attribute-outside-iod": lambda: changed(KVP="70"),
    "value-not-enumerated": lambda: changed(BurnedInAnnotation="MAYBE"),
    "term-not-defined": lambda: changed(LossyImageCompressionMethod="ISO_10918_9"),
    "code-value-length": lambda: set_code("ViewCodeSequence", "1" * 17, "SCT", "x"),
    "code-meaning-length": lambda: set_code("ViewCodeSequence", "260499007", "SCT", "x" * 66),
    "code-meaning-differs": lambda: set_code("ViewCodeSequence", "260499007", "SCT", "from below"),
    "code-malformed": lambda: set_code("ViewCodeSequence", "260499008", "SCT", "x"),
    "code-scheme-wrong": lambda: set_code("ViewCodeSequence", "260499007", "DCM", "x"),
    "code-outside-group": lambda: altered(
        lambda ds: setattr(
            ds.SourceImageSequence[0].PurposeOfReferenceCodeSequence[0], "CodeValue", "113040"
        )
    ),
    "code-outside-baseline": lambda: set_code("ViewCodeSequence", "73211009", "SCT", "x"),
    "scheme-undeclared": lambda: changed(CodingSchemeIdentificationSequence=None),
    "orientation-impossible": lambda: changed(PatientOrientation=["L", "R"]),
    "laterality-contradicts": lambda: changed(Laterality="R"),
    "laterality-twice": lambda: changed(Laterality="L"),
    "transfer-syntax-unknown": lambda: replaced(
        b"1.2.840.10008.1.2.4.50", b"1.2.840.10008.1.2.4.49"
    ),
    "transfer-syntax-retired": lambda: written(photograph(), "1.2.840.10008.1.2.4.55"),
    "samples-contradict-photometric": lambda: changed(SamplesPerPixel=1),
    "bits": lambda: changed(HighBit=8),
    "frame-size": lambda: changed(Rows=65),
    "frame-count": lambda: changed(NumberOfFrames=2),
    "photometric-contradicts-syntax": lambda: changed(PhotometricInterpretation="RGB"),
    "photometric-contradicts-stream": lambda: changed(PhotometricInterpretation="RGB"),
    "pixel-data-vr": lambda: written(photograph()).replace(
        b"\xe0\x7f\x10\0OB", b"\xe0\x7f\x10\0OW"
    ),
    "pixel-data-length": lambda: written(_shorter(native(photograph())), EXPLICIT),
    "pixel-data-not-encapsulated": lambda: written(native(photograph()), EXPLICIT).replace(
        b"1.2.840.10008.1.2.1\0", b"1.2.840.10008.1.2.5\0"
    ),
    "pixel-data-encapsulated": lambda: replaced(
        b"1.2.840.10008.1.2.4.50", b"1.2.840.10008.1.2.1\0\0\0"
    ),
    "columns-odd": lambda: written(_odd_columns(), EXPLICIT),
    "fragments-broken": lambda: fragments(b"", FRAME, end=b""),
    "fragments-missing": lambda: fragments(b""),
    "fragment-odd": lambda: fragments(
        b"", jpeg_frame() if len(jpeg_frame()) % 2 else FRAME + b"\0"
    ),
    "offset-table": lambda: fragments(struct.pack("<I", 6), FRAME),
    "stream-unreadable": lambda: framed(jpeg_frame()[:2000]),
    "stream-contradicts-syntax": lambda: written(photograph(), LOSSLESS),
    "stream-samples": lambda: changed(SamplesPerPixel=1, PhotometricInterpretation="MONOCHROME2"),
    "stream-precision": lambda: changed(BitsStored=7, HighBit=6),
    "stream-trailing": lambda: framed(jpeg_frame() + jpeg_frame()),
    "stream-metadata": lambda: with_segment(0xE1, b"Exif\0\0" + bytes(20)),
    "lossy-flag-contradicts-stream": lambda: changed(LossyImageCompression="00"),
    "lossy-history-without-flag": lambda: changed(LossyImageCompression="00"),
    "lossy-ratio-missing": lambda: changed(LossyImageCompressionRatio=None),
    "lossy-method-missing": lambda: changed(LossyImageCompressionMethod=None),
    "lossy-history-unpaired": lambda: changed(LossyImageCompressionRatio=["3", "2"]),
    "lossy-ratio-implausible": lambda: changed(LossyImageCompressionRatio="90"),
    "lossy-method-contradicts-stream": lambda: changed(LossyImageCompressionMethod="ISO_15444_1"),
    "icc-missing": lambda: changed(ICCProfile=None, ColorSpace=None),
    "icc-on-grey": lambda: changed(SamplesPerPixel=1, PhotometricInterpretation="MONOCHROME2"),
    "icc-corrupt": lambda: icc(36, b"xxxx"),
    "icc-class": lambda: icc(12, b"mntr"),
    "icc-colour-space": lambda: icc(16, b"CMYK"),
    "icc-connection-space": lambda: icc(20, b"RGB "),
    "colour-space-without-profile": lambda: changed(ICCProfile=None),
    "reference-to-itself": lambda: with_source(ReferencedSOPInstanceUID=f"{ROOT}.3"),
    "reference-unlisted": lambda: with_source(ReferencedSOPInstanceUID=f"{ROOT}.8"),
    "reference-list-idle": lambda: with_source(ReferencedSOPInstanceUID=f"{ROOT}.8"),
    "tooth-code-earlier": lambda: other_tooth("23427002", "x"),
    "tooth-meaning-contradicts": lambda: other_tooth(
        "23226009", "Permanent maxillary right second premolar tooth"
    ),
    "tooth-twice": lambda: altered(
        lambda ds: ds.PrimaryAnatomicStructureSequence.append(
            ds.PrimaryAnatomicStructureSequence[0]
        )
    ),
    "tooth-contradicts-region": lambda: other_tooth(
        "24573005", "Mandibular left second premolar tooth"
    ),
    "tooth-contradicts-laterality": lambda: other_tooth(
        "36492000", "Permanent maxillary right second premolar tooth"
    ),
    "region-side-contradicts": lambda: changed(ImageLaterality="B"),
    "surface-contradicts-tooth": lambda: other_tooth(
        "424399000", "Permanent maxillary left central incisor tooth"
    ),
    "view-contradicts-side": lambda: set_view("399198007"),
    "view-contradicts-surface": lambda: set_view("399173006"),
    "modifier-contradicts-teeth": lambda: with_modifier("789313002"),
    "modifiers-contradict": lambda: with_modifier("789135000", "787610003"),
    "orientation-unknown": lambda: changed(PatientOrientation=""),
    "orientation-contradicts-view": lambda: changed(PatientOrientation=["L", "F"]),
    "truth-test": lambda: changed(PatientOrientation=["R", "P"]),
    "original-with-source": lambda: changed(ImageType=["ORIGINAL", "PRIMARY"]),
    "original-but-corrected": lambda: changed(ImageType=["ORIGINAL", "PRIMARY"]),
    "derived-without-source": lambda: changed(
        SourceImageSequence=None, ReferencedSeriesSequence=None
    ),
    "turn-impossible": lambda: with_source(PatientOrientation=["A", "F"]),
    "turn-contradicts-modifier": lambda: with_modifier("789310004"),
    "turn-contradicts-preserved": lambda: with_source(SpatialLocationsPreserved="YES"),
    "flip-unexplained": lambda: with_modifier("789131009"),
    "mirror-device-missing": lambda: changed(DeviceSequence=None),
    "note-attribute-missing": lambda: note(lambda ds: delattr(ds, "ContinuityOfContent")),
    "note-title": lambda: titled(concepts.SMILES),
    "note-modifier": lambda: titled(concepts.OF_INTEREST, BLURRED),
    "note-without-instance": lambda: note(lambda ds: ds.ContentSequence.pop()),
    "note-reference-unlisted": lambda: note(lambda ds: refer_to(ds, f"{ROOT}.99")),
    "tree-attribute-missing": lambda: note(lambda ds: delattr(ds.ContentSequence[0], "TextValue")),
    "tree-attribute-alien": lambda: note(lambda ds: setattr(ds, "RelationshipType", "CONTAINS")),
    "tree-value-type": lambda: note(lambda ds: setattr(ds, "ValueType", "TEXT")),
    "tree-relationship": lambda: note(
        lambda ds: setattr(ds.ContentSequence[0], "RelationshipType", "HAS OBS CONTEXT_")
    ),
    "tree-continuity": lambda: note(lambda ds: setattr(ds, "ContinuityOfContent", "MAYBE")),
    "tree-term": lambda: changed_report("CompletionFlag", "PERHAPS"),
    "tree-items": lambda: note(lambda ds: setattr(ds, "ContentTemplateSequence", [])),
    "tree-evidence": lambda: note(lambda ds: refer_to(ds, f"{ROOT}.99")),
    "note-template": lambda: note(
        lambda ds: setattr(ds.ContentTemplateSequence[0], "TemplateIdentifier", "2000")
    ),
    "time-zone": lambda: changed(TimezoneOffsetFromUTC="+2500"),
    "pixel-aspect-ratio": lambda: changed(PixelAspectRatio=["1", "0"]),
    "colour-space-against-profile": lambda: changed(ColorSpace="ADOBERGB"),
    "note-of-itself": lambda: note(lambda ds: refer_to(ds, ds.SOPInstanceUID)),
    "scope": lambda: changed(SOPClassUID=CT),
}

#: The attribute that each mutant's findings point to.
PLACES: dict[str, list[str]] = json.loads(
    (Path(__file__).parent / "rule_places.json").read_text("utf-8")
)

# Rules about several files are set off in test_collection.py, and this one below.
ELSEWHERE = {
    "file-unreadable",
    "source-absent",
    "source-not-looked-at",
    "source-of-other-patient",
    "source-of-other-study",
    "source-orientation-contradicts",
    "source-shows-other",
    "source-class-contradicts",
    "original-not-kept",
    "instance-twice",
    "instance-differs",
    "study-of-two-patients",
    "series-of-two-studies",
    "patient-contradicts",
}


def _shorter(ds: Dataset) -> Dataset:
    ds.PixelData = ds.PixelData[:-2]
    return ds


def _odd_columns() -> Dataset:
    ds = native(photograph())
    ds.PhotometricInterpretation = "YBR_FULL_422"
    ds.Columns = 95
    return ds


def test_every_rule_has_a_mutant_and_every_mutant_a_rule() -> None:
    assert set(MUTANTS) | ELSEWHERE == set(all_rules())


@pytest.mark.parametrize("rule", MUTANTS)
def test_the_rule_fires_on_its_mutant(rule: str) -> None:
    findings = [f for f in validate_bytes(MUTANTS[rule](), "spoilt.dcm") if f.rule == rule]
    assert findings, f"{rule} stayed silent"
    for finding in findings:
        assert finding.path == "spoilt.dcm"
        assert finding.found
        assert finding.clause
    assert sorted({finding.attribute for finding in findings}) == PLACES[rule]


def test_a_file_that_cannot_be_opened_is_a_finding(tmp_path: Path) -> None:
    assert [f.rule for f in validate_file(tmp_path / "absent.dcm")] == ["file-unreadable"]
    assert [f.rule for f in validate_file(tmp_path)] == ["file-unreadable"]


GOOD: dict[str, Callable[[], bytes]] = {
    "JPEG baseline": lambda: written(photograph()),
    "explicit little endian": lambda: written(native(photograph()), EXPLICIT),
    "a note that rejects": note,
    "a note that rejects, and why": lambda: note(lambda ds: None, BLURRED),
    "a note of a quality issue": lambda: titled(Code("113010", "DCM", "Quality Issue"), BLURRED),
    "implicit little endian": lambda: written(native(photograph()), IMPLICIT),
    "deflated": lambda: written(native(photograph()), DEFLATED),
    "private elements with their creator": lambda: private(creator=True),
    "an offset table with its one offset": lambda: fragments(struct.pack("<I", 0), FRAME),
    "the frame in two fragments": lambda: fragments(b"", FRAME[:1000], FRAME[1000:]),
    "empty where type 2 allows it": lambda: changed(
        PatientName="", PatientID="", PatientBirthDate="", PatientSex="", StudyDate=""
    ),
    "Japanese with code extensions": lambda: _japanese(),
}


def _japanese() -> bytes:
    # The example of PS3.5 H.3.1, Yamada^Tarou in three groups.
    ds = photograph()
    ds.SpecificCharacterSet = ["", "ISO 2022 IR 87"]
    ds.PatientName = "Yamada^Tarou=山田^太郎=やまだ^たろう"
    return written(ds)


@pytest.mark.parametrize("name", GOOD)
def test_good_objects_have_no_finding(name: str) -> None:
    assert validate_bytes(GOOD[name]()) == []


def test_an_instance_is_validated_before_it_is_written() -> None:
    ds = photograph()
    del ds.PixelData
    frame = jpeg_frame()
    assert validate_instance(ds, frame, JPEG_BASELINE) == []
    ds.Rows = 65
    ds.Modality = "IO"
    rules = {f.rule for f in validate_instance(ds, frame, JPEG_BASELINE)}
    assert rules == {"frame-size", "value-not-enumerated"}


def test_validating_leaves_the_dataset_as_it_was() -> None:
    ds = photograph()
    del ds.PixelData
    before = ds.to_json()
    validate_instance(ds, jpeg_frame(), JPEG_BASELINE)
    assert ds.to_json() == before


def test_findings_never_repeat_names_identifiers_or_birth_dates() -> None:
    spoilt = {
        "PatientName": b"Secretname^X^^^^^\x07" + b"n" * 71,
        "PatientID": b"SECRET-77\x07" + b"7" * 70,
        "PatientBirthDate": b"1988021x",
        "ReferringPhysicianName": b"Secretname^\x07",
        "ImageComments": b"Secretname came\x07",
        "PatientSex": b"X ",
    }
    ds = photograph()
    for keyword, value in spoilt.items():
        tag, vr = Tag(keyword), dictionary_VR(keyword)
        ds._dict[tag] = RawDataElement(tag, vr, len(value), value, 0, False, True)
    text = "\n".join(str(f) for f in validate_bytes(written(ds)))
    assert all(keyword in text for keyword in spoilt)
    assert not any(secret in text for secret in ("Secret", "SECRET", "1988"))


def test_other_sop_classes_get_what_applies_and_are_told_so() -> None:
    ds = native(photograph())
    ds.SOPClassUID = CT
    ds.Modality = "CT"
    ds.PatientPosition = "HFS"
    del ds.AccessionNumber
    found = {f.rule: f for f in validate_bytes(written(ds, EXPLICIT))}
    assert found["scope"].severity is Severity.NOTE
    assert "CT Image" in str(found["scope"].found)
    assert found["type-2-missing"].attribute == "AccessionNumber (0008,0050)"
    assert "term-not-defined" not in found


def test_the_path_of_a_nested_attribute_counts_items_from_one() -> None:
    data = altered(lambda ds: setattr(ds.SourceImageSequence[0], "PatientOrientation", ["Q", "F"]))
    places = {f.attribute for f in validate_bytes(data) if f.rule == "orientation-impossible"}
    assert places == {"SourceImageSequence[1].PatientOrientation (0020,0020)"}


def test_big_endian_is_read() -> None:
    ds = native(photograph())
    ds.file_meta = file_meta(ds, BIG_ENDIAN)
    buffer = io.BytesIO()
    dcmwrite(buffer, ds, enforce_file_format=True)
    assert {f.rule for f in validate_bytes(buffer.getvalue())} == {"transfer-syntax-retired"}


OVERLAY = {
    "Rows": (0x10, "US", b"\x40\0"),
    "Columns": (0x11, "US", b"\x60\0"),
    "Type": (0x40, "CS", b"G "),
    "Origin": (0x50, "SS", b"\x01\0\x01\0"),
    "Bits Allocated": (0x100, "US", b"\x01\0"),
    "Bit Position": (0x102, "US", b"\0\0"),
    "Data": (0x3000, "OW", bytes(768)),
}


def overlaid(group: int, *, without: str = "", empty: str = "") -> set[tuple[str, str, str]]:
    elements = [
        raw_element(group << 16 | number, vr, b"" if name == empty else value)
        for name, (number, vr, value) in OVERLAY.items()
        if name != without
    ]
    found = validate_bytes(appended(b"".join(elements), 0x7FE00010))
    return {(f.rule, f.attribute, f.clause) for f in found}


@pytest.mark.parametrize("group", [0x6000, 0x601E])
@pytest.mark.parametrize("name", OVERLAY)
def test_a_plane_of_an_overlay_has_all_that_belongs_to_it(group: int, name: str) -> None:
    assert overlaid(group) == set()
    tag = f"({group:04X},{OVERLAY[name][0]:04X})"
    ((rule, place, clause),) = overlaid(group, without=name)
    assert rule == "type-1-missing" and place.endswith(tag) and clause == "PS3.3 C.9.2"
    ((rule, place, clause),) = overlaid(group, empty=name)
    assert rule == "type-1-empty" and place.endswith(tag) and clause == "PS3.3 C.9.2"


def test_a_note_of_another_modality_is_told_and_one_without_is_told_once() -> None:
    def places(data: bytes) -> set[tuple[str, str, str]]:
        return {(f.rule, f.attribute, str(f.found)) for f in validate_bytes(data)}

    modality = "Modality (0008,0060)"
    other = places(note(lambda ds: setattr(ds, "Modality", "XC")))
    assert other == {("note-attribute-missing", modality, "'XC'")}
    ((rule, place, _),) = places(note(lambda ds: delattr(ds, "Modality")))
    assert place == modality and rule == "note-attribute-missing"


SAMPLES = {"MONOCHROME1": 1, "MONOCHROME2": 1, "PALETTE COLOR": 1, "XYB": 3}
SAMPLES |= dict.fromkeys(("RGB", "YBR_FULL", "YBR_FULL_422", "YBR_PARTIAL_420"), 3)
SAMPLES |= dict.fromkeys(("YBR_PARTIAL_422", "YBR_RCT", "YBR_ICT"), 3)


@pytest.mark.parametrize("name", SAMPLES)
@pytest.mark.parametrize("samples", [1, 2, 3, 4])
def test_samples_are_those_of_the_photometric_interpretation(name: str, samples: int) -> None:
    found = validate_bytes(changed(PhotometricInterpretation=name, SamplesPerPixel=samples))
    fires = "samples-contradict-photometric" in {f.rule for f in found}
    assert fires is (samples != SAMPLES[name])
