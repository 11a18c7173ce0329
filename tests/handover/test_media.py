"""Media: read by outside readers of file sets, whole, the archive's bytes, or nobody's name."""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from byte_search import found
from handover_samples import (
    NOW,
    PATIENT,
    PLANTED,
    agreed,
    camera_file,
    hostile_archive,
    opened,
    order,
    photo,
    take,
)
from pydicom import Dataset, dcmread
from pydicom.fileset import FileSet

from archiver.archive.ingest.foreign_files import add_files
from archiver.archive.query import Query
from archiver.archive.statements.handover_register import of_case
from archiver.archive.store.archive import Archive
from archiver.errors import ArchiverError, InputError, IntegrityError, UsageError
from archiver.handover.medium import Medium, MediumOrder, make_medium
from archiver.handover.sink import open_sink
from archiver.objects import part10
from archiver.objects.purposes import Purpose


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Two mirror pictures of one visit, one of them unconfirmed, and a radiograph."""
    folder = tmp_path_factory.mktemp("media")
    archive = opened(folder)
    for number in (1, 2):
        camera_file(folder / f"{number}.JPG", number)
    take(archive, folder, [photo("1.JPG"), photo("2.JPG", tooth=26, confirmed=False)])
    agreed(archive)
    add_files(archive, [radiograph(folder / "bitewing.dcm")])
    return archive


def radiograph(path: Path) -> Path:
    ds = Dataset()
    ds.SOPClassUID, ds.SOPInstanceUID = "1.2.840.10008.5.1.4.1.1.1.3", "2.25.41"
    ds.StudyInstanceUID, ds.SeriesInstanceUID = "2.25.42", "2.25.43"
    ds.PatientID, ds.IssuerOfPatientID, ds.Modality = PATIENT, "RIVERBEND", "IO"
    ds.PatientName, ds.SpecificCharacterSet = "Okafor^Nadia^Żółcińska", "ISO_IR 192"
    ds.PatientBirthDate, ds.PatientSex, ds.StudyDate = "19880217", "F", "20250611"
    ds.Rows = ds.Columns = 4
    ds.BitsAllocated = ds.BitsStored = 8
    ds.HighBit, ds.SamplesPerPixel, ds.PixelRepresentation = 7, 1, 0
    ds.PhotometricInterpretation, ds.PixelData = "MONOCHROME2", bytes(16)
    ds["PixelData"].VR = "OB"
    path.write_bytes(part10.whole(ds))
    return path


def wanted(folder: Path, target: str, *, originals: bool = False, **words: object) -> MediumOrder:
    told = {"purpose": Purpose.PATIENT_COPY, "to": "the patient", "case": "CD-31", **words}
    package = order(folder, target=folder / target, insisted_by="Haugen^Liv", **told)
    return MediumOrder(package, with_identity=True, originals=originals)


def checked(folder: Path) -> None:
    """Check a medium's digests, each file but their list among them."""
    subprocess.run(["sha256sum", "--check", "--quiet", "SHA256.TXT"], cwd=folder, check=True)
    listed = {line.split("  ")[1] for line in (folder / "SHA256.TXT").read_text().splitlines()}
    there = {str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()}
    assert there == {*listed, "SHA256.TXT"}


def records_of(listing: Path) -> list[tuple[str, ...]]:
    """Return what the records of a DICOMDIR say, without where they stand in it."""
    keys = (
        *("DirectoryRecordType", "ReferencedSOPInstanceUIDInFile", "PatientName", "PatientID"),
        *("StudyInstanceUID", "StudyDate", "SeriesInstanceUID", "SeriesNumber", "InstanceNumber"),
        *("ReferencedTransferSyntaxUIDInFile", "ReferencedFileID", "Modality"),
    )
    return sorted(
        tuple(str(one.get(key, "")) for key in keys)
        for one in dcmread(listing).DirectoryRecordSequence
    )


