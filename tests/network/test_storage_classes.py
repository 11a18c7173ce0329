"""One table of storage classes for every way in and out, which the settings extend (PS3.4 B.5)."""

from __future__ import annotations

from pathlib import Path

import httpx
import pytest
from pydicom import Dataset
from pydicom.uid import JPEG2000, UID
from pynetdicom import AE, AllStoragePresentationContexts, build_context, build_role, evt

from archiver.archive.ingest.foreign_files import add_files
from archiver.archive.store import Archive
from archiver.errors import UsageError
from archiver.network.node.node import Node
from archiver.network.node.settings import checked, settings_of
from archiver.standard import storage_classes
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, logged, run, serving, store
from tests.new_archive import new_archive

PRIVATE = "1.2.826.0.1.3680043.8.498.77.9"
#: None of those that a dental practice makes.
ULTRASOUND, SEGMENTATION = "1.2.840.10008.5.1.4.1.1.6.1", "1.2.840.10008.5.1.4.1.1.66.4"


def _object(number: int, sop_class: str) -> Dataset:
    ds = samples.radiograph(number)
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = sop_class
    return ds


def _stow(node: Node, ds: Dataset) -> httpx.Response:
    assert node.web is not None
    url = f"http://127.0.0.1:{node.web.port}/dicomweb/studies"
    part = b"--b\r\nContent-Type: application/dicom\r\n\r\n" + samples.file_bytes(ds)
    kind = 'multipart/related; type="application/dicom"; boundary=b'
    return httpx.post(url, content=part + b"\r\n--b--", headers={"Content-Type": kind})


def _find_and_get(node: Node, ds: Dataset) -> bool:
    """Whether a C-GET that offers its class is given an object."""
    keys = ["QueryRetrieveLevel=IMAGE"]
    for keyword in ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID"):
        keys.append(f"{keyword}={ds[keyword].value}")
    came: list[str] = []

    def take(event: evt.Event) -> int:
        came.append(str(event.request.AffectedSOPInstanceUID))
        return 0

    question = Dataset()
    for key in keys:
        keyword, _, value = key.partition("=")
        setattr(question, keyword, value)
    model = "1.2.840.10008.5.1.4.1.2.2.3"
    entity = AE()
    entity.requested_contexts = [build_context(model), build_context(str(ds.SOPClassUID))]
    link = entity.associate(
        "127.0.0.1",
        node.dimse.port,
        ae_title=TITLE,
        ext_neg=[build_role(str(ds.SOPClassUID), scp_role=True)],
        evt_handlers=[(evt.EVT_C_STORE, take)],
    )
    assert link.is_established
    for _ in link.send_c_get(question, model):
        pass
    link.release()
    return came == [ds.SOPInstanceUID]


def test_the_table_has_every_storage_class_of_a_study_that_another_library_knows() -> None:
    known = {str(one.abstract_syntax) for one in AllStoragePresentationContexts}
    composite = {uid for uid in known if uid.startswith("1.2.840.10008.5.1.4.1.1.")}
    assert len(composite) > 100 and composite <= set(storage_classes())


def test_what_comes_by_dimse_stow_or_add_is_found_and_can_be_fetched(tmp_path: Path) -> None:
    with serving(tmp_path / "archive") as node:
        first, second, third = (
            _object(1, ULTRASOUND),
            _object(2, SEGMENTATION),
            _object(3, ULTRASOUND),
        )
        store(node.dimse.port, samples.save(first, tmp_path), words=("-R", "-xe"))
        assert _stow(node, second).status_code == 200
        assert add_files(node.archive, [samples.save(third, tmp_path)]).by_name()["added"] == 1
        for ds in (first, second, third):
            assert _find_and_get(node, ds)


def test_a_class_of_nobody_is_refused_by_every_way_until_the_settings_add_it(
    tmp_path: Path,
) -> None:
    ds = _object(4, PRIVATE)
    path = samples.save(ds, tmp_path)
    words = ("storescu", "-v", "-R", "-xe", "-aec", TITLE, "127.0.0.1")
    with serving(tmp_path / "archive") as node:
        answer = _stow(node, ds)
        assert answer.status_code == 409
        assert answer.json()["00081198"]["Value"][0]["00081197"]["Value"] == [0x0122]
        (problem,) = add_files(node.archive, [path]).problems
        assert PRIVATE in str(problem)
        assert run(*words, node.dimse.port, path).returncode != 0
    with serving(tmp_path / "archive", storage_classes=(PRIVATE,)) as node:
        assert _stow(node, ds).status_code == 200
        report = add_files(node.archive, [path], more_classes=(PRIVATE,))
        assert report.by_name()["duplicate"] == 1
        assert _find_and_get(node, ds)


def test_what_was_kept_under_an_earlier_table_can_still_be_fetched(tmp_path: Path) -> None:
    ds = _object(5, PRIVATE)
    with Archive.open(new_archive(tmp_path / "archive"), actor="tests") as archive:
        add_files(archive, [samples.save(ds, tmp_path)], more_classes=(PRIVATE,))
    with serving(tmp_path / "archive") as node:
        assert _find_and_get(node, ds)


def test_a_refused_context_is_logged_with_class_title_and_reason(tmp_path: Path) -> None:
    with serving(tmp_path / "archive") as node:
        entity = AE("XRAY")
        syntax = "1.2.840.10008.1.2.4.100"
        entity.requested_contexts = [
            build_context("1.2.840.10008.1.1"),
            build_context(PRIVATE),
            build_context(ULTRASOUND, syntax),
            build_context(SEGMENTATION, JPEG2000),
        ]
        link = entity.associate("127.0.0.1", node.dimse.port, ae_title=TITLE)
        assert link.is_established
        link.release()
        lines = [one for one in logged(node) if one["event"] == "context refused"]
    private, ultrasound = lines
    assert private["sop_class"] == PRIVATE and "storage_classes" in private["reason"]
    assert private["peer"].startswith("XRAY@127.0.0.1")
    assert ultrasound["name"] == UID(ULTRASOUND).name and ultrasound["offered"] == [syntax]
    assert ultrasound["reason"] == "none of its transfer syntaxes is taken"


def test_a_class_in_the_settings_is_a_uid(tmp_path: Path) -> None:
    settings = settings_of({"storage_classes": ["CT Image"], "credentials": "none"}, tmp_path)
    with pytest.raises(UsageError, match='storage_classes has "CT Image"'):
        checked(settings)
