"""Rules at their borders: what just passes, and what just does not."""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest
from pydicom import Dataset
from pydicom.datadict import dictionary_VR
from standard_photograph import coded, jpeg_frame, native, photograph, raw_element, written

from archiver.standard import Finding
from archiver.standard.dictionary import tag_of
from archiver.standard.elements import Element, Item
from archiver.standard.report import shown
from archiver.standard.validator import validate_bytes

EXPLICIT, IMPLICIT = "1.2.840.10008.1.2.1", "1.2.840.10008.1.2"
CT = "1.2.840.10008.5.1.4.1.1.2"
ACTUAL = f"{64 * 96 * 3 / len(jpeg_frame()):.2f}"


def found_in(
    data: bytes, rules: str | tuple[str, ...], attribute: str = ""
) -> list[tuple[str, str]]:
    """Rule and place of the findings whose rule begins so, about an attribute."""
    findings = [f for f in validate_bytes(data) if f.rule.startswith(rules)]
    return [(f.rule, f.attribute) for f in findings if attribute in f.attribute]


def with_values(**values: object) -> bytes:
    ds = photograph()
    for keyword, value in values.items():
        setattr(ds, keyword, value)
    return written(ds)


def texts_of(findings: list[Finding]) -> list[str]:
    return [str(f.found) for f in findings]


@pytest.mark.parametrize(
    ("ratios", "fires"),
    [
        (["1000", ACTUAL], False),
        (["1000.5", ACTUAL], True),
        (["1.01", ACTUAL], False),
        (["1", ACTUAL], True),
        (["0.5", ACTUAL], True),
    ],
)
def test_the_ratio_of_an_earlier_step_is_above_one_and_at_most_a_thousand(
    ratios: list[str], fires: bool
) -> None:
    data = with_values(
        LossyImageCompressionRatio=ratios,
        LossyImageCompressionMethod=["ISO_10918_1", "ISO_10918_1"],
    )
    assert bool(found_in(data, "lossy-ratio-implausible")) is fires


@pytest.mark.parametrize(
    ("factor", "fires"), [(1, False), (2, False), (2.2, True), (0.5, False), (0.45, True)]
)
def test_the_ratio_of_the_last_step_is_about_what_the_stream_has(
    factor: float, fires: bool
) -> None:
    data = with_values(LossyImageCompressionRatio=f"{float(ACTUAL) * factor:.3f}")
    assert bool(found_in(data, "lossy-ratio-implausible")) is fires


@pytest.mark.parametrize(
    ("orientation", "says"),
    [
        (["L", "P"], ""),
        (["LP", "FA"], ""),
        (["LPH", "FAR"], ""),
        (["LR", "P"], "'LR', which contradicts"),
        (["LL", "P"], "'LL', which contradicts"),
        (["L", "PA"], "'PA', which contradicts"),
        (["LHPF", "A"], "'LHPF\\A'"),
        (["X", "P"], "'X\\P'"),
        (["L", "RH"], "one axis"),
        (["L", "LH"], "one axis"),
    ],
)
def test_the_letters_of_an_orientation(orientation: list[str], says: str) -> None:
    findings = validate_bytes(with_values(PatientOrientation=orientation))
    told = texts_of([f for f in findings if f.rule == "orientation-impossible"])
    assert len(told) == bool(says) and all(says in one for one in told)


def test_every_item_of_a_sequence_has_its_code_looked_up() -> None:
    """A code that is known, or is none, does not hide the one behind it."""
    known = coded("261063000", "SCT", "Buccal vestibule")
    empty = Dataset()
    stranger = coded("138875005", "SCT", "SNOMED CT Concept")
    for before in ([], [known], [empty], [known, empty]):
        ds = native(photograph())
        ds.AnatomicRegionSequence = [*before, stranger]
        places = found_in(
            written(ds, EXPLICIT), ("code-outside-baseline", "code-outside-group"), "AnatomicRegion"
        )
        assert [place for _, place in places] == [
            f"AnatomicRegionSequence[{len(before) + 1}].CodeValue (0008,0100)"
        ]


