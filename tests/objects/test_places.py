"""Places where no natural tooth stands: regions of a jaw in the object, never a tooth's surface."""

from __future__ import annotations

from pathlib import Path

import pytest
from object_samples import entry, make, teeth_of, write
from pydicom.sr.codedict import codes as dictionary
from sheet_samples import HEAD

from archiver.dentition import Numbering, codes
from archiver.errors import SheetError
from archiver.objects import comments, describe, read_sheet, subject
from archiver.objects.photograph_meaning import read_meaning
from archiver.objects.session import Circumstances
from archiver.standard.finding import Severity
from archiver.standard.validator import validate_file

ENTRY = '[[photo]]\nfile = "IMG_0101.JPG"\nview = "occlusal"\nmirror = true\n'


def test_the_codes_of_places_are_those_of_context_group_4017() -> None:
    group = dictionary.cid4017
    theirs = {(code.value, code.meaning) for code in (getattr(group, k) for k in group.dir())}
    assert {(code.value, code.meaning) for code in codes.PLACE_CODES.values()} == theirs


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize(
    ("view", "teeth", "kind", "absent"),
    [
        ("occlusal", "46", "implant", "46"),
        ("lingual", "46", "implant", "46"),
        ("palatal", "12", "pontic", "12"),
        ("buccal", "24, 25, 26", "pontic", "25"),
        ("labial", "11, 21", "edentulous", "11, 21"),
        ("incisal", "31", "implant", "31"),
        ("lower occlusal arch", "35, 36, 37", "edentulous", "35, 36, 37"),
        ("right buccal", "15, 45", "implant", "15, 45"),
        ("occlusal", "85", "edentulous", "85"),
    ],
)
def test_a_place_without_a_tooth_is_a_region_without_a_surface_and_is_read_back(
    view: str, teeth: str, kind: str, absent: str, mirror: bool, tmp_path: Path
) -> None:
    how = Circumstances(**{kind: teeth_of(absent)})  # type: ignore[arg-type]
    made = make(entry(view, teeth, mirror, circumstances=how))
    for instance in made.instances:
        ds, there = instance.dataset, set(teeth_of(teeth)) - set(teeth_of(absent))
        named = [
            (codes.tooth_of_code(one.CodeValue, "SCT"), one)
            for one in ds.get("PrimaryAnatomicStructureSequence", [])
        ]
        assert {tooth for tooth, _ in named if tooth} == there
        for tooth, one in named:
            assert tooth in there or "PrimaryAnatomicStructureModifierSequence" not in one
        assert ds.AnatomicRegionSequence[0].CodeValue in (
            "70925003",
            "91609006",
            "661005",
            "123851003",
        )
        read = describe(ds)
        assert read.teeth == teeth_of(teeth)
        assert read.places == tuple((tooth, kind) for tooth in teeth_of(absent))
        assert read.view is made.plan.sight.view
        assert read.surface is (made.plan.sight.surface if there else None)
        found = validate_file(write(instance, tmp_path))
        assert [one for one in found if one.severity is not Severity.NOTE] == []
    as_shot = made.as_shot.dataset
    again = read_meaning(as_shot, made.corrected.dataset if made.corrected else None, "0" * 64)
    assert again.photograph.circumstances.places == read.places
    assert again.plan.sight == made.plan.sight


def test_the_region_is_the_jaw_with_side_and_place() -> None:
    how = Circumstances(implant=teeth_of("46"), edentulous=teeth_of("47"))
    ds = make(entry("buccal", "45, 46, 47", False, circumstances=how)).as_shot.dataset
    (region,) = ds.AnatomicRegionSequence
    assert region.CodeMeaning == "Mandible"
    assert [one.CodeMeaning for one in region.AnatomicRegionModifierSequence] == [
        "Right",
        "Second molar region",
        "First molar region",
    ]
    said = comments(ds)
    assert (said["Implant at"], said["No tooth at"]) == ("46", "47")


def test_what_stands_there_is_said_in_the_numbering_of_the_sheet(tmp_path: Path) -> None:
    text = ENTRY + 'teeth = ["UL5", "UL6"]\nimplant = ["UL6"]\n'
    (tmp_path / "IMG_0101.JPG").write_bytes(b"")
    path = tmp_path / "sheet.toml"
    path.write_text(HEAD.replace("ISO 3950", "Palmer") + text, "utf-8")
    (one,) = read_sheet(path, size_of=lambda _: (96, 64, 1)).photographs
    assert one.circumstances.places == ((teeth_of("26")[0], "implant"),)


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ("implant = [27]", "not among the teeth"),
        ("implant = [26]\npontic = [26]", "named as implant and as pontic"),
        ("pontic = [99]", "99"),
    ],
)
def test_a_place_that_the_picture_does_not_show_is_refused(
    more: str, told: str, tmp_path: Path
) -> None:
    (tmp_path / "IMG_0101.JPG").write_bytes(b"")
    path = tmp_path / "sheet.toml"
    path.write_text(f"{HEAD}{ENTRY}teeth = [26]\n{more}\n", "utf-8")
    with pytest.raises(SheetError, match=told):
        read_sheet(path, size_of=lambda _: (96, 64, 1))


def test_teeth_are_told_in_the_numbering_of_the_sheet_first() -> None:
    made = make(entry("buccal", "25, 26", False))
    told = {numbering: str(subject(made.plan, numbering)) for numbering in Numbering}
    assert told == {
        Numbering.ISO: "25, 26 (Universal 13, 14), buccal",
        Numbering.UNIVERSAL: "Universal 13, 14 (ISO 3950 25, 26), buccal",
        Numbering.PALMER: "Palmer UL5, UL6 (ISO 3950 25, 26), buccal",
    }
