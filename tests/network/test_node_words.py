"""What the node tells other programs comes from the catalogue: no English in another language."""

from __future__ import annotations

from collections.abc import Iterator

import httpx
import pytest
from pydicom import DataElement, Dataset
from pydicom.config import IGNORE
from pydicom.datadict import dictionary_VR
from pydicom.uid import JPEGBaseline8Bit
from pynetdicom import AE
from pynetdicom.association import Association
from pynetdicom.sop_class import (  # type: ignore[attr-defined]
    StudyRootQueryRetrieveInformationModelFind,
    StudyRootQueryRetrieveInformationModelMove,
)

from archiver.network.node.dicomweb.resources import ROOT
from archiver.network.node.node import Node
from archiver.network.node.settings import NodeLimits
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, serving
from tests.pseudo_language import plain_words, pseudo_language

FIND = StudyRootQueryRetrieveInformationModelFind
MOVE = StudyRootQueryRetrieveInformationModelMove
#: Names of keys, parameters and media types.
SAID = {
    *(
        "StudyInstanceUID",
        "PatientName",
        "PATIENT",
        "study",
        "fuzzymatching",
        "limit",
        "quality",
        "viewport",
    ),
    *("application", "dicom", "json", "xml", "multipart", "related", "type", "octet", "stream"),
    *("image", "jpeg", "png", "gif", "archiver"),
}


@pytest.fixture(scope="module")
def node(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Node]:
    folder = tmp_path_factory.mktemp("words")
    with serving(folder / "archive", limits=NodeLimits(object_megabytes=1)) as one:
        client = f"{where(one)}/studies"
        data = samples.file_bytes(samples.photograph(1))
        body = b"--edge\r\nContent-Type: application/dicom\r\n\r\n" + data + b"\r\n--edge--\r\n"
        assert httpx.post(client, content=body, headers=_kind()).status_code == 200
        yield one


def where(node: Node) -> str:
    assert node.web is not None
    return f"http://127.0.0.1:{node.web.port}{ROOT}"


def _kind(kind: str = "application/dicom") -> dict[str, str]:
    return {"Content-Type": f'multipart/related; type="{kind}"; boundary=edge'}


@pytest.fixture(scope="module")
def association(node: Node) -> Iterator[Association]:
    entity = AE()
    for model in (FIND, MOVE):
        entity.add_requested_context(model)
    entity.add_requested_context(samples.photograph(1).SOPClassUID, JPEGBaseline8Bit)
    made = entity.associate("127.0.0.1", node.dimse.port, ae_title=TITLE)
    assert made.is_established
    yield made
    made.release()


def _keys(**values: str) -> Dataset:
    keys = Dataset()
    for name, value in values.items():
        vr = dictionary_VR(name)
        keys.add(DataElement(name, vr, value, validation_mode=IGNORE))
    return keys


def _comments(association: Association) -> Iterator[str]:
    """Yield the Error Comment of each refusal."""
    for keys in (
        _keys(QueryRetrieveLevel="NONSENSE"),
        _keys(QueryRetrieveLevel="PATIENT", PatientID="1"),
        _keys(QueryRetrieveLevel="SERIES", SeriesInstanceUID=""),
        _keys(QueryRetrieveLevel="STUDY", StudyDate="2026-01-01-03"),
        _keys(QueryRetrieveLevel="STUDY", StudyTime="9"),
    ):
        for status, _ in association.send_c_find(keys, FIND):
            yield status.ErrorComment
        for status, _ in association.send_c_move(keys, "NOBODY", MOVE):
            yield status.ErrorComment
    changed = samples.photograph(1, PatientName="Other^Name")
    yield association.send_c_store(changed).ErrorComment
    large = samples.photograph(2, frame=bytes(1 << 20))
    yield association.send_c_store(large).ErrorComment


def test_error_comments_have_no_english(association: Association) -> None:
    plain = list(_comments(association))
    with pseudo_language():
        strange = list(_comments(association))
    assert len(plain) == len(strange) == 12 and all(len(one) <= 64 for one in plain + strange)
    assert all(set(plain_words(one)) - SAID for one in plain)
    assert not [one for one in strange if set(plain_words(one)) - SAID]


def _answers(node: Node) -> Iterator[httpx.Response]:
    with httpx.Client(base_url=where(node)) as client:
        here = f"/studies/{samples.study_uid(1)}"
        instance = f"{here}/series/{samples.series_uid(1)}/instances/{samples.instance_uid(1)}"
        for path in (
            *(
                "/studies/x/series",
                "/studies/1.2.3",
                f"{instance}/frames/0",
                f"{instance}/frames/9",
            ),
            *(f"{instance}/bulkdata/x", f"{instance}/bulkdata/00100010"),
            *("/studies?limit=x", "/studies?Nonsense=1", "/studies?fuzzymatching=x"),
            *("/studies?StudyDate=9", "/studies?PatientID.PatientName=1"),
            *(f"{instance}/rendered?quality=0", f"{instance}/rendered?viewport=1"),
            *(f"{instance}/rendered?window=1,2,x", f"{instance}/rendered?quality=x"),
        ):
            yield client.get(path, headers={"Accept": "*/*"})
        for path in (here, f"{here}/metadata", f"{instance}/rendered", f"{instance}/frames/1"):
            yield client.get(path, headers={"Accept": "text/plain"})
        for body, headers in (
            (b"", {"Content-Type": "image/png"}),
            (b"", {"Content-Type": "text/plain"}),
            (b"", _kind("text/plain")),
            (b"--edge--\r\n", _kind()),
            (b"--edge\r\n", _kind()),
            (b"--edge\r\nnothing\r\n\r\n\r\n--edge--\r\n", _kind()),
            (_metadata(b"no JSON"), _kind("application/dicom+json")),
            (_metadata(b"<a/>", "xml"), _kind("application/dicom+xml")),
        ):
            yield client.post("/studies", content=body, headers=headers)
        yield client.get("/studies?fuzzymatching=true&PixelSpacing=1")


def _metadata(data: bytes, kind: str = "json") -> bytes:
    head = f"--edge\r\nContent-Type: application/dicom+{kind}\r\n\r\n"
    return head.encode() + data + b"\r\n--edge--\r\n"


def _told(answer: httpx.Response) -> set[str]:
    warnings = answer.headers.get("warning", "")
    told = answer.text if answer.headers.get("content-type", "").startswith("text/plain") else ""
    return set(plain_words(told + " " + warnings)) - SAID


def test_answers_over_http_have_no_english(node: Node) -> None:
    plain = [(answer.request.url, answer.status_code, _told(answer)) for answer in _answers(node)]
    assert not [one for one in plain if not one[2]]
    with pseudo_language():
        strange = [(one.request.url, one.status_code, _told(one)) for one in _answers(node)]
    assert not [one for one in strange if one[2]]
    assert [one[:2] for one in plain] == [one[:2] for one in strange]
