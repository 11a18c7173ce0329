from __future__ import annotations

import io
import os
from collections.abc import Iterator
from datetime import datetime, timezone
from pathlib import Path

import pytest
from archive_samples import Clock, as_bytes, dataset, uid
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom import Dataset, dcmread
from pydicom.dataset import FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.fileset import FileSet
from pydicom.uid import ExplicitVRLittleEndian, JPEGBaseline8Bit

from archiver.archive.ingest import foreign_files
from archiver.archive.ingest.foreign_files import add_files
from archiver.archive.query import Query
from archiver.archive.statements import NewPatient
from archiver.archive.store import Outcome
from archiver.archive.store.archive import Archive
from archiver.archive.store.journal_lines import read_lines
from archiver.errors import ObjectError
from archiver.objects import SamePerson


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    with Archive.open(tmp_path / "archive", clock=Clock()) as opened:
        yield opened


def saved(folder: Path, name: str, content: bytes) -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return path


def compressed(number: int, frame: bytes) -> bytes:
    ds = dataset(number, modality="IO")
    whole = as_bytes(ds)
    del whole
    ds.file_meta.TransferSyntaxUID = JPEGBaseline8Bit
    del ds[0x7FE00010]
    ds.PixelData = encapsulate([frame])
    out = io.BytesIO()
    ds.save_as(out, enforce_file_format=True)
    return out.getvalue()


def test_a_folder_is_gone_through_and_every_file_has_its_fate(
    archive: Archive, tmp_path: Path
) -> None:
    folder = tmp_path / "in"
    radiograph = as_bytes(dataset(1, modality="IO", pixels=os.urandom(3_000_001)))
    saved(folder, "a/radiograph", radiograph)
    saved(folder, "a/again.dcm", radiograph)
    saved(folder, "b/other.dcm", as_bytes(dataset(1, modality="IO", pixels=b"differs")))
    saved(folder, "b/compressed.dcm", compressed(2, os.urandom(1001)))
    saved(folder, "c/holiday.jpg", b"\xff\xd8\xff\xe0" + bytes(500))
    saved(folder, "c/empty.dcm", b"")
    report = add_files(archive, [folder, tmp_path / "missing.dcm"])
    fates = {r.path.name: r.outcome for r in report.results}
    assert fates == {
        "again.dcm": Outcome.NEW,
        "radiograph": Outcome.SAME,
        "compressed.dcm": Outcome.NEW,
        "other.dcm": Outcome.CONFLICT,
        "empty.dcm": Outcome.REFUSED,
        "holiday.jpg": Outcome.REFUSED,
        "missing.dcm": Outcome.REFUSED,
    }
    assert report.seen == 7 == sum(report.by_name().values())
    path = archive.path_of(uid(1))
    assert path is not None and path.read_bytes() == radiograph
    for problem in report.problems:
        assert "\n" not in str(problem) and str(tmp_path) in str(problem)
    told = "\n".join(map(str, report.problems))
    for part in ("no DICOM object", "the file is empty", "no such file", "other values"):
        assert part in told


def test_adding_twice_adds_nothing(archive: Archive, tmp_path: Path) -> None:
    for n in range(70):
        saved(tmp_path, f"in/{n}.dcm", as_bytes(dataset(n)))
    assert add_files(archive, [tmp_path / "in"]).count(Outcome.NEW) == 70
    assert add_files(archive, [tmp_path / "in"]).count(Outcome.SAME) == 70
    assert len(archive) == 70


@pytest.mark.parametrize("keyword", ["StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID"])
def test_an_object_without_one_of_its_uids_is_refused(
    archive: Archive, tmp_path: Path, keyword: str
) -> None:
    ds = dataset(1)
    whole = as_bytes(ds)
    assert len(whole) > 132
    delattr(ds, keyword)
    out = io.BytesIO()
    ds.save_as(out, enforce_file_format=True)
    report = add_files(archive, [saved(tmp_path, "x.dcm", out.getvalue())])
    assert report.refused == 1
    words = keyword.replace("UID", " UID").replace("Instance", " Instance")
    assert f"{words} is missing" in str(report.problems[0])


def test_a_file_that_cannot_be_read_is_named_once(archive: Archive, tmp_path: Path) -> None:
    whole = as_bytes(dataset(1))
    meta = whole[: whole.index(b"\x08\x00")]
    broken = saved(tmp_path, "x.dcm", meta + b"\x08\x00\x40\x11SQ\0\0\xff\xff\xff\xff")
    report = add_files(archive, [broken])
    assert str(report.problems[0]).startswith(f"{broken}: the file cannot be read")


def test_an_object_without_file_meta_information_is_refused(
    archive: Archive, tmp_path: Path
) -> None:
    whole = as_bytes(dataset(1))
    bare = whole[132:]
    report = add_files(archive, [saved(tmp_path, "x.dcm", bare)])
    assert "no DICOM object" in str(report.problems[0])
    no_syntax = whole.replace(b"1.2.840.10008.1.2.1\0", b"\0" * 20, 1)
    report = add_files(archive, [saved(tmp_path, "y.dcm", no_syntax)])
    assert report.refused == 1