def one_bit(rows: int, columns: int, length: int) -> bytes:
    ds = native(photograph())
    ds.SOPClassUID = CT
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated = ds.BitsStored = 1
    ds.HighBit, ds.Rows, ds.Columns = 0, rows, columns
    ds.PixelData = bytes(length)
    return written(ds, EXPLICIT)


@pytest.mark.parametrize(("columns", "right"), [(8, 2), (9, 2), (16, 2), (17, 4), (24, 4), (33, 6)])
def test_pixels_of_one_bit_fill_bytes_up_to_an_even_number(columns: int, right: int) -> None:
    """PS3.5 8.1.1: packed without gaps between rows, padded at the end."""
    for length in (2, 4, 6):
        fires = bool(found_in(one_bit(1, columns, length), "pixel-data-length"))
        assert fires is (length != right)


def implicit(tag: int, value: bytes) -> bytes:
    return struct.pack("<HHI", tag >> 16, tag & 0xFFFF, len(value)) + value


@pytest.mark.parametrize(
    ("tag", "value", "rules"),
    [
        # A block's creator is LO, whatever the encoding leaves out; what it owns is unknown.
        (0x00110010, b"FENNMARK", set()),
        (0x001100FF, b"x" * 66, {"value-length"}),
        (0x00111001, b"\x01\x02" * 40, {"private-creator-missing"}),
        (0x00120010, b"Sponsor ", set()),
        (0x00120011, b"\x01\x02" * 40, {"element-unknown"}),
    ],
    ids=["creator", "long creator", "owned", "known", "unknown"],
)
def test_an_element_that_no_dictionary_has_is_bytes_unless_it_names_a_creator(
    tag: int, value: bytes, rules: set[str]
) -> None:
    ds = native(photograph())
    whole = written(ds, IMPLICIT)
    following = min(element.tag for element in ds if element.tag > tag)
    place = whole.index(struct.pack("<HH", following.group, following.element))
    data = whole[:place] + implicit(tag, value) + whole[place:]
    findings = validate_bytes(data)
    mine = {f.rule for f in findings if f"({tag >> 16:04X},{tag & 0xFFFF:04X})" in f.attribute}
    assert mine - {"attribute-outside-iod"} == rules


def test_what_cannot_be_read_is_told_of_the_character_set_that_it_began_in() -> None:
    ds = photograph()
    ds.SpecificCharacterSet = ["", "ISO 2022 IR 87"]
    del ds.StudyDescription
    data = written(ds)
    place = data.index(struct.pack("<HH", 0x0008, 0x103E))
    spoilt = data[:place] + raw_element(0x00081030, "LO", b"Recall \xe9") + data[place:]
    (finding,) = [f for f in validate_bytes(spoilt) if f.attribute.startswith("StudyDescription")]
    assert "default" in str(finding.found) and "87" not in str(finding.found)


@pytest.mark.parametrize(
    ("count", "rules"), [(0, {"sequence-empty"}), (1, set()), (2, {"sequence-too-long"})]
)
def test_a_sequence_of_one_item_has_one(count: int, rules: set[str]) -> None:
    view = coded("260499007", "SCT", "Occlusal projection")
    data = with_values(ViewCodeSequence=[view] * count)
    about = found_in(data, ("sequence", "type"), "ViewCodeSequence")
    assert {rule for rule, _ in about} == rules


def test_a_sequence_without_a_limit_may_have_many_items() -> None:
    tooth = coded("23226009", "SCT", "Permanent maxillary left second premolar tooth")
    data = with_values(PrimaryAnatomicStructureSequence=[tooth] * 5)
    assert found_in(data, "sequence-too-long") == []


def with_item(fill: Callable[[Dataset], None]) -> bytes:
    ds = photograph()
    fill(ds.SourceImageSequence[0])
    return written(ds)


