"""Content trees: wherever the outside verifier reports an error, so do we, and more."""

from __future__ import annotations

import random
import re
import subprocess
from itertools import product
from pathlib import Path

import pytest
from content_documents import (
    CHANGES,
    RELATIONSHIPS,
    VALUE_TYPES,
    file_of,
    key_object_selection,
    related,
    report,
    spoilt,
)
from pydicom import Dataset
from pydicom.encaps import encapsulate, generate_frames
from standard_photograph import photograph, written
from template_mutants import mutants, whole_selection
from verifier import errors_of

from archiver.standard.finding import Severity
from archiver.standard.validator import validate_bytes

GOOD = {"selection": key_object_selection, "report": report}
#: What no file can be written with.
UNWRITABLE = {f"{kind} {name}" for kind in ("delete", "empty")
              for name in ("SOPClassUID", "SOPInstanceUID")}  # fmt: skip
#: Changes that only the template of Key Object Selections forbids.
OF_SELECTIONS = {"nested container", "text twice", "other text", "other template",
                 "device without uid"}  # fmt: skip


def errors(data: bytes) -> set[str]:
    return {f.rule for f in validate_bytes(data) if f.severity is Severity.ERROR}


def changed(**values: object) -> bytes:
    ds = photograph()
    for keyword, value in values.items():
        setattr(ds, keyword, value)
    return written(ds)


@pytest.mark.parametrize("name", GOOD)
def test_every_error_that_dciodvfy_reports_of_a_document_is_ours_too(
    name: str, tmp_path: Path
) -> None:
    good, path = GOOD[name](), tmp_path / "mutant.dcm"
    theirs, missed = 0, []
    for mutation in spoilt(good):
        if str(mutation) in UNWRITABLE:
            continue
        data = file_of(mutation.dataset)
        path.write_bytes(data)
        if told := errors_of(path):
            theirs += 1
            missed += [f"{mutation}: {told[0]}"] if not errors(data) else []
    assert missed == []
    assert theirs > 280


@pytest.mark.parametrize("name", GOOD)
def test_a_good_document_has_no_error(name: str, tmp_path: Path) -> None:
    data = file_of(GOOD[name]())
    (tmp_path / "good.dcm").write_bytes(data)
    assert errors_of(tmp_path / "good.dcm") == [] and errors(data) == set()


@pytest.mark.parametrize("change", CHANGES)
def test_a_changed_tree_is_found_also_where_the_verifier_says_nothing(change: str) -> None:
    for name, make in GOOD.items():
        ds = make()
        CHANGES[change](ds)
        assert bool(errors(file_of(ds))) is (name == "selection" or change not in OF_SELECTIONS)


def test_whatever_a_row_of_the_templates_forbids_is_found() -> None:
    for title in ("113001", "113010", "113013", "113000"):
        assert errors(file_of(whole_selection(title))) == set()
    made = dict(mutants())
    assert [name for name, ds in made.items() if not errors(file_of(ds))] == []
    assert len(made) > 200


def test_items_hold_one_another_as_dsrdump_has_it(tmp_path: Path) -> None:
    classes = [f"1.2.840.10008.5.1.4.1.1.88.{n}" for n in (11, 22, 33)]
    every = list(product(classes, VALUE_TYPES, RELATIONSHIPS, VALUE_TYPES))
    files = {}
    for number, asked in enumerate(random.Random(4).sample(every, 90)):
        path = tmp_path / f"{number}.dcm"
        path.write_bytes(file_of(related(*asked)))
        files[str(path)] = asked
    told = subprocess.run(["dsrdump", *files], capture_output=True, check=False).stderr.decode()
    refused = {files[path] for path in re.findall(r"parsing file: (\S+)", told)}
    ours = {asked for path, asked in files.items() if errors(Path(path).read_bytes())}
    assert ours == refused
    assert 60 < len(refused) < 90


def test_what_is_referred_to_is_of_the_kind_that_is_said_and_of_the_class_in_evidence() -> None:
    good = related("1.2.840.10008.5.1.4.1.1.88.33", "CONTAINER", "CONTAINS", "IMAGE")
    assert errors(file_of(good)) == set()
    reference = good.ContentSequence[0].ReferencedSOPSequence[0]
    for kind in ("WAVEFORM", "COMPOSITE"):
        good.ContentSequence[0].ValueType = kind
        assert errors(file_of(good)) == {"tree-value-type"}
    reference.ReferencedSOPClassUID = "1.2.840.10008.5.1.4.1.1.7"
    good.ContentSequence[0].ValueType = "IMAGE"
    assert errors(file_of(good)) == {"tree-evidence"}


@pytest.mark.parametrize("zone", ["+2500", "-0000", "+0160", "+01", "0100", "+0100 h", "-1300"])
def test_a_time_zone_that_there_is_not(zone: str) -> None:
    assert "time-zone" in errors(changed(TimezoneOffsetFromUTC=zone))


@pytest.mark.parametrize("zone", ["+0000", "-1200", "+1400", "+0545", ""])
def test_a_time_zone_that_there_is(zone: str) -> None:
    assert "time-zone" not in errors(changed(TimezoneOffsetFromUTC=zone))


def test_a_reserved_private_element_and_an_empty_creator() -> None:
    for tag, vr, value in ((0x00990001, "LO", "x"), (0x00991001, "LO", "x")):
        ds: Dataset = photograph()
        ds.add_new(0x00990010, "LO", "")
        ds.add_new(tag, vr, value)
        assert "private-creator-missing" in errors(written(ds))


@pytest.mark.parametrize(
    ("offsets", "lengths", "wrong"),
    [([0], None, False), ([8], None, True), ([0, 9], None, True), ([], None, True),
     ([0], [1], True)],
)  # fmt: skip
def test_an_extended_offset_table_is_checked(
    offsets: list[int], lengths: list[int] | None, wrong: bool
) -> None:
    ds = photograph()
    frame = next(generate_frames(ds.PixelData, number_of_frames=1))
    ds.PixelData = encapsulate([frame], has_bot=False)
    ds.ExtendedOffsetTable = b"".join(n.to_bytes(8, "little") for n in offsets)
    size = [len(frame)] if lengths is None else lengths
    ds.ExtendedOffsetTableLengths = b"".join(n.to_bytes(8, "little") for n in size)
    assert ("offset-table" in {f.rule for f in validate_bytes(written(ds))}) is wrong


def test_the_place_in_the_evidence_is_counted_from_one() -> None:
    ds = key_object_selection()
    del ds.CurrentRequestedProcedureEvidenceSequence[0].ReferencedSeriesSequence[0][
        "SeriesInstanceUID"
    ]
    (place,) = [
        f.attribute
        for f in validate_bytes(file_of(ds))
        if f.rule.startswith("tree") and "SeriesInstanceUID" in f.attribute
    ]
    assert "EvidenceSequence[1]." in place and "ReferencedSeriesSequence[1]." in place