@pytest.fixture(scope="module")
def medium(archive: Archive, tmp_path_factory: pytest.TempPathFactory) -> Medium:
    """Everything of the patient, as a folder."""
    folder = tmp_path_factory.mktemp("made")
    return make_medium(archive, wanted(folder, "stick", originals=True), NOW)


def test_a_medium_holds_the_archives_objects_under_names_of_the_standard(
    archive: Archive, medium: Medium
) -> None:
    records = {r.sop_instance_uid: r for r in archive.query(Query(patient_id=PATIENT)) if r.rows}
    assert medium.objects == len(records) == 5
    there = FileSet(medium.target / "DICOMDIR")
    assert {str(one.SOPInstanceUID) for one in there} == set(records)
    for one in there:
        # PS3.10 8.2 and 8.5, and ISO 9660 at level 1, which PS3.12 asks for on discs.
        components = Path(one.path).relative_to(medium.target).parts
        assert len(components) <= 8
        assert all(len(c) <= 8 and c.isalnum() and c.upper() == c for c in components)
        kept = records[str(one.SOPInstanceUID)]
        assert Path(one.path).read_bytes() == Path(kept.path).read_bytes()
    checked(medium.target)


def test_its_directory_says_what_an_outside_maker_of_directories_says(
    medium: Medium, tmp_path: Path
) -> None:
    shutil.copytree(medium.target, tmp_path / "copy")
    (tmp_path / "copy" / "DICOMDIR").unlink()
    # Checks file IDs, transfer syntaxes and keys by the profile STD-GEN-USB-JPEG (PS3.11 annex J);
    # +I fills in, as ours does, what is of type 2 in objects and of type 1 in records.
    objects = sorted(str(p.relative_to(tmp_path / "copy")) for p in tmp_path.rglob("IM*"))
    asked = ["dcmmkdir", "-Pfl", "+I", "-W", "+F", "PHOTOGRAPHS", "+id", ".", *objects]
    made = subprocess.run(asked, cwd=tmp_path / "copy", capture_output=True, text=True)
    assert made.returncode == 0, made.stderr
    ours = records_of(medium.target / "DICOMDIR")
    assert len(ours) == 1 + 2 + 3 + 5
    assert [one[:2] for one in ours] == [one[:2] for one in records_of(tmp_path / "copy/DICOMDIR")]
    assert [one[2:6] for one in ours] == [
        one[2:6] for one in records_of(tmp_path / "copy/DICOMDIR")
    ]
    quiet = subprocess.run(["dcmdump", "-q", medium.target / "DICOMDIR"], capture_output=True)
    assert (quiet.returncode, quiet.stderr) == (0, b"")


def test_an_outside_archive_takes_it_in(medium: Medium, tmp_path: Path) -> None:
    files = sorted(medium.target.rglob("IM*"))
    subprocess.run(["dcmqridx", tmp_path, *files], check=True, capture_output=True)
    listed = subprocess.run(["dcmqridx", "-p", tmp_path], capture_output=True, text=True)
    for uid in (one.SOPInstanceUID for one in FileSet(medium.target / "DICOMDIR")):
        assert str(uid) in listed.stdout


def test_its_page_says_whose_it_is_and_what_is_on_it(medium: Medium) -> None:
    page = (medium.target / "INDEX.HTM").read_text("utf-8")
    assert "Okafor, Nadia Żółcińska (P-0417)" in page
    assert "SIDE NOT CONFIRMED" in page and "2025-06-11" in page
    assert "it is for nobody else" in page and "<script" not in page
    for name in ("IHE_PDI/PIC00001.JPG", "IHE_PDI/PIC00002.JPG"):
        assert name in page and (medium.target / name).exists()


