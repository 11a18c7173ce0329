"""The tables of the standard against dictionaries that nobody here wrote."""

from __future__ import annotations

import pytest
from pydicom._uid_dict import UID_dictionary
from pydicom.charset import python_encoding
from pydicom.datadict import dictionary_VR
from pydicom.sr._cid_dict import cid_concepts
from pydicom.sr._concepts_dict import concepts
from pydicom.valuerep import VR

from archiver.dentition.codes import code_of
from archiver.dentition.teeth import ALL_TEETH
from archiver.standard.conditions import condition_of
from archiver.standard.dictionary import admits_multiplicity, tag_of
from archiver.standard.elements import Item
from archiver.standard.requirements import PHOTOGRAPHIC, modules_of, requirements_of
from archiver.standard.tables import load_json, load_toml
from archiver.standard.tables.refresh import fresh_text
from archiver.standard.template_rules import template_rows
from archiver.standard.verhoeff import is_sctid
from archiver.wording import words_of

# Groups that neither pydicom 3.0.2 nor any other package has: from memory, they came with CP-1570
# (Final Text 2025-03-30).
TOO_NEW = {"4061", "4062", "4063", "4064", "4065", "4066", "4069", "4072"}
# Codes that the code set of 2025-09-08 has and pydicom's older copy of the group has not.
ADDED_SINCE = {("4028", "123851003")}


def test_types_are_those_of_the_module_tables_that_highdicom_bundles() -> None:
    from importlib import resources

    committed = resources.files("archiver.standard.tables").joinpath("types.json").read_text()
    assert committed == fresh_text()


def test_every_conditional_attribute_has_its_condition_in_words() -> None:
    conditions = load_toml("conditions")
    for shape, rows in load_json("types")["shapes"].items():
        for keyword, row in rows.items():
            kind = row if isinstance(row, str) else row[0]
            if kind.endswith("C"):
                under = shape if keyword in conditions.get(shape, {}) else "any"
                assert keyword in conditions[under], f"{shape}.{keyword}"
                assert words_of()(f"conditions.{under}.{keyword}.words")


def test_every_condition_belongs_to_an_attribute_and_can_be_read() -> None:
    shapes = load_json("types")["shapes"]
    for shape, rows in load_toml("conditions").items():
        for keyword, rule in rows.items():
            assert shape == "any" or keyword in shapes[shape], f"{shape}.{keyword}"
            if "when" in rule:
                condition_of(rule["when"])(Item())


@pytest.mark.parametrize(
    "expression", ["__import__('os')", "Rows", "has(Rows, Columns)", "has('Rows')", "eval(Rows)"]
)
def test_the_condition_language_refuses_everything_else(expression: str) -> None:
    with pytest.raises(ValueError, match="condition"):
        condition_of(f"{expression} or has(NoSuchKeyword)")


def test_item_counts_name_sequences_of_the_tables() -> None:
    shapes = load_json("types")["shapes"]
    for table in load_toml("sequences").values():
        for name in table["sequences"]:
            shape, _, keyword = name.rpartition(".")
            assert keyword in shapes[shape] if shape else tag_of(keyword)
            assert dictionary_VR(tag_of(keyword)) == "SQ"


def test_module_usage_is_that_of_the_iod() -> None:
    # PS3.3 A.32.4.3, table A.32.4-1.
    usage = {m["name"]: m["usage"] for m in load_json("types")["modules"]}
    mandatory = {name for name, letter in usage.items() if letter == "M"}
    assert mandatory == {
        "patient",
        "general-study",
        "general-series",
        "general-equipment",
        "general-acquisition",
        "general-image",
        "image-pixel",
        "acquisition-context",
        "vl-image",
        "sop-common",
    }
    assert {name for name, letter in usage.items() if letter == "C"} == {"specimen"}
    assert len(modules_of(PHOTOGRAPHIC, True)) == len(usage) - 1  # overlay planes repeat


def test_required_attributes_of_the_vl_image_module() -> None:
    # PS3.3 C.8.12.1, table C.8-77.
    kinds = {r.keyword: r.kind for r in requirements_of("vl-image")}
    assert {k for k, kind in kinds.items() if kind == "1"} == {
        "ImageType",
        "PhotometricInterpretation",
        "BitsAllocated",
        "BitsStored",
        "HighBit",
        "PixelRepresentation",
        "SamplesPerPixel",
    }
    assert kinds["LossyImageCompression"] == "2"
    assert kinds["ViewCodeSequence"] == "3"


def test_value_tables_name_attributes_whose_values_are_of_that_kind() -> None:
    for keyword, rows in load_toml("values").items():
        vr = dictionary_VR(tag_of(keyword))
        for row in rows:
            assert vr in ("CS", "LO") if "terms" in row else vr in ("US", "SS", "IS"), keyword
            assert all(len(term) <= 16 for term in row.get("terms", ()))


def _codes_of(cid: str) -> dict[tuple[str, str], set[str]]:
    """Return the codes of a context group in pydicom's dictionary with their meanings."""
    found: dict[tuple[str, str], set[str]] = {}
    for scheme, keywords in cid_concepts[int(cid)].items():
        for keyword in keywords:
            for value, (meaning, cids) in concepts[scheme][keyword].items():
                if int(cid) in cids:
                    found.setdefault((scheme, value), set()).add(meaning)
    return found


