"""The register of packages: what was handed over, in order, of which case, with which instances."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from archive_samples import Clock

from archiver.archive.statements.handover_register import (
    FILE,
    HandedOver,
    handovers,
    of_case,
    of_instances,
    register,
)
from archiver.archive.store.archive import Archive
from archiver.errors import IntegrityError

FIRST = HandedOver(
    case="1187",
    purpose="laboratory",
    to="North laboratory",
    when="2026-03-04T12:00:00+00:00",
    folder="1187",
    sha256="0" * 64,
    uids=("1.2.3", "1.2.4"),
    patient="f" * 64,
)
SECOND = replace(FIRST, case="1188", folder="1188", uids=("1.2.4",), insisted_by="Haugen^Liv")
THIRD = replace(FIRST, folder="1187-2", uids=("1.2.5",))


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    with Archive.open(tmp_path / "archive", clock=Clock(), actor="tests") as opened:
        for package in (FIRST, SECOND, THIRD):
            register(opened, package, dict.fromkeys(package.uids, "a" * 64))
        yield opened


def test_every_package_is_told_the_earliest_first(archive: Archive) -> None:
    assert handovers(archive.layout.root) == [FIRST, SECOND, THIRD]


@pytest.mark.parametrize(
    ("case", "expected"), [("1187", [FIRST, THIRD]), ("1188", [SECOND]), ("1186", []), ("2", [])]
)
def test_the_packages_of_a_case_are_its_own(
    archive: Archive, case: str, expected: list[HandedOver]
) -> None:
    assert of_case(archive.layout.root, case) == expected


def test_the_packages_that_hold_an_instance_are_told(archive: Archive) -> None:
    root = archive.layout.root
    assert of_instances(root, ["1.2.4"]) == [FIRST, SECOND]
    assert of_instances(root, ["1.2.5", "1.2.9"]) == [THIRD]
    assert of_instances(root, []) == []


def test_the_journal_has_a_line_for_the_package_and_one_for_each_instance(
    archive: Archive,
) -> None:
    text = archive.layout.journal.read_text()
    assert text.count('"action":"handed-over"') == 3 + 4
    assert "case 1187, laboratory, instances: 2, to North laboratory" in text
    assert "case 1188, laboratory, instances: 1, insisted on by Haugen^Liv, to North" in text


@pytest.mark.parametrize("line", ['{"case": "1189"}', '{"uids": ["1.2"], "colour": "red"}', "[]"])
def test_a_line_that_lacks_something_or_has_too_much_is_told_with_its_number(
    archive: Archive, line: str
) -> None:
    with (archive.layout.root / FILE).open("a") as file:
        file.write(line + "\n")
    with pytest.raises(IntegrityError, match=f"{FILE}, line 4"):
        handovers(archive.layout.root)


def test_an_archive_that_handed_nothing_over_has_no_packages(tmp_path: Path) -> None:
    assert handovers(tmp_path) == [] == of_case(tmp_path, "1187")
