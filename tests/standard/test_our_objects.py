"""What our own builder makes passes, spoilt it fails, and pictures agree beside each other."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from mutations import mutations
from object_samples import entry, make, picture, write
from verifier import errors_of

from archiver.objects import part10
from archiver.objects.description import describe
from archiver.objects.photograph import PhotographInstance
from archiver.standard.depiction import depiction_of
from archiver.standard.files import validate
from archiver.standard.finding import Severity
from archiver.standard.parsing import parse_file
from archiver.standard.report import ObjectFindings
from archiver.standard.validator import validate_bytes, validate_instance

MADE = {
    "a molar in a mirror": lambda: make(entry("lingual", "46", True, confirmed_by="Haugen^Liv")),
    "front teeth, directly": lambda: make(entry("labial", "11, 21", False)),
    "a whole arch": lambda: make(entry("upper occlusal arch", "", True)),
    "a face": lambda: make(entry("face", "", False)),
    "a PNG": lambda: make(entry("buccal", "36", True), picture("png")),
    "grey": lambda: make(entry("occlusal", "16", True), picture("grey baseline")),
}


def _instances(name: str) -> Iterator[PhotographInstance]:
    yield from MADE[name]().instances


@pytest.mark.parametrize("name", MADE)
def test_our_instances_have_no_error_and_no_warning(name: str, tmp_path: Path) -> None:
    for instance in _instances(name):
        write(instance, tmp_path)
    worst = [f for f in validate([tmp_path]).findings if f.severity is not Severity.NOTE]
    assert [str(f) for f in worst] == []


@pytest.mark.parametrize("name", MADE)
def test_before_and_after_writing_the_findings_are_the_same(name: str) -> None:
    for instance in _instances(name):
        before = validate_instance(
            instance.dataset, instance.pixels.stream, instance.pixels.transfer_syntax
        )
        assert before == validate_bytes(b"".join(part10.pieces(instance)))


@pytest.mark.parametrize("name", MADE)
def test_raw_elements_tell_the_same_as_the_reader_of_objects(name: str) -> None:
    for instance in _instances(name):
        parsed = parse_file(b"".join(part10.pieces(instance)), ObjectFindings())
        assert parsed is not None
        shown, told = depiction_of(parsed.dataset), describe(instance.dataset)
        assert {n.tooth for n in shown.teeth} == set(told.teeth)
        assert shown.laterality == told.laterality
        assert shown.orientation == told.orientation
        assert tuple(s.uid for s in shown.sources) == told.source_uids
        assert shown.is_uncorrected == (told.mirror == "uncorrected")


def test_wherever_dciodvfy_finds_an_error_in_a_spoilt_one_so_do_we(tmp_path: Path) -> None:
    corrected = make(entry("lingual", "46", True, confirmed_by="Haugen^Liv")).corrected
    assert corrected is not None
    count = 0
    missed = {}
    for mutation in mutations(corrected.dataset, deletions_only=True):
        if mutation.where in ("SOPClassUID", "SOPInstanceUID"):
            continue  # our writer needs them for the file meta information
        data = b"".join(part10.pieces(PhotographInstance(mutation.dataset, corrected.pixels)))
        path = tmp_path / "spoilt.dcm"
        path.write_bytes(data)
        theirs = errors_of(path)
        count += bool(theirs)
        ours = [f for f in validate_bytes(data) if f.severity is Severity.ERROR]
        if theirs and not ours:
            missed[str(mutation)] = theirs
    assert missed == {}
    assert count > 50
