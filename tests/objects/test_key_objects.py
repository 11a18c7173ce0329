"""Notes are valid by outside verifiers, and read back as they were meant."""

from __future__ import annotations

import subprocess
import sys
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from pydicom import Dataset, dcmread
from pydicom.sr._concepts_dict import concepts as published

from archiver.dentition.codes import Code
from archiver.objects import concepts, key_objects, part10
from archiver.objects.description import describe
from archiver.objects.key_objects import Note, Referenced, referenced
from archiver.objects.uids import DerivedUids
from archiver.standard.validator import validate_file

NOON = datetime(2026, 3, 5, 12, 30, tzinfo=timezone.utc)
BLURRED = concepts.QUALITY_REASONS["111210"]
TITLES = {**concepts.REJECTIONS, **concepts.SELECTIONS}


def beside(number: int = 1, **changes: object) -> Dataset:
    ds = Dataset()
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.SOPClassUID = concepts.VL_PHOTOGRAPHIC_IMAGE
    ds.SOPInstanceUID = f"2.25.3{number}"
    ds.StudyInstanceUID, ds.SeriesInstanceUID = "2.25.11", f"2.25.2{number}"
    ds.PatientName, ds.PatientID, ds.IssuerOfPatientID = "Ødegård^Liv", "P-0502", "RIVERBEND"
    ds.PatientBirthDate, ds.PatientSex = "20011130", "F"
    ds.StudyDate, ds.StudyTime, ds.StudyID = "20260304", "142000", "20260304"
    ds.AccessionNumber, ds.ReferringPhysicianName = "A-2291", "Brânză^Ilinca"
    for keyword, value in changes.items():
        setattr(ds, keyword, value)
    return ds


def note(title: Code = concepts.REJECTED_FOR_SAFETY, **more: object) -> Note:
    of = (referenced(beside(1)), referenced(beside(2)))
    return Note(title, of, "the tooth is 26, not 25; Zoë said so", **more)  # type: ignore[arg-type]


def written(told: Note, folder: Path, **changes: object) -> Path:
    ds = key_objects.build(told, beside(**changes), created=NOON, uids=DerivedUids())
    path = folder / "note.dcm"
    path.write_bytes(part10.whole(ds))
    return path


def said(*words: object) -> str:
    run = subprocess.run([str(w) for w in words], capture_output=True, text=True, check=True)
    return run.stdout + run.stderr


@pytest.mark.parametrize("title", TITLES.values(), ids=str)
def test_verifiers_find_nothing_wrong_with_a_note(title: Code, tmp_path: Path) -> None:
    reasons = (BLURRED,) if title is concepts.REJECTED_FOR_QUALITY else ()
    path = written(note(title, modifiers=reasons, by="Haugen^Liv"), tmp_path)
    # Console programs of the environment that runs the tests, be it on the path or not.
    verdict = said(Path(sys.executable).with_name("dciodvfy"), path)
    assert "KeyObjectSelectionDocument" in verdict
    assert "Error" not in verdict
    # Of the character set and of templates it says that it does not check them.
    assert all("support" in line for line in verdict.splitlines() if line.startswith("W"))
    assert validate_file(path) == []


def test_dsrdump_reads_title_reason_observer_words_and_instances(tmp_path: Path) -> None:
    told = note(concepts.REJECTED_FOR_QUALITY, modifiers=(BLURRED,), by="Haugen^Liv")
    shown = said("dsrdump", "+Pl", "+Pc", "+Pu", "+U8", written(told, tmp_path))
    for words in (
        '113001,DCM,"Rejected for Quality Reasons"',
        '111210,DCM,"Motion blur"',
        '"Haugen^Liv"',
        '"the tooth is 26, not 25; Zoë said so"',
        "2.25.31",
        "2.25.32",
    ):
        assert words in shown


def test_a_note_reads_back_as_it_was_meant(tmp_path: Path) -> None:
    described = describe(dcmread(written(note(), tmp_path)))
    assert described.selection is not None
    assert described.selection.title == concepts.REJECTED_FOR_SAFETY
    assert described.selection.uids == ("2.25.31", "2.25.32")
    assert described.selection.words == note().words
    assert described.selection.rejects
    assert (described.patient_id, described.issuer) == ("P-0502", "RIVERBEND")
    assert (described.study_uid, described.modality) == ("2.25.11", "KO")
    assert described.confirmed is None


def test_a_selection_rejects_nothing(tmp_path: Path) -> None:
    described = describe(dcmread(written(note(concepts.FOR_REFERRING_PROVIDER), tmp_path)))
    assert described.selection is not None
    assert not described.selection.rejects


def test_times_are_in_the_zone_of_the_instances(tmp_path: Path) -> None:
    ds = dcmread(written(note(), tmp_path, TimezoneOffsetFromUTC="-0230"))
    assert (ds.ContentDate, ds.ContentTime) == ("20260305", "100000")
    local = NOON.astimezone(timezone(timedelta(hours=-2, minutes=-30)))
    assert local.strftime("%H%M%S") == ds.ContentTime


def test_the_same_note_has_the_same_uid_and_another_another() -> None:
    uids = DerivedUids()
    same = {key_objects.note_uid(note(), uids) for _ in range(2)}
    others = {
        key_objects.note_uid(other, uids)
        for other in (
            note(concepts.OF_INTEREST),
            note(by="A^B"),
            Note(concepts.REJECTED_FOR_SAFETY, note().references[:1], note().words),
            Note(concepts.REJECTED_FOR_SAFETY, note().references, "other words"),
        )
    }
    assert len(same) == 1
    assert len(others | same) == 5


def test_instances_of_two_studies_need_two_notes() -> None:
    other = Referenced(concepts.VL_PHOTOGRAPHIC_IMAGE, "2.25.9", "2.25.8", "2.25.7")
    told = Note(concepts.OF_INTEREST, (referenced(beside()), other))
    with pytest.raises(ValueError, match="one study"):
        key_objects.build(told, beside(), created=NOON, uids=DerivedUids())
    assert [len(some) for some in key_objects.by_study(told.references).values()] == [1, 1]


@pytest.mark.parametrize("code", [*TITLES.values(), *concepts.QUALITY_REASONS.values()], ids=str)
def test_titles_and_reasons_are_those_of_the_context_groups(code: Code) -> None:
    """CID 7010 and 7011 as pydicom's dictionary has them."""
    group = 7011 if code in concepts.QUALITY_REASONS.values() else 7010
    found = [row[code.value] for row in published["DCM"].values() if code.value in row]
    assert code.meaning in [meaning for meaning, cids in found if group in cids]