def test_an_absent_attribute_is_told_with_the_clause_that_asks_for_it() -> None:
    """Its own, or that of its module."""
    ds = photograph()
    del ds.Modality
    del ds.SourceImageSequence[0].ReferencedSOPClassUID
    clauses = {f.attribute: f.clause for f in validate_bytes(written(ds)) if "missing" in f.rule}
    assert clauses["Modality (0008,0060)"] == "PS3.3 C.7.3.1"
    assert clauses["SourceImageSequence[1].ReferencedSOPClassUID (0008,1150)"].startswith("PS3.3")


@pytest.mark.parametrize(
    ("stored", "allocated", "high", "places"),
    [
        (8, 8, 7, []),
        (1, 8, 0, []),
        (9, 8, 8, ["BitsStored (0028,0101)"]),
        (0, 8, 65535, ["BitsStored (0028,0101)", "HighBit (0028,0102)"]),
        (8, 8, 8, ["HighBit (0028,0102)"]),
        (8, 8, 6, ["HighBit (0028,0102)"]),
    ],
)
def test_bits_that_are_stored_fit_into_those_allocated(
    stored: int, allocated: int, high: int, places: list[str]
) -> None:
    data = with_values(BitsStored=stored, BitsAllocated=allocated, HighBit=high)
    assert [place for _, place in found_in(data, "bits")] == places


@pytest.mark.parametrize("keyword", ["BitsStored", "BitsAllocated", "HighBit"])
def test_bits_of_which_one_is_not_told_are_not_compared_with_it(keyword: str) -> None:
    ds = photograph()
    delattr(ds, keyword)
    assert found_in(written(ds), "bits") == []


@pytest.mark.parametrize(
    ("frames", "of_a_photograph", "of_another"),
    [("0", True, True), ("1", False, False), ("2", True, False), ("3", True, False)],
)
def test_a_photograph_has_one_frame_and_other_pictures_at_least_one(
    frames: str, of_a_photograph: bool, of_another: bool
) -> None:
    for sop_class, fires in (("", of_a_photograph), (CT, of_another)):
        ds = photograph()
        ds.NumberOfFrames = frames
        ds.SOPClassUID = sop_class or ds.SOPClassUID
        assert bool(found_in(written(ds), "frame-count", "NumberOfFrames")) is fires


@pytest.mark.parametrize(("columns", "fires"), [(64 * 96 * 2, False), (64 * 96 * 3, True)])
def test_native_pixels_in_422_have_two_samples_a_pixel(columns: int, fires: bool) -> None:
    ds = native(photograph())
    ds.SOPClassUID, ds.PhotometricInterpretation = CT, "YBR_FULL_422"
    ds.PixelData = bytes(columns)
    assert bool(found_in(written(ds, EXPLICIT), "pixel-data-length")) is fires


@pytest.mark.parametrize(
    ("marker", "content", "kind"),
    [
        (0xE1, b"Exif\0\0", "EXIF (APP1)"),
        (0xE1, b"http://ns.adobe.com/xap/1.0/\0", "XMP (APP1)"),
        (0xE2, b"MPF\0", "multi-picture index (APP2)"),
        (0xED, b"Photoshop 3.0\0", "IPTC (APP13)"),
        (0xEF, b"whatever", "application data (APP15)"),
        (0xE0, b"JFXX\0", "JFIF thumbnail (APP0)"),
        (0xEE, b"Adobe\0", ""),
    ],
)
def test_what_a_camera_left_in_the_stream_is_told_by_its_kind(
    marker: int, content: bytes, kind: str
) -> None:
    frame = jpeg_frame()
    segment = struct.pack(">BBH", 0xFF, marker, len(content) + 2) + content
    ds = photograph(frame=frame[:2] + segment + frame[2:])
    found = [f for f in validate_bytes(written(ds)) if kind and kind in str(f.found)]
    told = [f for f in validate_bytes(written(ds)) if "(APP" in str(f.found)]
    assert len(found) == len(told) == bool(kind)


