"""Codes against the dictionaries that pydicom carries (DICOM PS3.16)."""

from __future__ import annotations

import pytest
from pydicom.sr._cid_dict import cid_concepts
from pydicom.sr._concepts_dict import concepts
from pydicom.sr._snomed_dict import mapping

from archiver.dentition import codes
from archiver.dentition.codes import Code, code_of, is_current, tooth_of_code
from archiver.dentition.numbering import Numbering, read_tooth
from archiver.dentition.teeth import (
    ALL_TEETH,
    DECIDUOUS_TEETH,
    PERMANENT_TEETH,
    Arch,
    Side,
    Tooth,
    ToothClass,
)
from archiver.dentition.views import Surface, View

# DICOM PS3.16 CID 4018 before 2022, and HL7 Dental Data Exchange, crosswalk of all teeth (2020).
EARLIER = {
    "11": "22120004",
    "12": "11712009",
    "13": "80647007",
    "16": "5140004",
    "17": "7121006",
    "21": "31982000",
    "22": "25748002",
    "23": "72876007",
    "26": "23427002",
    "27": "66303006",
    "31": "113278005",
    "32": "77130001",
    "33": "39844006",
    "36": "89625000",
    "37": "48402004",
    "41": "15422005",
    "42": "82628004",
    "43": "47055002",
    "46": "28480000",
    "47": "40005008",
}
# The present codes beside them: PS3.16 CID 4018 (2022-09-22), five teeth written out.
PRESENT = {
    "11": "422653006",
    "16": "865995000",
    "17": "863902006",
    "36": "866006002",
    "46": "866005003",
}


def context_group(number: int) -> dict[str, str]:
    """Code value -> meaning of one context group, as pydicom has it."""
    found: dict[str, str] = {}
    for scheme, names in cid_concepts[number].items():
        for name in names:
            for value, (meaning, groups) in concepts[scheme][name].items():
                if number in groups:
                    found[value] = meaning
    return found


def extra(tooth: Tooth) -> Tooth:
    return Tooth(tooth.quadrant, tooth.position, True)


def tooth(iso: str) -> Tooth:
    return read_tooth(iso, Numbering.ISO)


@pytest.mark.parametrize(
    ("group", "teeth"),
    [
        (4018, PERMANENT_TEETH),
        (4019, DECIDUOUS_TEETH),
        (4025, tuple(extra(t) for t in ALL_TEETH)),
    ],
)
def test_codes_and_meanings_are_those_of_the_context_group_and_no_others(
    group: int, teeth: tuple[Tooth, ...]
) -> None:
    assert {code_of(t).value: code_of(t).meaning for t in teeth} == context_group(group)
    assert {code_of(t).scheme for t in teeth} == {"SCT"}


@pytest.mark.parametrize("number", [False, True], ids=["ordinary", "supernumerary"])
def test_the_meaning_of_each_code_names_the_tooth_that_has_it(number: bool) -> None:
    for ordinary in ALL_TEETH:
        one = extra(ordinary) if number else ordinary
        said = code_of(one).meaning.casefold()
        assert ("maxillary" if one.arch is Arch.UPPER else "mandibular") in said
        assert (" right " if one.side is Side.RIGHT else " left ") in said
        assert ("deciduous" in said) is one.is_deciduous
        assert ("supernumerary" in said) is one.supernumerary
        rank = one.name.split(one.side.value + " ")[1]
        if one.iso == "32":  # PS3.16 leaves the word "incisor" out here.
            rank = "lateral"
        assert rank in said


def test_every_code_reads_back_as_its_tooth() -> None:
    every = [t for one in ALL_TEETH for t in (one, extra(one))]
    assert len({code_of(t).value for t in every}) == 104
    for t in every:
        code = code_of(t)
        assert tooth_of_code(code.value, code.scheme) == t
        assert is_current(code.value, code.scheme)


@pytest.mark.parametrize(("iso", "value"), EARLIER.items())
def test_the_twenty_earlier_codes_name_the_same_teeth(iso: str, value: str) -> None:
    assert tooth_of_code(value, "SCT") == tooth(iso)
    assert not is_current(value, "SCT")
    assert code_of(tooth(iso)).value != value


