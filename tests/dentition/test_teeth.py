"""Teeth: three numberings, classes, sides and neighbours."""

from __future__ import annotations

from itertools import pairwise

import pytest

from archiver.dentition.numbering import Numbering, read_tooth
from archiver.dentition.teeth import (
    ALL_TEETH,
    DECIDUOUS_TEETH,
    PERMANENT_TEETH,
    Arch,
    ContactPoint,
    Side,
    Tooth,
    ToothClass,
    arch_order,
    in_arch_order,
)

EVERY_TOOTH = [
    t for tooth in ALL_TEETH for t in (tooth, Tooth(tooth.quadrant, tooth.position, True))
]

# HL7 Dental Data Exchange, crosswalk of all teeth (2020): ISO 3950 row, Universal row.
CROSSWALK = {
    "18 17 16 15 14 13 12 11": "1 2 3 4 5 6 7 8",
    "21 22 23 24 25 26 27 28": "9 10 11 12 13 14 15 16",
    "38 37 36 35 34 33 32 31": "17 18 19 20 21 22 23 24",
    "41 42 43 44 45 46 47 48": "25 26 27 28 29 30 31 32",
    "55 54 53 52 51": "A B C D E",
    "61 62 63 64 65": "F G H I J",
    "75 74 73 72 71": "K L M N O",
    "81 82 83 84 85": "P Q R S T",
}
PAIRS = [
    pair
    for isos, universals in CROSSWALK.items()
    for pair in zip(isos.split(), universals.split(), strict=True)
]


def tooth(iso: str) -> Tooth:
    return read_tooth(iso, Numbering.ISO)


def test_there_are_thirty_two_permanent_and_twenty_deciduous_teeth() -> None:
    assert (len(PERMANENT_TEETH), len(DECIDUOUS_TEETH), len(set(ALL_TEETH))) == (32, 20, 52)


def test_the_crosswalk_covers_every_tooth_once() -> None:
    assert sorted(iso for iso, _ in PAIRS) == sorted(t.iso for t in ALL_TEETH)


@pytest.mark.parametrize(("iso", "universal"), PAIRS)
def test_iso_and_universal_agree_with_the_hl7_crosswalk_both_ways(iso: str, universal: str) -> None:
    assert tooth(iso).universal == universal
    assert read_tooth(universal, Numbering.UNIVERSAL).iso == iso
    assert read_tooth(universal.lower(), Numbering.UNIVERSAL).iso == iso


@pytest.mark.parametrize("one", EVERY_TOOTH, ids=str)
def test_every_designation_reads_back_as_its_tooth(one: Tooth) -> None:
    assert read_tooth(one.iso, Numbering.ISO) == one
    assert read_tooth(one.universal, Numbering.UNIVERSAL) == one
    assert read_tooth(one.palmer, Numbering.PALMER) == one
    assert read_tooth(one.palmer_symbol, Numbering.PALMER) == one


@pytest.mark.parametrize("system", ["iso", "universal", "palmer", "palmer_symbol", "name"])
def test_no_two_teeth_share_a_designation(system: str) -> None:
    assert len({getattr(t, system) for t in EVERY_TOOTH}) == 104


@pytest.mark.parametrize(
    ("iso", "letters", "bracket"),
    [  # Palmer notation: from memory.
        ("11", "UR1", "1┘"),
        ("26", "UL6", "└6"),
        ("36", "LL6", "┌6"),
        ("48", "LR8", "8┐"),
        ("55", "URE", "E┘"),
        ("73", "LLC", "┌C"),
        ("81", "LRA", "A┐"),
        ("62", "ULB", "└B"),
    ],
)
def test_palmer_counts_from_the_midline_in_each_corner(
    iso: str, letters: str, bracket: str
) -> None:
    assert (tooth(iso).palmer, tooth(iso).palmer_symbol) == (letters, bracket)


def test_supernumerary_permanent_teeth_add_fifty_in_universal() -> None:
    # HL7 Dental Data Exchange (2020): 51-82 for permanent, AS-TS for deciduous extra teeth.
    assert Tooth(1, 8, True).universal == "51"
    assert Tooth(1, 4, True).universal == "55"
    assert Tooth(4, 8, True).universal == "82"
    assert Tooth(5, 5, True).universal == "AS"
    assert Tooth(8, 5, True).universal == "TS"


def test_55_is_a_deciduous_molar_in_iso_and_an_extra_premolar_in_universal() -> None:
    assert read_tooth("55", Numbering.ISO).name == "deciduous upper right second molar"
    extra = read_tooth("55", Numbering.UNIVERSAL)
    assert extra.name == "supernumerary upper right first premolar"