def test_context_groups_agree_with_pydicom() -> None:
    for cid, group in load_toml("contexts")["groups"].items():
        if not cid.isdigit():
            continue
        if int(cid) not in cid_concepts:
            assert cid in TOO_NEW
            continue
        theirs = _codes_of(cid)
        for value, meaning in group["codes"].items():
            if (cid, value) in ADDED_SINCE:
                continue
            assert (group["scheme"], value) in theirs, (cid, value)
            assert not meaning or meaning in theirs[(group["scheme"], value)], (cid, value)


@pytest.mark.parametrize("name", [*sorted(TOO_NEW), "surfaces"])
def test_codes_of_groups_that_no_package_has_are_checked_in_others_or_marked(name: str) -> None:
    """By pydicom 3.0.2, which has the codes of all groups that it carries with their meanings."""
    theirs: dict[str, set[str]] = {}
    for rows in concepts["SCT"].values():
        for value, (meaning, groups) in rows.items():
            if groups:
                theirs.setdefault(value, set()).add(meaning)
    group = load_toml("contexts")["groups"][name]
    marked = group.get("from_memory", [])
    unchecked = set(group["codes"]) - theirs.keys()
    assert unchecked == (set(group["codes"]) if marked == "all" else set(marked))
    for value in group["codes"].keys() & theirs.keys():
        assert group["codes"][value] in theirs[value], value


@pytest.mark.parametrize(
    "cid", ["7005", "7010", "7011", "7050", "7202", "7203", "4016", "4017", "244"]
)
def test_these_context_groups_are_whole(cid: str) -> None:
    group = load_toml("contexts")["groups"][cid]
    assert {(group["scheme"], v) for v in group["codes"]} == set(_codes_of(cid))


def test_tooth_codes_are_those_of_the_context_groups_of_teeth() -> None:
    theirs = {**_codes_of("4018"), **_codes_of("4019")}
    ours = {("SCT", code_of(t).value) for t in ALL_TEETH}
    assert ours == set(theirs)


def test_every_snomed_code_of_the_tables_has_a_right_check_digit() -> None:
    for group in load_toml("contexts")["groups"].values():
        if group["scheme"] == "SCT":
            assert all(is_sctid(value) for value in group["codes"]), group["name"]
    assert all(is_sctid(code_of(tooth).value) for tooth in ALL_TEETH)


def test_check_digit_finds_every_wrong_digit_and_swap_of_neighbours() -> None:
    # 73211009 "Diabetes mellitus" is the example that SNOMED CT's guides use throughout.
    good = "73211009"
    assert is_sctid(good)
    for place in range(len(good)):
        for digit in "0123456789":
            if digit != good[place]:
                assert not is_sctid(good[:place] + digit + good[place + 1 :])
        swapped = good[:place] + good[place + 1 : place + 2] + good[place] + good[place + 2 :]
        assert swapped == good or place == len(good) - 1 or not is_sctid(swapped)


def test_transfer_syntaxes_are_those_of_the_uid_dictionary() -> None:
    for uid, row in load_toml("encodings").items():
        if uid in UID_dictionary:
            name, kind = UID_dictionary[uid][:2]
            assert kind == "Transfer Syntax"
            assert name.replace(" [", ", ").replace("])", ")") == row["name"]
        else:
            # JPEG XL came after pydicom 3.0.2.
            assert row["codec"] == "jpeg-xl"


def test_value_representations_are_all_there() -> None:
    assert set(load_toml("vr")) == {vr.value for vr in VR if len(vr.value) == 2}


def test_character_sets_have_codecs_that_read_alike() -> None:
    table = load_toml("charsets")
    terms = {**table["single"], **{t: r["codec"] for t, r in table["extended"].items()}}
    sample = bytes(range(0x20, 0x7F))
    for term, codec in terms.items():
        if term in python_encoding:
            assert sample.decode(codec) == sample.decode(python_encoding[term]), term
        else:
            assert term in ("ISO 2022 IR 6", "ISO 2022 IR 203", "ISO_IR 203"), term


@pytest.mark.parametrize(
    ("vm", "right", "wrong"),
    [
        ("1", [1], [0, 2]),
        ("2", [2], [1, 3]),
        ("1-n", [1, 7], [0]),
        ("2-2n", [2, 4], [3]),
        ("3-3n", [3, 6], [1, 4]),
        ("2-4", [2, 3, 4], [1, 5]),
        ("1-2", [1, 2], [3]),
    ],
)
def test_multiplicity_as_ps3_5_section_6_4_has_it(
    vm: str, right: list[int], wrong: list[int]
) -> None:
    assert all(admits_multiplicity(vm, n) for n in right)
    assert not any(admits_multiplicity(vm, n) for n in wrong)


def test_the_concepts_of_templates_are_those_of_the_dictionary() -> None:
    known = {code for rows in concepts["DCM"].values() for code in rows}
    named = {row.concept for row in template_rows()} - {""}
    assert named <= known
    assert len(named) == len([row for row in template_rows() if row.concept]) - 1  # 113011 twice