def test_only_incisors_canines_first_and_second_molars_changed_their_code() -> None:
    changed = {
        t.iso
        for t in PERMANENT_TEETH
        if t.tooth_class in (ToothClass.INCISOR, ToothClass.CANINE)
        or (t.tooth_class is ToothClass.MOLAR and t.position < 8)
    }
    assert changed == set(EARLIER)


@pytest.mark.parametrize(("iso", "value"), PRESENT.items())
def test_present_codes_equal_the_published_examples(iso: str, value: str) -> None:
    assert code_of(tooth(iso)).value == value


@pytest.mark.parametrize("scheme", ["SRT", "SNM3"])
def test_the_oldest_generation_is_the_one_that_the_srt_map_gives(scheme: str) -> None:
    for one in ALL_TEETH:
        then = EARLIER.get(one.iso, code_of(one).value)
        srt = mapping["SCT"][then]
        assert tooth_of_code(srt, scheme) == one
        assert mapping["SRT"][srt] == then
        assert not is_current(srt, scheme)


def test_a_foreign_code_names_no_tooth() -> None:
    assert tooth_of_code("865995000", "SRT") is None
    assert tooth_of_code("38199008", "SCT") is None
    assert not is_current("38199008", "SCT")


def every_code() -> list[Code]:
    found = [c for t in ALL_TEETH for c in (code_of(t), code_of(extra(t)))]
    for name in dir(codes):
        value = getattr(codes, name)
        if isinstance(value, Code):
            found.append(value)
        elif isinstance(value, dict):
            found.extend(c for c in value.values() if isinstance(c, Code))
    return found


def test_every_meaning_and_value_fits_its_attribute() -> None:
    # PS3.5 6.2: LO holds 64 characters (Code Meaning), SH 16 (Code Value, Coding Scheme).
    assert len(every_code()) > 104 + 20
    for code in every_code():
        assert 0 < len(code.meaning) <= 64, code
        assert 0 < len(code.value) <= 16 and 0 < len(code.scheme) <= 16
        assert code.meaning == code.meaning.strip() and code.meaning.isascii()


def test_no_code_value_stands_for_two_meanings() -> None:
    meanings: dict[str, set[str]] = {}
    for code in every_code():
        meanings.setdefault(code.value, set()).add(code.meaning)
    assert all(len(m) == 1 for m in meanings.values())


@pytest.mark.parametrize(
    ("code", "group"),
    [
        (codes.LATERALITY_CODES["R"], 244),
        (codes.LATERALITY_CODES["L"], 244),
        (codes.LATERALITY_CODES["B"], 244),
        (codes.FRONTAL, 4010),
        (codes.RIGHT_LATERAL, 4010),
        (codes.LEFT_LATERAL, 4010),
        (codes.OCCLUSAL_PROJECTION, 4010),
        (codes.MOUTH, 4),
        (codes.HEAD_AND_NECK, 4028),
        (codes.FACE, 4),
        (codes.ARCH_STRUCTURES[Arch.UPPER], 8134),
        (codes.ARCH_STRUCTURES[Arch.LOWER], 8134),
    ],
    ids=str,
)
def test_region_view_and_side_codes_agree_with_pydicom(code: Code, group: int) -> None:
    assert context_group(group).get(code.value) == code.meaning


