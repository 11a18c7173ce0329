"""DICOMweb of the node, asked by dicomweb-client, curl and bodies that nobody should send."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from dicomweb_client import DICOMwebClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from pydicom import dcmread
from pydicom.encaps import generate_frames

from archiver.network.multipart import (
    BadMultipartError,
    MultipartReader,
    PartBegins,
    PartEnds,
)
from archiver.network.node.node import Node
from archiver.network.node.settings import NodeLimits
from tests.network import node_samples as samples
from tests.network.node_serving import run, serving

JSON = "application/dicom+json"
#: One client for many requests; making one takes longer than a request.
PLAIN = httpx.Client(verify=False)


def base(node: Node) -> str:
    assert node.web is not None
    return f"http://127.0.0.1:{node.web.port}"


def body_of(*parts: tuple[str, bytes], kind: str = "application/dicom") -> tuple[bytes, str]:
    body = b"".join(f"--edge\r\n{head}\r\n\r\n".encode() + data + b"\r\n" for head, data in parts)
    return body + b"--edge--\r\n", f'multipart/related; type="{kind}"; boundary=edge'


def stow(node: Node, *files: bytes, study: str = "") -> httpx.Response:
    body, kind = body_of(*[("Content-Type: application/dicom", data) for data in files])
    where = f"{base(node)}/dicomweb/studies" + (f"/{study}" if study else "")
    return httpx.post(where, content=body, headers={"Content-Type": kind})


@pytest.fixture(scope="module")
def node(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Node]:
    with serving(tmp_path_factory.mktemp("web") / "archive") as one:
        objects = [
            samples.photograph(1),
            samples.photograph(2),
            samples.radiograph(3, series=2),
            samples.photograph(4, study=2, series=3, PatientID="P-0502", StudyDate="20250110"),
        ]
        assert stow(one, *[samples.file_bytes(ds) for ds in objects]).status_code == 200
        yield one


@pytest.fixture
def client(node: Node) -> DICOMwebClient:
    return DICOMwebClient(f"{base(node)}/dicomweb")


def instance(number: int, study: int = 1, series: int = 1) -> str:
    where = f"/dicomweb/studies/{samples.study_uid(study)}/series/{samples.series_uid(series)}"
    return f"{where}/instances/{samples.instance_uid(number)}"


class TestWithDicomwebClient:
    def test_what_was_stored_comes_back_byte_for_byte(self, tmp_path: Path) -> None:
        with serving(tmp_path / "archive") as one:
            client = DICOMwebClient(f"{base(one)}/dicomweb")
            sent = dcmread(io.BytesIO(samples.file_bytes(samples.photograph(1))))
            answer = client.store_instances([sent])
            assert len(answer.ReferencedSOPSequence) == 1
            path = one.archive.path_of(samples.instance_uid(1))
            assert path is not None
            response = httpx.get(base(one) + instance(1), headers={"Accept": "application/dicom"})
            assert response.content == path.read_bytes()

    def test_studies_series_and_instances_are_found(self, client: DICOMwebClient) -> None:
        [found] = client.search_for_studies(search_filters={"PatientID": "P-0417"})
        assert found["0020000D"]["Value"] == [samples.study_uid(1)]
        assert found["00201208"]["Value"] == [3]
        series = client.search_for_series(samples.study_uid(1))
        assert {s["00080060"]["Value"][0] for s in series} == {"XC", "IO"}
        everything = client.search_for_instances(search_filters={"Modality": "XC"})
        assert len(everything) == 3
        assert client.search_for_studies(search_filters={"PatientID": "nobody"}) == []

    def test_an_instance_is_retrieved_as_it_was_stored(self, client: DICOMwebClient) -> None:
        uids = (samples.study_uid(1), samples.series_uid(1), samples.instance_uid(1))
        found = client.retrieve_instance(*uids, media_types=(("application/dicom", "*"),))
        assert found.PixelData == samples.photograph(1).PixelData

    def test_metadata_names_bulk_data_and_bulk_data_are_there(
        self, client: DICOMwebClient, node: Node
    ) -> None:
        uids = (samples.study_uid(1), samples.series_uid(2), samples.instance_uid(3))
        found = client.retrieve_instance_metadata(*uids)
        assert found["00280010"]["Value"] == [48]
        assert found["00100010"]["Value"] == [{"Alphabetic": "Okafor^Nadia"}]
        [data] = client.retrieve_bulkdata(found["7FE00010"]["BulkDataURI"])
        assert data == samples.radiograph(3).PixelData

    def test_frames_come_as_the_jpeg_that_was_stored(self, client: DICOMwebClient) -> None:
        uids = (samples.study_uid(1), samples.series_uid(1), samples.instance_uid(1))
        wanted = (("image/jpeg", "1.2.840.10008.1.2.4.50"),)
        [frame] = client.retrieve_instance_frames(*uids, [1], media_types=wanted)
        assert frame.rstrip(b"\0") == samples.jpeg(seed=1)

    def test_a_rendered_picture_shows_what_is_stored(self, client: DICOMwebClient) -> None:
        uids = (samples.study_uid(1), samples.series_uid(1), samples.instance_uid(1))
        png = client.retrieve_instance_rendered(*uids, media_types=("image/png",))
        shown = np.asarray(Image.open(io.BytesIO(png)).convert("RGB"), np.int16)
        stored = Image.open(io.BytesIO(samples.jpeg(seed=1))).convert("RGB")
        # Another decoder of the same stream: IDCTs may differ by a level or two.
        assert np.abs(shown - np.asarray(stored, np.int16)).max() <= 3


#: (path, Accept, status, beginning of the Content-Type), PS3.18 10.4.3, 10.6.3 and 8.7.3.
TABLE = [
    ("/health", "*/*", 200, "application/json"),
    ("/metrics", "*/*", 200, "text/plain"),
    ("/dicomweb/studies", JSON, 200, JSON),
    ("/dicomweb/studies?PatientID=nobody", JSON, 204, ""),
    ("/dicomweb/studies?NoSuchKeyword=1", JSON, 400, ""),
    ("/dicomweb/studies?limit=-1", JSON, 400, ""),
    ("/dicomweb/studies?StudyDate=yesterday", JSON, 400, ""),
    ("/dicomweb/studies", "application/dicom+xml", 406, ""),
    ("/dicomweb/series?Modality=IO", JSON, 200, JSON),
    ("/dicomweb/instances?limit=2", JSON, 200, JSON),
    ("/dicomweb/nothing", "*/*", 404, ""),
    ("/dicomweb/studies/1.2.3", "*/*", 404, ""),
    ("/dicomweb/studies/not-a-uid", "*/*", 400, ""),
    (instance(1), "*/*", 200, "multipart/related"),
    (instance(1), "application/dicom", 200, "application/dicom"),
    (instance(1), 'multipart/related; type="application/dicom"', 200, "multipart/related"),
    (instance(1), "text/html", 406, ""),
    (instance(1) + "/metadata", JSON, 200, JSON),
    (instance(1) + "/metadata", "text/html", 406, ""),
    (instance(1) + "/frames/1", "*/*", 200, "multipart/related"),
    (instance(1) + "/frames/0", "*/*", 400, ""),
    (instance(1) + "/frames/2", "*/*", 404, ""),
    (instance(1) + "/frames/1", 'multipart/related; type="image/jpeg"', 200, "multipart/related"),
    (instance(1) + "/rendered", "*/*", 200, "image/jpeg"),
    (instance(1) + "/rendered", "image/gif", 200, "image/gif"),
    (instance(1) + "/rendered", "image/x-unknown", 406, ""),
    (instance(1) + "/rendered?quality=0", "*/*", 400, ""),
    (instance(1) + "/rendered?viewport=10", "*/*", 400, ""),
    (instance(1) + "/thumbnail?viewport=16,16", "*/*", 200, "image/jpeg"),
    (instance(3, series=2) + "/rendered?window=2000,1000,linear", "*/*", 200, "image/jpeg"),
    (instance(3, series=2) + "/rendered?window=nan,1,linear", "*/*", 400, ""),
    (instance(1) + "/bulkdata/7FE00010", "*/*", 200, "multipart/related"),
    (instance(1) + "/bulkdata/00100010", "*/*", 404, ""),
    (f"/dicomweb/studies/{samples.study_uid(1)}/thumbnail", "*/*", 200, "image/jpeg"),
    (f"/dicomweb/studies/{samples.study_uid(1)}/rendered", "*/*", 200, "multipart/related"),
]


@pytest.mark.parametrize(("path", "accept", "status", "kind"), TABLE)
def test_curl_gets_the_status_and_media_type_of_the_standard(
    node: Node, tmp_path: Path, path: str, accept: str, status: int, kind: str
) -> None:
    words = ["curl", "-s", "-o", tmp_path / "body", "-w", "%{http_code} %{content_type}"]
    code, _, found = run(*words, "-H", f"Accept: {accept}", base(node) + path).stdout.partition(" ")
    assert int(code) == status, (tmp_path / "body").read_bytes()[:300]
    assert found.startswith(kind)


@pytest.mark.parametrize(
    "accept",
    [
        'multipart/related; type="image/jpeg"',
        "image/jpeg",
        'multipart/related; type="image/jpeg"; transfer-syntax=1.2.840.10008.1.2.4.50',
        'multipart/related; type="image/jpeg"; transfer-syntax=*',
    ],
)
def test_jpeg_without_a_transfer_syntax_gives_the_baseline_that_is_held(
    node: Node, accept: str
) -> None:
    """PS3.18 8.7.3.5: its default is lossless, which nothing that came in with loss can become."""
    answer = httpx.get(base(node) + instance(1) + "/frames/1", headers={"Accept": accept})
    assert answer.status_code == 200
    assert samples.jpeg(seed=1) in answer.content
    assert b"Content-Type: image/jpeg; transfer-syntax=1.2.840.10008.1.2.4.50" in answer.content
    other = 'multipart/related; type="image/jpeg"; transfer-syntax=1.2.840.10008.1.2.4.70'
    refused = httpx.get(base(node) + instance(1) + "/frames/1", headers={"Accept": other})
    assert refused.status_code == 406


def test_all_required_attributes_of_a_study_are_returned(node: Node) -> None:
    """PS3.18 table 10.6.3-3."""
    where = f"{base(node)}/dicomweb/studies?StudyInstanceUID={samples.study_uid(1)}"
    [found] = httpx.get(where).json()
    tags = "00080020 00080030 00080050 00080061 00080090 00100010 00100020 00100030 00100040 "
    tags += "0020000D 00200010 00201206 00201208 00081190"
    assert set(tags.split()) <= set(found)


@pytest.mark.parametrize("between", [",", "\\"])
def test_one_of_several_uids_is_asked_for(node: Node, between: str) -> None:
    """PS3.18 8.3.4.1; only UIDs are lists."""
    where = f"{base(node)}/dicomweb/instances"
    wanted = [samples.instance_uid(1), samples.instance_uid(4)]
    found = httpx.get(where, params={"SOPInstanceUID": between.join(wanted)}).json()
    assert sorted(one["00080018"]["Value"][0] for one in found) == wanted
    assert httpx.get(where, params={"PatientID": "P-0502,P-0502"}).status_code == 204


def test_pages_follow_each_other_and_say_that_there_is_more(node: Node) -> None:
    where = f"{base(node)}/dicomweb/instances"
    seen: list[str] = []
    for offset in range(4):
        answer = httpx.get(where, params={"limit": 1, "offset": offset})
        seen += [one["00080018"]["Value"][0] for one in answer.json()]
        assert ("299" in answer.headers.get("warning", "")) is (offset < 3)
    assert sorted(seen) == [samples.instance_uid(n) for n in (1, 2, 3, 4)]


def test_fuzzy_matching_is_answered_without_it_and_a_warning(node: Node) -> None:
    """PS3.18 8.3.4.2."""
    answer = httpx.get(f"{base(node)}/dicomweb/studies?fuzzymatching=true")
    assert answer.status_code == 200
    assert "299" in answer.headers["warning"]


class TestStoring:
    def test_some_good_and_some_bad_is_202(self, tmp_path: Path) -> None:
        with serving(tmp_path / "archive") as one:
            answer = stow(one, samples.file_bytes(samples.photograph(1)), b"no object at all")
            assert answer.status_code == 202
            told = answer.json()
            assert len(told["00081199"]["Value"]) == 1
            assert len(told["0008119A"]["Value"]) == 1
            assert one.archive.has(samples.instance_uid(1))

    def test_objects_of_another_study_than_the_path_names_are_409(self, tmp_path: Path) -> None:
        with serving(tmp_path / "archive") as one:
            data = samples.file_bytes(samples.photograph(1))
            assert stow(one, data, study=samples.study_uid(2)).status_code == 409
            assert len(one.archive) == 0
            assert stow(one, data, study=samples.study_uid(1)).status_code == 200

    def test_metadata_and_a_jpeg_become_an_object_with_that_jpeg(self, tmp_path: Path) -> None:
        """PS3.18 10.5.2: compressed bulk data are stored unchanged."""
        ds = samples.photograph(1)
        told: dict[str, Any] = ds.to_json_dict(suppress_invalid_tags=True)
        for tag in ("00280002", "00280004", "00280006", "00280010", "00280011"):
            del told[tag]
        told["7FE00010"] = {"vr": "OB", "BulkDataURI": "picture-1"}
        jpeg_head = (
            "Content-Type: image/jpeg; transfer-syntax=1.2.840.10008.1.2.4.50\r\n"
            "Content-Location: picture-1"
        )
        body, kind = body_of(
            (f"Content-Type: {JSON}", json.dumps([told]).encode()),
            (jpeg_head, samples.jpeg(seed=1)),
            kind=JSON,
        )
        with serving(tmp_path / "archive") as one:
            answer = httpx.post(
                f"{base(one)}/dicomweb/studies", content=body, headers={"Content-Type": kind}
            )
            assert answer.status_code == 200, answer.text
            path = one.archive.path_of(samples.instance_uid(1))
            assert path is not None
            found = dcmread(path)
        assert (found.Rows, found.Columns, found.PhotometricInterpretation) == (
            48,
            64,
            "YBR_FULL_422",
        )
        # The first item is the offset table, the second the frame (PS3.5 A.4).
        assert list(generate_frames(found.PixelData, number_of_frames=1)) == list(
            generate_frames(ds.PixelData, number_of_frames=1)
        )

    @pytest.mark.parametrize(
        ("kind", "body", "status"),
        [
            ("application/dicom", b"x", 415),
            ('multipart/related; type="text/plain"; boundary=edge', b"--edge--", 415),
            ('multipart/related; type="application/dicom"', b"--edge--", 400),
            ('multipart/related; type="application/dicom"; boundary=edge', b"", 400),
            ('multipart/related; type="application/dicom"; boundary=edge', b"--edge--\r\n", 400),
            ('multipart/related; type="application/dicom"; boundary=edge', b"--edge\r\n\r\nx", 400),
            (
                f'multipart/related; type="{JSON}"; boundary=edge',
                f"--edge\r\nContent-Type: {JSON}\r\n\r\n[{{\r\n--edge--".encode(),
                400,
            ),
        ],
    )
    def test_a_malformed_body_is_refused(
        self, node: Node, kind: str, body: bytes, status: int
    ) -> None:
        where = f"{base(node)}/dicomweb/studies"
        answer = httpx.post(where, content=body, headers={"Content-Type": kind})
        assert answer.status_code == status
        assert not list(node.archive.layout.temporary.iterdir())

    def test_a_body_larger_than_allowed_is_413(self, tmp_path: Path) -> None:
        with serving(tmp_path / "archive", limits=NodeLimits(request_megabytes=1)) as one:
            assert stow(one, bytes(2 << 20)).status_code == 413


class TestAccess:
    @pytest.fixture
    def closed(self, tmp_path: Path) -> Iterator[Node]:
        secrets = tmp_path / "secrets"
        secrets.write_text("# made up\ntoken viewer opensesame1\nuser front desk-password\n")
        with serving(tmp_path / "archive", credentials=secrets) as one:
            yield one

    @pytest.mark.parametrize(
        ("words", "status"),
        [
            ([], "401"),
            (["-H", "Authorization: Bearer opensesame1"], "204"),
            (["-H", "Authorization: Bearer opensesame2"], "401"),
            (["-u", "front:desk-password"], "204"),
            (["-u", "front:"], "401"),
            (["-u", "nobody:"], "401"),
            (["-H", "Authorization: Basic ***"], "401"),
        ],
    )
    def test_only_credentials_open_it(self, closed: Node, words: list[str], status: str) -> None:
        command = ["curl", "-s", "-o", "/dev/null", "-w", "%{http_code}", *words]
        assert run(*command, base(closed) + "/dicomweb/studies").stdout == status

    def test_health_is_open_and_figures_are_not(self, closed: Node) -> None:
        assert httpx.get(base(closed) + "/health").status_code == 200
        assert httpx.get(base(closed) + "/metrics").status_code == 401


@given(st.binary(max_size=400), st.sampled_from(["GET", "POST", "PUT", "DELETE"]))
@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_no_body_makes_the_node_fail(node: Node, junk: bytes, method: str) -> None:
    kind = 'multipart/related; type="application/dicom"; boundary=edge'
    body = b"--edge\r\nContent-Type: application/dicom\r\n\r\n" + junk + b"\r\n--edge--"
    for content in (junk, body):
        answer = PLAIN.request(
            method,
            f"{base(node)}/dicomweb/studies",
            content=content,
            headers={"Content-Type": kind},
        )
        assert answer.status_code < 500
    assert not list(node.archive.layout.temporary.iterdir())


@given(st.text(max_size=30), st.text(max_size=30))
@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_no_parameter_makes_the_node_fail(node: Node, name: str, value: str) -> None:
    for params in ({name: value}, {"PatientName": value}, {"StudyDate": value}, {"limit": value}):
        answer = PLAIN.get(f"{base(node)}/dicomweb/studies", params=params)
        assert answer.status_code in (200, 204, 400)


@given(
    st.lists(st.binary(max_size=60), min_size=1, max_size=4),
    st.lists(st.integers(1, 50), max_size=20),
)
def test_a_multipart_body_is_read_alike_however_it_is_cut(
    contents: list[bytes], cuts: list[int]
) -> None:
    contents = [c.replace(b"\r\n--edge", b"") for c in contents]
    body, _ = body_of(*[("Content-Type: a/b", c) for c in contents])
    reader = MultipartReader("edge")
    found: list[bytes] = []
    place = 0
    for cut in [*cuts, len(body)]:
        for event in reader.feed(body[place : place + cut]):
            if isinstance(event, PartBegins):
                found.append(b"")
            elif not isinstance(event, PartEnds):
                found[-1] += event
        place += cut
    reader.close()
    assert found == contents


def test_a_multipart_body_that_breaks_off_is_told() -> None:
    body, _ = body_of(("Content-Type: a/b", b"content"))
    reader = MultipartReader("edge")
    list(reader.feed(body[:-8]))
    with pytest.raises(BadMultipartError):
        reader.close()