@pytest.mark.parametrize(("count", "fires"), [(0, False), (1, False), (2, True)])
def test_a_container_is_of_one_type_at_most(count: int, fires: bool) -> None:
    data = with_values(
        ContainerIdentifier="C-1",
        IssuerOfTheContainerIdentifierSequence=[],
        SpecimenDescriptionSequence=[Dataset()],
        ContainerTypeCodeSequence=[coded("433466003", "SCT", "Microscope slide")] * count,
    )
    about = found_in(data, "sequence-", "ContainerTypeCodeSequence")
    assert [rule for rule, _ in about] == (["sequence-too-long"] if fires else [])


@pytest.mark.parametrize("sop_class", ["", CT])
def test_every_module_that_applies_is_asked_for(sop_class: str) -> None:
    """Those behind the overlay in the alphabet too."""
    ds = native(photograph())
    ds.SOPClassUID = sop_class or ds.SOPClassUID
    for keyword in ("PatientID", "StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID", "Rows"):
        delattr(ds, keyword)
    missing = {place.partition(" ")[0] for _, place in found_in(written(ds, EXPLICIT), "type-")}
    assert missing - {"PatientPosition"} == {
        "PatientID",
        "StudyInstanceUID",
        "SeriesInstanceUID",
        "SOPInstanceUID",
        "Rows",
    }


@pytest.mark.parametrize(
    ("keyword", "identifies"),
    [
        ("PatientBirthDate", True),
        ("EthicsCommitteeApprovalEffectivenessStartDate", True),
        ("AdmittingDate", True),
        ("ScheduledProcedureStepStartDate", True),
        ("StudyDate", False),
        ("PatientSex", False),
        ("StudyDescription", True),
        ("LensModel", True),
    ],
)
@pytest.mark.filterwarnings("ignore::UserWarning")  # of pydicom, about what is no date
def test_a_value_is_quoted_unless_it_may_tell_who_it_is(keyword: str, identifies: bool) -> None:
    """Dates of the groups of patient, trial, admission and procedure; free text of any."""
    element = Element(tag_of(keyword), dictionary_VR(keyword), b"20261399", 8, True)
    told = str(shown(element))
    assert ("20261399" in told) is not identifies
    assert told == ("a value of 8 characters" if identifies else "'20261399'")


def test_a_long_value_is_cut() -> None:
    for length, told in ((64, "'" + "1" * 64 + "'"), (65, "'" + "1" * 64 + "...'")):
        assert str(shown(Element(tag_of("ImageType"), "CS", b"1" * length, length, True))) == told


@pytest.mark.parametrize(
    "left", ["LossyImageCompressionRatio", "LossyImageCompressionMethod"], ids=["ratio", "method"]
)
def test_half_a_history_of_lossy_compression_is_as_wrong_without_its_flag(left: str) -> None:
    ds = native(photograph())
    setattr(ds, left, "5.2" if left.endswith("Ratio") else "ISO_10918_1")
    assert len(found_in(written(ds, EXPLICIT), "lossy-history-without", left)) == 1


@pytest.mark.parametrize(("photometric", "fires"), [("RGB", False), ("YBR_RCT", True)])
def test_the_colours_of_an_uncompressed_photograph_are_those_of_its_syntax(
    photometric: str, fires: bool
) -> None:
    ds = native(photograph())
    ds.PhotometricInterpretation = photometric
    assert bool(found_in(written(ds, EXPLICIT), "photometric-contradicts-syntax")) is fires


@pytest.mark.parametrize("words", [b"nan ", b"inf ", b"-inf", b"1e999 ", b""])
def test_a_number_that_is_none_is_not_taken_for_one(words: bytes) -> None:
    element = Element(tag_of("NumberOfFrames"), "IS", words, len(words))
    assert Item({element.tag: element}).number("NumberOfFrames") is None
