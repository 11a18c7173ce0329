"""Our table of PS3.15 E.1-1 against three copies that others have read from the standard.

`dicom-anonymizer` 2.1.0: the Basic Profile of edition 2026c. `idiscore` 1.2.0: all columns, read
on 2024-09-19 (edition 2024d). `dicom-standard` 0.1.0: all columns of an edition of 2020.
"""

from __future__ import annotations

import ast
import csv
import importlib.util
import json
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import archiver.handover
from archiver.handover.confidentiality import (
    METHOD,
    ConfidentialityOption,
    action_of,
    key_of,
    resolved,
    table,
)

COLUMNS = {
    "safe-private": ("retain_safe_private", "rtnSafePrivOpt"),
    "uids": ("retain_uid", "rtnUIDsOpt"),
    "device-identity": ("retain_device_id", "rtnDevIdOpt"),
    "institution-identity": ("retain_institution_id", "rtnInstIdOpt"),
    "patient-characteristics": ("retain_patient_characteristics", "rtnPatCharsOpt"),
    "full-dates": ("retain_full_dates", "rtnLongFullDatesOpt"),
    "modified-dates": ("retain_modified_dates", "rtnLongModifDatesOpt"),
    "clean-descriptors": ("clean_descriptors", "cleanDescOpt"),
    "clean-structured-content": ("clean_structured_content", "cleanStructContOpt"),
    "clean-graphics": ("clean_graphics", "cleanGraphOpt"),
}
#: Rows of the 2026c edition that the one of 2024d does not have; no copy tells their options.
YOUNGER = 33
#: Where the edition of 2020 said otherwise: (tag, column) -> what it said. None is ours to write.
OLDER = {
    ("00100020", "basic"): "Z",
    ("00203401", "device-identity"): "",
    ("00400241", "device-identity"): "K",
    ("00400001", "device-identity"): "K",
    ("00321021", "device-identity"): "K",
    ("00081120", "uids"): "X",
    ("30080105", "basic"): "X",
    ("300a00b2", "basic"): "X",
    ("30100077", "basic"): "D",
}


def ours() -> list[dict[str, str]]:
    path = Path(archiver.handover.__file__).parent / "tables/confidentiality.csv"
    return list(csv.DictReader(path.read_text("utf-8").splitlines()))


def of_2026c() -> dict[str, str]:
    """The Basic Profile by tag, as dicom-anonymizer lists it."""
    from dicomanonymizer.dicom_anonymization_databases import dicomfields_2026c as lists

    found = {}
    names = ("D", "Z", "X", "U", "Z_D", "X_Z", "X_D", "X_Z_D", "X_Z_U_STAR")
    for name in names:
        action = name.replace("_STAR", "*").replace("_", "/")
        for tag in getattr(lists, f"{name}_TAGS"):
            if len(tag) == 4:  # a mask of a repeating group
                key = {0x5000: "50xxxxxx"}.get(tag[0], f"60xx{tag[1]:04x}")
            else:
                key = f"{tag[0]:04x}{tag[1]:04x}"
            found[key] = action
    return found


_WORDS = {
    "DUMMY": "D",
    "EMPTY": "Z",
    "REMOVE": "X",
    "KEEP": "K",
    "CLEAN": "C",
    "UID": "U",
    "EMPTY_OR_DUMMY": "Z/D",
    "REMOVE_OR_EMPTY": "X/Z",
    "REMOVE_OR_DUMMY": "X/D",
    "REMOVE_OR_EMPTY_OR_DUMMY": "X/Z/D",
    "REMOVE_OR_EMPTY_OR_UID": "X/Z/U*",
}


def of_2024d() -> dict[str, dict[str, str]]:
    """Column -> tag -> action, out of the source of idiscore; running it would need more of it."""
    package = importlib.util.find_spec("idiscore")
    assert package and package.origin
    source = Path(package.origin).with_name("_public_dicom.py").read_text("utf-8")
    found: dict[str, dict[str, str]] = {}
    for statement in ast.parse(source).body:
        if not isinstance(statement, ast.Assign) or not isinstance(statement.value, ast.Call):
            continue
        (rules,) = (k.value for k in statement.value.keywords if k.arg == "rules")
        assert isinstance(rules, ast.List) and isinstance(statement.targets[0], ast.Name)
        rows = found[statement.targets[0].id] = {}
        for rule in rules.elts:
            assert isinstance(rule, ast.Tuple)
            identifier, action = rule.elts
            assert isinstance(identifier, ast.Call) and isinstance(action, ast.Attribute)
            key = ast.literal_eval(identifier.args[0]) if identifier.args else "private"
            rows[key] = _WORDS[action.attr]
    return found


