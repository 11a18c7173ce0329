"""Reading designations: never without their numbering."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.dentition.numbering import (
    AMBIGUOUS_NUMBERS,
    WORD_SETS,
    Numbering,
    numbering_of,
    parse_teeth,
    parse_tooth,
    read_teeth,
    readings,
    shortened,
)
from archiver.dentition.teeth import ALL_TEETH, PERMANENT_TEETH, Tooth
from archiver.errors import MeaningError

# Computed from the two numberings: 11-18, 21-28, 31 and 32 are valid in both.
EIGHTEEN = [*map(str, range(11, 19)), *map(str, range(21, 29)), "31", "32"]

some_teeth = st.lists(st.sampled_from(ALL_TEETH), min_size=1, max_size=12)


def isos(text: str) -> str:
    return " ".join(t.iso for t in parse_teeth(text))


def refusal(text: str) -> str:
    with pytest.raises(MeaningError) as caught:
        parse_teeth(text)
    return str(caught.value)


def test_eighteen_numbers_name_a_tooth_in_both_numberings() -> None:
    assert sorted(AMBIGUOUS_NUMBERS) == EIGHTEEN


@pytest.mark.parametrize("number", EIGHTEEN)
def test_a_bare_ambiguous_number_is_refused_with_both_readings(number: str) -> None:
    message = refusal(number)
    iso, universal = parse_tooth(f"iso:{number}"), parse_tooth(f"universal:{number}")
    assert iso != universal
    for part in ("ambiguous", iso.name, universal.name, f"iso:{number}", f"universal:{number}"):
        assert part in message
    assert "\n" not in message


def test_18_is_a_third_molar_or_a_second_molar_of_the_other_arch_and_side() -> None:
    found = readings("18")
    assert found[Numbering.ISO].name == "upper right third molar"
    assert found[Numbering.UNIVERSAL].name == "lower left second molar"


@pytest.mark.parametrize(
    ("bare", "name", "designation"),
    [
        ("46", "lower right first molar", "iso:46"),
        ("3", "upper right first molar", "universal:3"),
        ("LL6", "lower left first molar", "palmer:LL6"),
        ("A", "deciduous upper right second molar", "universal:A"),
    ],
)
def test_a_bare_designation_of_one_reading_is_still_refused_and_the_reading_offered(
    bare: str, name: str, designation: str
) -> None:
    message = refusal(bare)
    assert name in message and designation in message and "ambiguous" not in message


def test_a_bare_55_tells_of_the_deciduous_and_of_the_supernumerary_tooth() -> None:
    message = refusal("55")
    assert "deciduous upper right second molar" in message
    assert "supernumerary upper right first premolar" in message


def test_a_bare_range_is_refused_with_both_readings() -> None:
    message = refusal("14-16")
    assert "iso:14-16" in message and "universal:14-16" in message


@pytest.mark.parametrize(("bare", "prefix"), [("A-C", "universal"), ("UR1-UR3", "palmer")])
def test_a_bare_range_of_one_reading_is_refused_with_that_one(bare: str, prefix: str) -> None:
    message = refusal(bare)
    assert f"{prefix}:{bare}" in message and "ambiguous" not in message


@pytest.mark.parametrize("text", ["", "99", "tooth", "0", "-", "²", "iso", "³6"])
def test_what_names_no_tooth_is_refused_in_one_line(text: str) -> None:
    assert "names no tooth" in refusal(text)


@pytest.mark.parametrize(
    ("text", "teeth"),
    [
        ("iso:36", "36"),
        ("ISO: 36", "36"),
        ("ISO 3950:36", "36"),
        ("universal:19", "36"),
        ("Universal:019", "36"),
        ("palmer:LL6", "36"),
        ("palmer:┌6", "36"),
        ("iso:14-17", "17 16 15 14"),
        ("iso:17-14", "17 16 15 14"),
        ("iso:14 to 17", "17 16 15 14"),
        ("iso:14–17", "17 16 15 14"),
        ("iso:12-22", "12 11 21 22"),
        ("universal:6-11", "13 12 11 21 22 23"),
        ("universal:A-C", "55 54 53"),
        ("palmer:UR4-UR7", "17 16 15 14"),
        ("palmer:UR4-7", "17 16 15 14"),
        ("palmer:URC-ULC", "53 52 51 61 62 63"),
        ("iso:36,11;21+36", "11 21 36"),
        ("iso:53-51", "53 52 51"),
        ("iso:36s", "36s"),
        ("universal:69", "36s"),
        ("universal:KS", "75s"),
        ("palmer:LL6s", "36s"),
        ("iso:40", "48 47 46 45 44 43 42 41"),
        ("iso:70", "71 72 73 74 75"),
        ("Upper Right Quadrant", "18 17 16 15 14 13 12 11"),
        ("lower left quadrant", "31 32 33 34 35 36 37 38"),
        ("deciduous lower right quadrant", "85 84 83 82 81"),
        ("deciduous upper arch", "55 54 53 52 51 61 62 63 64 65"),
        ("lower anterior sextant", "43 42 41 31 32 33"),
        ("upper left sextant", "24 25 26 27 28"),
    ],
)
def test_designations_lists_ranges_and_sets_are_read(text: str, teeth: str) -> None:
    assert isos(text) == teeth


def test_the_two_arches_four_quadrants_and_six_sextants_each_make_up_the_dentition() -> None:
    whole = sorted(PERMANENT_TEETH)
    arches = [v for k, v in WORD_SETS.items() if k in ("upper arch", "lower arch")]
    quadrants = [v for k, v in WORD_SETS.items() if "quadrant" in k and "deciduous" not in k]
    sextants = [v for k, v in WORD_SETS.items() if "sextant" in k]
    assert [len(s) for s in (arches, quadrants, sextants)] == [2, 4, 6]
    for sets in (arches, quadrants, sextants):
        assert sorted(t for s in sets for t in s) == whole


def test_iso_areas_name_the_same_sets_as_words() -> None:
    for digits, words in (
        ("01", "upper arch"),
        ("02", "lower arch"),
        ("20", "upper left quadrant"),
    ):
        assert parse_teeth(f"iso:{digits}") == WORD_SETS[words]
    # Sextants 03-08: from memory.
    assert isos("iso:04") == "13 12 11 21 22 23"
    assert isos("iso:08") == "48 47 46 45 44"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("iso:19", 'no tooth "19" in ISO 3950; expected 11-18'),
        ("iso:56", 'no tooth "56"'),
        ("iso:86", 'no tooth "86"'),
        ("universal:33", 'no tooth "33" in Universal; expected 1-32, or deciduous A-T'),
        ("universal:46", "ISO 3950 46 is the lower right first molar"),
        ("iso:9", "Universal 9 is the upper left central incisor"),
        ("universal:²", "no tooth"),
        ("palmer:UR9", 'no tooth "UR9" in Palmer'),
        ("palmer:36", "ISO 3950 36 is the lower left first molar"),
        ("iso:", "no tooth"),
        ("zsigmond:36", 'no numbering of teeth is called "zsigmond"'),
        ("iso:14-34", "joins two arches"),
        ("iso:14-54", "two dentitions"),
        ("iso:14s-17", "supernumerary"),
        ("universal:14-17", "joins two arches"),
    ],
)
def test_what_cannot_be_read_is_refused_in_a_line_that_helps(text: str, says: str) -> None:
    message = refusal(text)
    assert says in message and "\n" not in message


def test_every_wrong_part_of_a_list_is_told_at_once() -> None:
    message = refusal("iso:19,36,56")
    assert len(message.splitlines()) == 2 and '"19"' in message and '"56"' in message


def test_one_tooth_is_not_read_from_a_set() -> None:
    with pytest.raises(MeaningError, match="names 4 teeth; expected one tooth"):
        parse_tooth("iso:14-17")


@pytest.mark.parametrize("name", ["ISO 3950", "iso", "iso-3950", "Iso3950"])
def test_a_numbering_is_known_by_its_name_or_prefix(name: str) -> None:
    assert numbering_of(name) is Numbering.ISO


@pytest.mark.parametrize(
    ("text", "short"),
    [
        ("iso:14-17", "14-17"),
        ("iso:12-22", "12, 11, 21, 22"),
        ("iso:13-23", "11-13, 21-23"),
        ("iso:36", "36"),
        ("iso:14,16,17", "17, 16, 14"),
        ("iso:36,36s", "36, 36s"),
    ],
)
def test_teeth_are_written_shortly_without_runs_across_the_midline(text: str, short: str) -> None:
    assert shortened(parse_teeth(text)) == short


@given(some_teeth)
def test_what_is_written_shortly_reads_back_as_the_same_teeth(teeth: list[Tooth]) -> None:
    assert set(read_teeth(shortened(tuple(teeth)), Numbering.ISO)) == set(teeth)


@given(st.text(max_size=8))
def test_any_text_is_read_or_refused_with_a_message_and_never_crashes(text: str) -> None:
    for prefix in ("", "iso:", "universal:", "palmer:"):
        try:
            assert parse_teeth(prefix + text)
        except MeaningError as error:
            assert str(error)