def test_an_image_of_a_disc_is_read_by_an_outside_reader(archive: Archive, tmp_path: Path) -> None:
    made = make_medium(archive, wanted(tmp_path, "cd.iso"), NOW)
    unpacked = tmp_path / "unpacked"
    for name, (_, size) in made.files.items():
        on_disc = f"/{name}" if "." in name else f"/{name}."
        read = subprocess.run(
            ["isoinfo", "-i", made.target, "-x", f"{on_disc};1"], capture_output=True, check=True
        )
        assert len(read.stdout) == size, name
        (unpacked / name).parent.mkdir(parents=True, exist_ok=True)
        (unpacked / name).write_bytes(read.stdout)
    checked(unpacked)
    assert len(FileSet(unpacked / "DICOMDIR")) == 3
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def test_the_archive_keeps_what_went_to_whom(archive: Archive, tmp_path: Path) -> None:
    made = make_medium(archive, wanted(tmp_path, "a.zip", case="CD-32"), NOW)
    (kept,) = of_case(archive.layout.root, "CD-32")
    assert len(kept.uids) == made.objects == 3
    assert kept.sha256 == made.files["SHA256.TXT"][0]
    assert (kept.to, kept.insisted_by) == ("the patient", "Haugen^Liv")


def test_a_medium_without_identity_names_nobody(tmp_path: Path) -> None:
    hostile = hostile_archive(tmp_path)
    asked = replace(wanted(tmp_path, "stick", case="1187"), with_identity=False)
    for purpose in (Purpose.LABORATORY, Purpose.TEACHING):
        package = replace(asked.package, purpose=purpose, target=tmp_path / purpose.value)
        made = make_medium(hostile, replace(asked, package=package), NOW)
        assert made.objects == 3
        assert found(made.target, PLANTED) == []
        assert len(FileSet(made.target / "DICOMDIR")) == 3
        checked(made.target)


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ({"purpose": Purpose.TEACHING}, "handover.medium.identity"),
        ({"insisted_by": ""}, "handover.order.doubtful"),
        ({"query": Query(patient_id="P-9")}, "archive.consents.no_patient"),
    ],
)
def test_what_speaks_against_it_leaves_nothing(
    archive: Archive, tmp_path: Path, words: dict[str, object], code: str
) -> None:
    with pytest.raises(ArchiverError) as refused:
        asked = wanted(tmp_path, "stick")
        package = replace(asked.package, **words)  # type: ignore[arg-type]
        make_medium(archive, replace(asked, package=package), NOW)
    assert code in [one.code for one in refused.value.problems]
    assert list(tmp_path.iterdir()) == []


def test_publications_hold_no_objects(archive: Archive, tmp_path: Path) -> None:
    asked = wanted(tmp_path, "stick")
    package = replace(asked.package, purpose=Purpose.PUBLICATION)
    with pytest.raises(InputError) as refused:
        make_medium(archive, MediumOrder(package), NOW)
    assert [one.code for one in refused.value.problems] == ["handover.medium.no_objects"]
    with pytest.raises(InputError, match="without the patient's identity"):
        MediumOrder(asked.package, originals=True)


def test_an_object_that_is_no_longer_the_archived_one_does_not_go_out(tmp_path: Path) -> None:
    archive = opened(tmp_path)
    camera_file(tmp_path / "1.JPG", 1)
    take(archive, tmp_path, [photo("1.JPG")])
    agreed(archive)
    (kept,) = archive.query(Query(role="derived"))
    data = bytearray(Path(kept.path).read_bytes())
    data[-100] ^= 1
    Path(kept.path).chmod(0o600)
    Path(kept.path).write_bytes(data)
    with pytest.raises(IntegrityError):
        make_medium(archive, wanted(tmp_path, "stick"), NOW)
    assert not (tmp_path / "stick").exists()


def test_without_the_extra_an_image_is_refused_before_anything_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("pycdlib", "pycdlib.pycdlib"):
        monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(UsageError) as refused:
        open_sink(tmp_path / "cd.iso", image=True)
    assert "pip install archiver[media]" in str(refused.value)
    assert list(tmp_path.iterdir()) == []
