"""An object that comes again is the same object, however it is encoded or wrapped."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from dicomweb_client import DICOMwebClient
from pydicom import Dataset, dcmread

from archiver.archive.ingest.foreign_files import add_files
from archiver.archive.store import Archive
from archiver.network.node.node import Node
from tests.network.node_samples import file_bytes, instance_uid, radiograph, save
from tests.network.node_serving import TITLE, logged, run, serving, store
from tests.new_archive import new_archive


@pytest.fixture(scope="module")
def node(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Node]:
    with serving(tmp_path_factory.mktemp("archive")) as one:
        yield one


def _rich(number: int) -> Dataset:
    """A radiograph with what encodings treat differently: sequences, private and empty values."""
    ds = radiograph(number)
    code = Dataset()
    code.CodeValue, code.CodingSchemeDesignator, code.CodeMeaning = "A-1", "99X", "Brânză"
    ds.AnatomicRegionSequence = [code]
    ds.WindowCenter, ds.WindowWidth = ["1.50", "40"], ["300.0", "80"]
    ds.SmallestImagePixelValue = 3
    ds.ImageComments = ""
    block = ds.private_block(0x0011, "EDGES OF TESTS", create=True)
    block.add_new(1, "LO", "private text")
    block.add_new(2, "US", 515)
    inner = Dataset()
    inner.CodeMeaning = "within"
    block.add_new(3, "SQ", [inner])
    return ds


@pytest.mark.parametrize("syntax", ["-xi", "-xb", "-xd", "-xe"])
def test_storescu_may_send_again_in_any_encoding_of_the_same_values(
    node: Node, tmp_path: Path, syntax: str
) -> None:
    file = save(_rich(100 + ["-xi", "-xb", "-xd", "-xe"].index(syntax)), tmp_path)
    store(node.dimse.port, file, words=("-xe",))
    told = store(node.dimse.port, file, words=(syntax,))
    assert "Received Store Response (Success)" in told, told


def test_storescu_is_told_which_attributes_differ_and_the_log_names_no_value(
    node: Node, tmp_path: Path
) -> None:
    first, second = _rich(120), _rich(120)
    second.PatientName, second.WindowWidth = "Somebody^Else", ["301", "80"]
    second.AnatomicRegionSequence[0].CodeMeaning = "Other"
    store(node.dimse.port, save(first, tmp_path / "a"), words=("-xe",))
    again = save(second, tmp_path / "b")
    told = run("storescu", "-d", "-xi", "-aec", TITLE, "127.0.0.1", node.dimse.port, again).stdout
    assert "0x0111" in told
    # Error Comment holds 64 characters (PS3.7 C.4); the log has all.
    assert "kept already with other AnatomicRegionSequence.CodeMeaning" in told
    line = [one for one in logged(node) if one["event"] == "refused"][-1]
    assert line["differing"] == ["AnatomicRegionSequence.CodeMeaning", "PatientName", "WindowWidth"]
    assert "Somebody" not in str(logged(node)) and "301" not in str(line)


def test_stow_of_what_came_by_dimse_succeeds_and_of_other_values_says_which(
    node: Node, tmp_path: Path
) -> None:
    assert node.web is not None
    url = f"http://127.0.0.1:{node.web.port}/dicomweb"
    client = DICOMwebClient(url)
    store(node.dimse.port, save(_rich(130), tmp_path), words=("-xi",))
    again = dcmread(tmp_path / f"{instance_uid(130)}.dcm")
    again.file_meta.ImplementationVersionName = "ANOTHER"
    answer = client.store_instances([again])
    assert len(answer.ReferencedSOPSequence) == 1 and "FailedSOPSequence" not in answer
    again.PixelData = again.PixelData[:-2] + b"\1\1"
    body = b"--b\r\nContent-Type: application/dicom\r\n\r\n" + file_bytes(again) + b"\r\n--b--"
    kind = 'multipart/related; type="application/dicom"; boundary=b'
    told = httpx.post(f"{url}/studies", content=body, headers={"Content-Type": kind})
    assert told.status_code == 409
    assert told.json()["00081198"]["Value"][0]["00081197"]["Value"] == [0x0111]
    assert told.headers["warning"] == '299 archiver "kept already with other PixelData"'


def test_metadata_that_we_gave_and_their_pixels_make_the_same_object_again(
    node: Node, tmp_path: Path
) -> None:
    assert node.web is not None
    url = f"http://127.0.0.1:{node.web.port}/dicomweb"
    ds = _rich(140)
    ds.SpecificCharacterSet = "ISO_IR 100"
    ds.PatientName = "Müller^Jörg"
    ds.AnatomicRegionSequence[0].CodeMeaning, ds.ReferringPhysicianName = "Jörg", "Müller"
    store(node.dimse.port, save(ds, tmp_path), words=("-xe",))
    where = f"{url}/studies/{ds.StudyInstanceUID}/series/{ds.SeriesInstanceUID}"
    where += f"/instances/{ds.SOPInstanceUID}"
    metadata = httpx.get(f"{where}/metadata").content
    pixels = json.loads(metadata)[0]["7FE00010"]["BulkDataURI"]
    body = b"--b\r\nContent-Type: application/dicom+json\r\n\r\n" + metadata
    body += b"\r\n--b\r\nContent-Type: application/octet-stream\r\nContent-Location: "
    body += pixels.encode() + b"\r\n\r\n" + ds.PixelData + b"\r\n--b--"
    kind = 'multipart/related; type="application/dicom+json"; boundary=b'
    told = httpx.post(f"{url}/studies", content=body, headers={"Content-Type": kind})
    assert told.status_code == 200, (told.text, told.headers)


@pytest.mark.parametrize(
    ("program", "words"),
    [
        ("dcmconv", ["+ti"]),
        ("dcmconv", ["+tb"]),
        ("dcmconv", ["+td"]),
        ("dcmconv", ["+te", "-e", "+g"]),
        ("dcmcjpeg", ["+e1", "+ud"]),
        ("dcmcrle", []),
        ("another program", []),
    ],
)
def test_add_finds_the_same_object_in_what_outside_converters_made_of_it(
    tmp_path: Path, program: str, words: list[str], archive_of: Archive
) -> None:
    file = save(_rich(7), tmp_path / "in")
    again = tmp_path / "again.dcm"
    if program == "another program":
        ds = dcmread(file)
        ds.file_meta.ImplementationVersionName = "ANOTHER"
        ds.save_as(again)
    else:
        made = run(program, *words, file, again)
        assert made.returncode == 0, made.stdout
    if program == "dcmcjpeg":
        # dcmcjpeg tells of its own work in the object; the pixels alone are to be compared.
        ds, first = dcmread(again), dcmread(file)
        kept = {e.tag for e in first}
        for tag in [e.tag for e in ds if e.tag not in kept]:
            del ds[tag]
        ds.ImageType = first.ImageType
        ds.save_as(again)
    assert add_files(archive_of, [file]).by_name()["added"] == 1
    report = add_files(archive_of, [again])
    assert report.by_name()["duplicate"] == 1, report.problems


@pytest.fixture
def archive_of(tmp_path: Path) -> Iterator[Archive]:
    new_archive(tmp_path / "own")
    with Archive.open(tmp_path / "own", actor="tests") as archive:
        yield archive