@pytest.mark.parametrize(
    ("code", "value", "meaning"),
    [  # DICOM CP-1570 (Final Text 2025-03-30), from memory: CID 4064, 4065, 4072 are in no package.
        (codes.MIRRORED_UNCORRECTED, "789135000", "Mirrored image uncorrected"),
        (codes.MIRRORED_CORRECTED, "787610003", "Mirrored photo image intraoral corrected"),
        (
            codes.MIRRORED_CORRECTED_HORIZONTALLY,
            "789310004",
            "Mirrored photo image of teeth corrected flipped horizontally",
        ),
        (
            codes.MIRRORED_CORRECTED_VERTICALLY,
            "789311000",
            "Mirrored photo image of teeth corrected flipped vertically",
        ),
        (codes.ANTERIOR_TEETH, "789313002", "Photo image of anterior teeth"),
        (
            codes.CLOSE_UP_OF_TEETH,
            "789131009",
            "Close up photographic view of teeth without magnification",
        ),
        (codes.TEETH_APART, "789130005", "Photo image mouth partially opened, teeth apart"),
        (codes.MIRROR_DEVICE, "1332162007", "Intraoral photography mirror"),
        (codes.CONTRASTER_DEVICE, "1332163002", "Black contraster"),
        (codes.RETRACTOR_DEVICE, "53535004", "Retractor"),
        # SNOMED CT body structures of the tooth surfaces, from memory.
        (codes.SURFACE_CODES[Surface.MESIAL], "8483002", "Structure of mesial surface of tooth"),
        (codes.SURFACE_CODES[Surface.DISTAL], "90933009", "Structure of distal surface of tooth"),
        (
            codes.SURFACE_CODES[Surface.OCCLUSAL],
            "83473006",
            "Structure of occlusal surface of tooth",
        ),
        (codes.SURFACE_CODES[Surface.LINGUAL], "72203008", "Structure of lingual surface of tooth"),
        (
            codes.SURFACE_CODES[Surface.VESTIBULAR],
            "62579006",
            "Structure of vestibular surface of tooth",
        ),
    ],
    ids=str,
)
def test_mirror_device_and_surface_codes_are_the_published_ones(
    code: Code, value: str, meaning: str
) -> None:
    assert code == Code(value, "SCT", meaning)
    assert str(code) == f"{value} SCT {meaning}"


def test_mirror_codes_written_are_among_those_understood() -> None:
    assert codes.MIRRORED_UNCORRECTED.value in codes.UNCORRECTED_VALUES
    written = (
        codes.MIRRORED_CORRECTED,
        codes.MIRRORED_CORRECTED_HORIZONTALLY,
        codes.MIRRORED_CORRECTED_VERTICALLY,
    )
    assert {c.value for c in written} < codes.CORRECTED_VALUES
    assert not codes.CORRECTED_VALUES & codes.UNCORRECTED_VALUES


def test_a_code_is_matched_by_value_and_scheme_and_not_by_its_meaning() -> None:
    code = code_of(tooth("32"))
    assert code.matches("423331005", "SCT")
    assert not code.matches("423331005", "SRT") and not code.matches("423937004", "SCT")


@pytest.mark.parametrize(
    ("view", "looking", "side", "code"),
    [
        (View.OCCLUSAL, "H", "R", codes.OCCLUSAL_PROJECTION),
        (View.LOWER_OCCLUSAL_ARCH, "F", "B", codes.OCCLUSAL_PROJECTION),
        (View.FRONTAL, "P", "B", codes.FRONTAL),
        (View.PALATAL, "A", "B", codes.FRONTAL),
        (View.RIGHT_BUCCAL, "L", "R", codes.RIGHT_LATERAL),
        (View.LINGUAL, "R", "R", codes.RIGHT_LATERAL),
        (View.LEFT_PROFILE, "R", "L", codes.LEFT_LATERAL),
    ],
)
def test_the_view_code_names_the_side_on_which_the_teeth_stand(
    view: View, looking: str, side: str, code: Code
) -> None:
    assert codes.view_code(view, looking, side) == code


def test_the_region_is_mouth_or_head_and_neck_and_arch_and_face_are_structures() -> None:
    # CID 4028 has the regions; CID 4061, Head and Neck Primary Anatomic Structure, the rest.
    assert codes.region_code(View.OCCLUSAL) == codes.MOUTH
    assert codes.region_code(View.SMILE) == codes.HEAD_AND_NECK
    lower = codes.structure_code(View.LOWER_OCCLUSAL_ARCH, Arch.LOWER)
    assert lower is not None and lower.value == "88176008"
    assert codes.structure_code(View.OCCLUSAL, Arch.LOWER) == lower  # beside its teeth
    assert codes.structure_code(View.FRONTAL, None) is None
    assert codes.structure_code(View.SMILE, None) == codes.FACE