def test_a_directory_of_a_medium_is_skipped_with_a_note(archive: Archive, tmp_path: Path) -> None:
    directory = Dataset()
    directory.FileSetID = "VISIT"
    directory.DirectoryRecordSequence = []
    directory.file_meta = FileMetaDataset()
    directory.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.1.3.10"  # PS3.4 Annex B
    directory.file_meta.MediaStorageSOPInstanceUID = uid(7)
    directory.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    directory.save_as(tmp_path / "DICOMDIR", enforce_file_format=True)
    saved(tmp_path, "IMAGES/1", as_bytes(dataset(1)))
    report = add_files(archive, [tmp_path / "DICOMDIR", tmp_path / "IMAGES"])
    assert [r.outcome for r in report.results] == [None, Outcome.NEW]
    assert (
        "the files that it lists hold them" in str(report.results[0].problem)
        and report.problems == ()
    )


@pytest.fixture
def medium(tmp_path: Path) -> Path:
    """Three objects on a medium, as a file system with small letters may show it."""
    folder = tmp_path / "disc"
    objects = [dataset(number, pixels=bytes((number, 2, 3, 4))) for number in (1, 2, 3)]
    for number, one in enumerate(objects, 1):
        one.StudyTime, one.StudyID, one.SeriesNumber, one.InstanceNumber = "142000", "1", 1, number
    made = FileSet()
    for one in objects:
        made.add(dcmread(io.BytesIO(as_bytes(one))))
    made.write(folder)
    for path in sorted(folder.rglob("*"), reverse=True):
        path.rename(path.with_name(path.name.lower() + (";1" if path.is_file() else "")))
    return folder / "dicomdir;1"


def test_what_a_directory_lists_is_taken_however_its_names_are_shown(
    archive: Archive, medium: Path
) -> None:
    report = add_files(archive, [medium])
    assert [r.outcome for r in report.results] == [None, *3 * [Outcome.NEW]]
    assert (report.problems, report.notes) == ((), ())
    again = add_files(archive, [medium.parent, medium])
    assert again.count(Outcome.SAME) == 3 and again.count(Outcome.NEW) == 0


def test_what_a_medium_has_beside_its_objects_is_skipped_and_what_it_lists_is_not(
    archive: Archive, medium: Path
) -> None:
    for name in ("AUTORUN.INF", "index.htm", "sha256.txt"):
        (medium.parent / name).write_text("no object")
    listed = next(medium.parent.rglob("im*"))
    listed.write_text("no object either")
    report = add_files(archive, [medium.parent])
    assert report.by_name()["skipped"] == 4 and report.count(Outcome.NEW) == 2
    assert [one.path for one in report.results if one.outcome is Outcome.REFUSED] == [listed]
    assert add_files(archive, [medium.parent / "index.htm"]).refused == 1, "named by itself"


def test_what_a_directory_forgot_misnames_or_lists_in_vain_is_told(
    archive: Archive, medium: Path
) -> None:
    first, second, third = sorted(p for p in medium.parent.rglob("im*"))
    second.rename(medium.parent / "extra")
    third.rename(second)
    report = add_files(archive, [medium.parent])
    assert report.count(Outcome.NEW) == 3 and report.refused == 1 and first.exists()
    (missing,) = report.problems
    assert "lists it, and it is not there" in str(missing) and "IM000002" in str(missing)
    told = " ".join(map(str, report.notes))
    assert "extra: the DICOMDIR does not list it" in told
    assert f"{second}: it holds {uid(3)}" in told and len(report.notes) == 2


@pytest.mark.parametrize("kept", [0, 0.5, 0.99, None], ids=["none", "half", "most", "garbled"])
def test_a_directory_that_breaks_off_or_is_garbled_is_refused_and_its_folder_taken(
    kept: float | None, archive: Archive, medium: Path
) -> None:
    whole = medium.read_bytes()
    records = whole.index(b"\x04\x00\x20\x12SQ")
    if kept is None:
        medium.write_bytes(whole.replace(b"\x04\x00\x00\x15CS", b"\x05\x00\x00\x15CS"))
    else:
        medium.write_bytes(whole[: records + int(kept * (len(whole) - records))])
    report = add_files(archive, [medium])
    assert [r.outcome for r in report.results] == [Outcome.REFUSED]
    assert str(report.problems[0]).startswith(f"{medium}: the DICOMDIR breaks off or is damaged")
    report = add_files(archive, [medium.parent])
    assert (report.count(Outcome.NEW), report.refused, report.notes) == (3, 1, ())


@pytest.mark.parametrize("tag", [b"\x04\x00\x20\x12", b"\x04\x00\x00\x15"], ids=["records", "file"])
def test_a_directory_with_a_garbled_value_representation_ends_nothing(
    tag: bytes, archive: Archive, medium: Path
) -> None:
    whole = medium.read_bytes()
    at = whole.index(tag) + 4
    medium.write_bytes(whole[:at] + b"C\xb9" + whole[at + 2 :])
    report = add_files(archive, [medium.parent])
    assert report.count(Outcome.NEW) == 3