def of_2020() -> Iterator[tuple[str, str, str]]:
    """Tag, column and action of every cell that is not empty, as dicom-standard has them."""
    path = Path(sys.prefix) / "standard/confidentiality_profile_attributes.json"
    names = {published: column for column, (_, published) in COLUMNS.items()}
    for row in json.loads(path.read_text("utf-8")):
        key = row["id"].lower() if "where" not in row["id"] else "private"
        yield key, "basic", row["basicProfile"]
        for published, column in names.items():
            yield key, column, row.get(published, "")


def test_the_basic_profile_is_that_of_2026c_row_by_row() -> None:
    published = of_2026c()
    assert len(published) > 600
    # All private attributes go; the list of tags has no row for them.
    assert {r["tag"]: r["basic"] for r in ours() if r["tag"] != "private"} == published
    assert next(r for r in ours() if r["tag"] == "private")["basic"] == "X"


@pytest.mark.parametrize("column", COLUMNS)
def test_an_option_is_that_of_2024d_row_by_row(column: str) -> None:
    published = of_2024d()[COLUMNS[column][0]]
    assert published
    assert {r["tag"]: r[column] for r in ours() if r[column]} == published


def test_what_is_younger_than_the_options_that_are_published_has_none() -> None:
    there = of_2024d()["basic_profile"]
    younger = [r for r in ours() if r["tag"] not in there]
    assert len(younger) == YOUNGER
    assert all(not r[column] for r in younger for column in COLUMNS)
    basic = {r["tag"]: r["basic"] for r in ours()}
    assert all(basic[key] == action for key, action in there.items())


def test_the_edition_of_2020_differs_where_it_was_changed_since_and_nowhere_else() -> None:
    rows = {r["tag"]: r for r in ours()}
    told = {
        (key, column): action for key, column, action in of_2020() if rows[key][column] != action
    }
    assert told == OLDER


def test_every_option_has_its_code_of_the_standard() -> None:
    from pydicom.sr.codedict import codes

    published = {code.value: code.meaning for code in map(codes.cid7050.__getattr__, dir_7050())}
    for option in ConfidentialityOption:
        value, _ = METHOD[option]
        words = option.value.replace("-", " ").rstrip("s")
        meaning = published[value].casefold()
        assert all(word.rstrip("s") in meaning for word in words.split()), (option, meaning)


def dir_7050() -> list[str]:
    from pydicom.sr.codedict import codes

    return list(codes.cid7050.dir())


def test_of_joined_actions_the_first_that_keeps_the_object_valid_is_taken() -> None:
    # PS3.15 table E.1-1a: X unless Z or D is required to maintain conformance, and so on.
    assert [resolved("X/Z/D", kind) for kind in ("3", "2", "2C", "1", "1C")] == list("XZZDD")
    assert [resolved("Z/D", kind) for kind in ("3", "2", "1")] == list("ZZD")
    assert [resolved("X/D", kind) for kind in ("3", "2", "1")] == list("XDD")
    assert [resolved("X/Z", kind) for kind in ("3", "2")] == list("XZ")
    assert [resolved("X/Z/U*", kind) for kind in ("3", "2", "1")] == list("XZU")


def test_of_two_options_the_one_that_gives_away_less_is_followed() -> None:
    # Performed Station AE Title: kept by one option, cleaned by another.
    both = [ConfidentialityOption.DEVICE_IDENTITY, ConfidentialityOption.CLEAN_DESCRIPTORS]
    for row in table().values():
        told = {row[o.value] for o in both} - {""}
        if told == {"K", "C"}:
            assert action_of(int(row["tag"], 16), both) == "C"


def test_groups_that_repeat_and_private_ones_find_their_row() -> None:
    assert key_of(0x00091001) == key_of(0x7FDF0001) == "private"
    assert key_of(0x50020010) == "50xxxxxx"
    assert (key_of(0x60023000), key_of(0x60024000)) == ("60xx3000", "60xx4000")
    assert (
        action_of(0x60020010, []) == ""
        and action_of(0x00091001, list(ConfidentialityOption)) == "X"
    )