@pytest.mark.parametrize(
    ("iso", "arch", "side", "kind", "anterior", "name"),
    [
        ("18", Arch.UPPER, Side.RIGHT, ToothClass.MOLAR, False, "upper right third molar"),
        ("23", Arch.UPPER, Side.LEFT, ToothClass.CANINE, True, "upper left canine"),
        ("35", Arch.LOWER, Side.LEFT, ToothClass.PREMOLAR, False, "lower left second premolar"),
        ("41", Arch.LOWER, Side.RIGHT, ToothClass.INCISOR, True, "lower right central incisor"),
        (
            "54",
            Arch.UPPER,
            Side.RIGHT,
            ToothClass.MOLAR,
            False,
            "deciduous upper right first molar",
        ),
        ("75", Arch.LOWER, Side.LEFT, ToothClass.MOLAR, False, "deciduous lower left second molar"),
        (
            "82",
            Arch.LOWER,
            Side.RIGHT,
            ToothClass.INCISOR,
            True,
            "deciduous lower right lateral incisor",
        ),
    ],
)
def test_arch_side_class_and_name_follow_from_the_two_digits(
    iso: str, arch: Arch, side: Side, kind: ToothClass, anterior: bool, name: str
) -> None:
    t = tooth(iso)
    assert (t.arch, t.side, t.tooth_class, t.is_anterior, t.name) == (
        arch,
        side,
        kind,
        anterior,
        name,
    )


def test_deciduous_dentition_has_no_premolar() -> None:
    assert ToothClass.PREMOLAR not in {t.tooth_class for t in DECIDUOUS_TEETH}


def test_opposite_side_is_the_other_one() -> None:
    assert Side.RIGHT.opposite is Side.LEFT and Side.LEFT.opposite is Side.RIGHT


@pytest.mark.parametrize(("quadrant", "position"), [(0, 1), (9, 1), (1, 0), (1, 9), (5, 6), (8, 6)])
def test_a_tooth_that_does_not_exist_cannot_be_made(quadrant: int, position: int) -> None:
    with pytest.raises(ValueError, match=r"no (quadrant|tooth)"):
        Tooth(quadrant, position)


@pytest.mark.parametrize("one", ALL_TEETH, ids=str)
def test_the_mesial_neighbour_is_nearer_to_the_midline_or_across_it(one: Tooth) -> None:
    near = one.mesial_neighbour
    assert near.arch is one.arch and near.is_deciduous is one.is_deciduous
    if one.position == 1:
        assert (near.position, near.side) == (1, one.side.opposite)
        assert near.mesial_neighbour == one
    else:
        assert (near.position, near.side) == (one.position - 1, one.side)
        assert near.distal_neighbour == one


def test_distal_neighbours_end_behind_the_third_molars_and_lead_to_the_six_year_molar() -> None:
    assert [t.iso for t in PERMANENT_TEETH if t.distal_neighbour is None] == [
        "18",
        "28",
        "38",
        "48",
    ]
    # The first permanent molar comes in behind the second deciduous one (from memory).
    behind = {t.iso: str(t.distal_neighbour) for t in DECIDUOUS_TEETH if t.position == 5}
    assert behind == {"55": "16", "65": "26", "75": "36", "85": "46"}


def test_a_contact_point_is_the_same_from_either_tooth() -> None:
    for one in ALL_TEETH:
        for point in one.contact_points:
            other = point.other if point.one == one else point.one
            assert ContactPoint(one, other) == ContactPoint(other, one) == point
    assert [str(p) for p in tooth("36").contact_points] == ["35/36", "36/37"]
    assert [str(p) for p in tooth("11").contact_points] == ["11/21", "11/12"]
    assert [str(p) for p in tooth("48").contact_points] == ["47/48"]


def test_thirty_permanent_contact_points_join_the_two_arches_each_in_one_row() -> None:
    points = {p for t in PERMANENT_TEETH for p in t.contact_points}
    assert len(points) == 30
    for arch in Arch:
        row = arch_order(arch)
        steps = {ContactPoint(a, b) for a, b in pairwise(row)}
        assert steps == {p for p in points if p.one.arch is arch}


def test_arch_order_runs_from_the_patients_right_to_the_left() -> None:
    def row(arch: Arch, deciduous: bool) -> str:
        return " ".join(t.iso for t in arch_order(arch, deciduous=deciduous))

    assert row(Arch.UPPER, False) == "18 17 16 15 14 13 12 11 21 22 23 24 25 26 27 28"
    assert row(Arch.LOWER, False) == "48 47 46 45 44 43 42 41 31 32 33 34 35 36 37 38"
    assert row(Arch.UPPER, True) == "55 54 53 52 51 61 62 63 64 65"
    assert row(Arch.LOWER, True) == "85 84 83 82 81 71 72 73 74 75"


def test_teeth_in_arch_order_lose_their_repeats() -> None:
    mixed = tuple(tooth(i) for i in ("36", "21", "36", "11", "46", "17"))
    assert [t.iso for t in in_arch_order(mixed)] == ["17", "11", "21", "46", "36"]