def test_objects_of_a_medium_get_the_clinics_identity_and_keep_what_they_came_with(
    archive: Archive, medium: Path, tmp_path: Path
) -> None:
    other = dataset(9, patient="P-0417", name="Okafor^Nadia^Ż")
    other.SpecificCharacterSet, other.StudyInstanceUID = "ISO_IR 192", uid(90)
    saved(tmp_path, "here.dcm", as_bytes(other))
    add_files(archive, [tmp_path / "here.dcm"])
    for path in medium.parent.rglob("im*"):
        came = dcmread(path)
        came.PatientID, came.PatientName = "77", "OKAFOR^N"
        came.save_as(path)
    looked = SamePerson("Haugen^Liv", "the disc was in the patient's hand")
    for later, outcome in ((0, Outcome.NEW), (1, Outcome.SAME)):
        when = datetime(2026, 11, 29 + later, 9, tzinfo=timezone.utc)
        here = NewPatient("P-0417")
        report = add_files(archive, [medium], same_person=(looked, when), as_patient=here)
        assert [r.outcome for r in report.results] == [None, *3 * [outcome]]
    kept = dcmread(archive.path_of(uid(1)))
    journal = list(read_lines(archive.layout.journal))
    assert (kept.PatientID, str(kept.PatientName)) == ("P-0417", "Okafor^Nadia^Ż")
    (change,) = kept.OriginalAttributesSequence  # PS3.3 C.12.1.1.9
    assert change.ReasonForTheAttributeModification == "COERCE"
    (before,) = change.ModifiedAttributesSequence
    assert (before.PatientID, str(before.PatientName)) == ("77", "OKAFOR^N")
    assert kept.PixelData == bytes((1, 2, 3, 4))
    assert any(b"identity checked by Haugen^Liv" in line.raw for line in journal)
    assert len(archive.query(Query(patient_id="P-0417"))) == 4
    assert archive.query(Query(patient_id="77")) == []
    with pytest.raises(ObjectError, match="--as-patient names somebody of whom"):
        add_files(archive, [medium], same_person=(looked, when), as_patient=NewPatient("P-unknown"))


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_a_file_that_breaks_off_anywhere_is_refused(
    archive: Archive, tmp_path: Path, data: st.DataObject
) -> None:
    plain = as_bytes(dataset(1, pixels=bytes(3000)))
    whole = data.draw(st.sampled_from([plain, compressed(2, bytes(3000))]))
    pixels = len(whole) - 3000
    cut = data.draw(st.integers(0, len(whole) - 1) | st.integers(pixels, len(whole) - 1))
    report = add_files(archive, [saved(tmp_path, "cut.dcm", whole[:cut])])
    # Cut between two elements before the pixel data it is a whole, smaller object.
    if report.count(Outcome.NEW):
        assert cut < pixels and b"\xe0\x7f\x10\x00" not in whole[:cut]
    assert report.seen == 1


@pytest.mark.parametrize("missing", range(1, 12))
def test_a_file_that_breaks_off_in_the_header_of_its_pixel_data_is_refused(
    archive: Archive, tmp_path: Path, missing: int
) -> None:
    whole = as_bytes(dataset(1, pixels=bytes(3000)))
    report = add_files(archive, [saved(tmp_path, "cut.dcm", whole[: -3000 - missing])])
    assert report.refused == 1


@pytest.mark.parametrize("missing", [1, 4, 8, 9, 100, 2990, 3008, 3015, 3016, 3017])
def test_compressed_pixel_data_that_break_off_are_refused(
    archive: Archive, tmp_path: Path, missing: int
) -> None:
    whole = compressed(2, bytes(3000))
    report = add_files(archive, [saved(tmp_path, "cut.dcm", whole[:-missing])])
    assert report.refused == 1 and len(archive) == 0
    assert add_files(archive, [saved(tmp_path, "whole.dcm", whole)]).count(Outcome.NEW) == 1


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.binary(max_size=400), st.booleans())
def test_any_bytes_at_all_end_in_a_result(
    archive: Archive, tmp_path: Path, content: bytes, dressed: bool
) -> None:
    content = bytes(128) + b"DICM" + content if dressed else content
    report = add_files(archive, [saved(tmp_path, "x", content)])
    assert report.seen == 1 and report.count(Outcome.NEW) == 0
    assert len(archive.query(Query())) == len(archive) == 0


def test_a_medium_that_gives_no_reason_of_its_own_is_told_with_the_errors_words(
    archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = saved(tmp_path / "card", "one.dcm", b"x")

    def gone(_: Path) -> None:
        raise OSError("The medium was taken out")

    monkeypatch.setattr(foreign_files, "read_whole", gone)
    (result,) = foreign_files.add_files(archive, [path]).results
    assert result.outcome is Outcome.REFUSED
    assert "the medium was taken out" in str(result.problem)
