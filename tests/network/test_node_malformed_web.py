"""Requests that nobody should send: a clean refusal, nothing half stored, and the node goes on."""

from __future__ import annotations

import contextlib
import json
import socket
import ssl
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote, urlencode

import httpx
import pytest
import trustme
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from archiver.network.node.dicomweb.resources import RESOURCES, ROOT
from archiver.network.node.node import Node
from archiver.network.node.settings import NodeLimits
from tests.network import node_samples as samples
from tests.network.node_serving import ROUNDS, failures, logged, serving

JSON = "application/dicom+json"
_PROPERTY = settings(
    max_examples=ROUNDS,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
#: What may stand in a request line or a header (RFC 9110 5.5); the rest is tried with raw bytes.
_VISIBLE = st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E), max_size=40)
_KNOWN = [samples.study_uid(1), samples.series_uid(1), samples.instance_uid(1)]


@pytest.fixture(scope="module")
def node(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Node]:
    limits = NodeLimits(negotiation_seconds=1.0, network_seconds=3.0, request_megabytes=4)
    with serving(tmp_path_factory.mktemp("malformed") / "archive", limits=limits) as one:
        body, kind = multipart(samples.file_bytes(samples.photograph(1)))
        answer = httpx.post(where(one) + "/studies", content=body, headers={"Content-Type": kind})
        assert answer.status_code == 200
        yield one


def where(node: Node) -> str:
    assert node.web is not None
    return f"http://127.0.0.1:{node.web.port}{ROOT}"


def multipart(*parts: bytes, kind: str = "application/dicom") -> tuple[bytes, str]:
    body = b"".join(b"--edge\r\nContent-Type: %b\r\n\r\n%b\r\n" % (kind.encode(), p) for p in parts)
    return body + b"--edge--\r\n", f'multipart/related; type="{kind}"; boundary=edge'


def exchange(node: Node, *pieces: bytes, patience: float = 5) -> bytes:
    """Send bytes over a connection of our own; return all that comes until it is closed."""
    assert node.web is not None
    found = b""
    with socket.create_connection(("127.0.0.1", node.web.port), timeout=patience) as peer:
        with contextlib.suppress(OSError):
            for piece in pieces:
                peer.sendall(piece)
            peer.shutdown(socket.SHUT_WR)
        with contextlib.suppress(ConnectionError):
            while piece := peer.recv(65536):
                found += piece
    return found


def statuses(answer: bytes) -> list[int]:
    """The status codes of an answer; more than one where the bytes made several requests."""
    return [int(line[9:12]) for line in answer.split(b"\r\n") if line.startswith(b"HTTP/1.1 ")]


def is_well(node: Node) -> None:
    """Whatever came, the node answers, keeps what it had and nothing else."""
    assert httpx.get(where(node).replace(ROOT, "/health")).json()["status"] == "ok"
    went_wrong = failures(node)
    assert not went_wrong
    until_empty(node)


def until_empty(node: Node) -> None:
    end = time.monotonic() + 5
    while list(node.archive.layout.temporary.iterdir()):
        assert time.monotonic() < end
        time.sleep(0.02)


_segment = st.one_of(
    st.sampled_from([*_KNOWN, "1.2.3", "..", "%2e%2e", "%00", "0", "1,2", "-1", "7FE00010", ""]),
    st.text(st.characters(exclude_characters="%", exclude_categories=["Cs"]), max_size=20),
)


@st.composite
def paths(draw: st.DrawFn) -> str:
    """A path of a resource, its names replaced by other things, and sometimes anything."""
    template = draw(st.sampled_from([one.path for one in RESOURCES] + ["/health", "/metrics", ""]))
    parts = []
    for part in template.split("/"):
        swapped = part.startswith("{") or draw(st.integers(0, 9)) == 0
        parts.append(draw(_segment) if swapped else part)
    kept = [part if part.isascii() and "%" in part else quote(part, safe="") for part in parts]
    return ROOT + "/".join(kept)


@given(
    paths(),
    st.sampled_from(["GET", "POST", "PUT", "DELETE", "HEAD", "OPTIONS", "PATCH"]),
    st.one_of(st.none(), _VISIBLE),
    st.lists(st.tuples(_VISIBLE.filter(bool), st.text(max_size=30)), max_size=4),
)
@_PROPERTY
def test_no_path_method_or_accept_makes_it_fail(
    node: Node, path: str, method: str, accept: str | None, parameters: list[tuple[str, str]]
) -> None:
    headers = {} if accept is None else {"Accept": accept}
    url = where(node).removesuffix(ROOT) + path + "?" + urlencode(parameters)
    with httpx.Client() as client:
        answer = client.request(method, url, headers=headers)
    assert answer.status_code < 500, (url, answer.text)
    is_well(node)


_ACCEPTS = [
    "*/*;q=nan",
    "application/dicom;q=-1",
    'multipart/related; type="application/dicom',
    "multipart/related; type=",
    "application/dicom+json;;;,,,",
    'application/dicom; transfer-syntax="\\"',
    ",",
    ";",
    "a" * 5000,
    "*/*;" * 500,
    "image/jpeg; q=1e400",
    "x; y*0=\"a\"; y*1*=utf-16''%00",
    "multipart/related; type*=nonsense'en'%ff%fe",
]


@pytest.mark.parametrize("accept", _ACCEPTS)
@pytest.mark.parametrize(
    "ending", ["", "/metadata", "/rendered", "/frames/1", "/bulkdata/7FE00010"]
)
def test_a_strange_accept_is_answered_or_refused(node: Node, accept: str, ending: str) -> None:
    path = f"/studies/{_KNOWN[0]}/series/{_KNOWN[1]}/instances/{_KNOWN[2]}{ending}"
    for headers, parameters in (({"Accept": accept}, {}), ({}, {"accept": accept})):
        answer = httpx.get(where(node) + path, headers=headers, params=parameters)
        assert answer.status_code in (200, 400, 406), answer.text
    is_well(node)


_KEYWORDS = [
    "PatientName",
    "PatientID",
    "StudyDate",
    "StudyTime",
    "ModalitiesInStudy",
    "NumberOfStudyRelatedInstances",
    "StudyInstanceUID",
    "SeriesNumber",
    "InstanceNumber",
    "Rows",
    "RequestAttributesSequence",
    "RequestAttributesSequence.ScheduledProcedureStepID",
    "PixelData",
    "AcquisitionDateTime",
    "includefield",
    "limit",
    "offset",
    "fuzzymatching",
    "00100020",
    "7FE00010",
    "00000000",
    "FFFEE000",
    "00020010",
]
_values = st.one_of(
    st.text(max_size=30),
    st.sampled_from(
        ["-", "*", "?", "\\", "20260101-", "-2359", "[", "%", "'", "\0", "9" * 40, "\r"]
    ),
)


@given(
    st.sampled_from(["/studies", "/series", "/instances"]),
    st.lists(st.tuples(st.sampled_from(_KEYWORDS), _values), min_size=1, max_size=4),
)
@_PROPERTY
def test_no_value_of_a_key_makes_it_fail(
    node: Node, path: str, keys: list[tuple[str, str]]
) -> None:
    answer = httpx.get(where(node) + path, params=keys)
    assert answer.status_code in (200, 204, 400), answer.text
    assert not failures(node)


@given(
    st.lists(
        st.one_of(
            st.binary(max_size=300),
            st.just(samples.file_bytes(samples.photograph(2))),
            st.integers(0, 2500).map(lambda n: samples.file_bytes(samples.photograph(3))[:n]),
            st.tuples(st.integers(132, 3000), st.binary(min_size=1, max_size=8)).map(
                lambda edit: spoilt(samples.file_bytes(samples.photograph(4)), *edit)
            ),
        ),
        max_size=4,
    ),
    st.sampled_from(["application/dicom", JSON, "text/plain", "application/dicom+xml"]),
    st.sampled_from(["", "/" + _KNOWN[0], "/1.2.3", "/no-uid"]),
)
@_PROPERTY
def test_no_body_makes_it_fail_or_keep_half_of_something(
    node: Node, parts: list[bytes], kind: str, study: str
) -> None:
    body, content_type = multipart(*parts, kind=kind)
    answer = httpx.post(
        where(node) + "/studies" + study, content=body, headers={"Content-Type": content_type}
    )
    assert answer.status_code in (200, 202, 400, 409, 415), answer.text
    is_well(node)
    everything_is_whole(node)


def spoilt(data: bytes, place: int, new: bytes) -> bytes:
    place = min(place, len(data))
    return data[:place] + new + data[place + len(new) :]


def everything_is_whole(node: Node) -> None:
    for path in node.archive.layout.objects.rglob("*.dcm"):
        assert path.read_bytes()[128:132] == b"DICM"
        assert node.archive.has(path.stem)


_json_values = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=10)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=10), inner, max_size=3)
    ),
    max_leaves=8,
)
_tags = st.sampled_from(
    ["00080016", "00080018", "0020000D", "0020000E", "00280010", "7FE00010", "00080005", "x", ""]
)
_elements = st.one_of(
    _json_values,
    st.fixed_dictionaries(
        {"vr": st.sampled_from(["UI", "US", "SQ", "OB", "PN", "DS", "XX", "", "UN", "AT"])},
        optional={
            "Value": st.one_of(_json_values, st.lists(_json_values, max_size=2)),
            "BulkDataURI": st.text(max_size=10),
            "InlineBinary": st.text(max_size=10),
        },
    ),
)


@given(st.one_of(_json_values, st.lists(st.dictionaries(_tags, _elements, max_size=6), max_size=2)))
@_PROPERTY
def test_no_metadata_make_it_fail(node: Node, metadata: object) -> None:
    body, kind = multipart(json.dumps(metadata).encode(), kind=JSON)
    answer = httpx.post(where(node) + "/studies", content=body, headers={"Content-Type": kind})
    assert answer.status_code in (200, 202, 400, 409), answer.text
    is_well(node)


def test_metadata_nested_without_end_are_refused(node: Node) -> None:
    deep = b'[{"00081140":{"vr":"SQ","Value":[' * 20_000
    body, kind = multipart(deep, kind=JSON)
    answer = httpx.post(where(node) + "/studies", content=body, headers={"Content-Type": kind})
    assert answer.status_code == 400
    is_well(node)


_REQUEST = f"POST {ROOT}/studies HTTP/1.1\r\nHost: localhost\r\n".encode()
_TYPE = b'Content-Type: multipart/related; type="application/dicom"; boundary=edge\r\n'
RAW = {
    "no request": b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
    "no line": b"\r\n\r\n\r\n",
    "no version": b"GET /health\r\n\r\n",
    "old version": b"GET /health HTTP/0.9\r\n\r\n",
    "new version": b"GET /health HTTP/3.0\r\nHost: localhost\r\n\r\n",
    "no host": b"GET /health HTTP/1.1\r\n\r\n",
    "two hosts": b"GET /health HTTP/1.1\r\nHost: localhost\r\nHost: b\r\n\r\n",
    "strange host": f"GET {ROOT}/studies HTTP/1.1\r\nHost: [::1\r\n\r\n".encode(),
    "host of bytes": f"GET {ROOT}/studies HTTP/1.1\r\nHost: \xff\xfe:x\r\n\r\n".encode("latin-1"),
    "path of bytes": b"GET /\xff\xfe HTTP/1.1\r\nHost: localhost\r\n\r\n",
    "absolute form": b"GET http://[x/ HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
    "a space before the colon": b"GET /health HTTP/1.1\r\nHost : a\r\n\r\n",
    "a header without a colon": b"GET /health HTTP/1.1\r\nHost: localhost\r\nnonsense\r\n\r\n",
    "an endless header": b"GET /health HTTP/1.1\r\nHost: localhost\r\nX: " + b"a" * 300_000,
    "endless headers": b"GET /health HTTP/1.1\r\nHost: localhost\r\n" + b"X: a\r\n" * 60_000,
    "a length that is none": _REQUEST + _TYPE + b"Content-Length: ten\r\n\r\n",
    "a negative length": _REQUEST + _TYPE + b"Content-Length: -1\r\n\r\n",
    "two lengths": _REQUEST + _TYPE + b"Content-Length: 3\r\nContent-Length: 4\r\n\r\nabcd",
    "a length of strange digits": _REQUEST + _TYPE + b"Content-Length: \xb2\r\n\r\n",
    "an enormous length": _REQUEST + _TYPE + b"Content-Length: " + b"9" * 60 + b"\r\n\r\n",
    "length and chunks": _REQUEST
    + _TYPE
    + b"Content-Length: 3\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
    "an unknown coding": _REQUEST + _TYPE + b"Transfer-Encoding: gzip, chunked\r\n\r\nx",
    "a chunk size that is none": _REQUEST + _TYPE + b"Transfer-Encoding: chunked\r\n\r\nxyz\r\n",
    "an endless chunk size": _REQUEST
    + _TYPE
    + b"Transfer-Encoding: chunked\r\n\r\n"
    + b"f" * 100
    + b"\r\nabc",
    "a chunk longer than told": _REQUEST
    + _TYPE
    + b"Transfer-Encoding: chunked\r\n\r\n2\r\nabcdef\r\n0\r\n\r\n",
    "a body that breaks off": _REQUEST + _TYPE + b"Content-Length: 100\r\n\r\n--edge\r\n\r\nabc",
    "chunks that break off": _REQUEST
    + _TYPE
    + b"Transfer-Encoding: chunked\r\n\r\n8\r\n--edge\r\n\r\n",
    "an upgrade": b"GET /health HTTP/1.1\r\nHost: localhost\r\nConnection: upgrade, close\r\n"
    b"Upgrade: websocket\r\n\r\n",
    "two requests in one": b"GET /health HTTP/1.1\r\nHost: localhost\r\n\r\n" * 2,
    "an expectation": _REQUEST + _TYPE + b"Expect: 100-continue\r\nContent-Length: 5\r\n\r\nabcde",
}


@pytest.mark.parametrize("raw", RAW.values(), ids=RAW.keys())
def test_what_is_no_http_is_refused_or_closed(node: Node, raw: bytes) -> None:
    answer = exchange(node, raw)
    assert all(code < 500 for code in statuses(answer)), answer[:300]
    assert b"Traceback" not in answer
    is_well(node)


@given(st.lists(st.binary(max_size=200), min_size=1, max_size=4), st.booleans())
@_PROPERTY
def test_no_bytes_make_it_fail(node: Node, pieces: list[bytes], after_a_head: bool) -> None:
    head = _REQUEST + _TYPE + b"Transfer-Encoding: chunked\r\n\r\n" if after_a_head else b""
    answer = exchange(node, head, *pieces)
    assert all(code < 500 for code in statuses(answer)), answer[:300]
    is_well(node)


@given(st.lists(st.integers(1, 700), min_size=1, max_size=8))
@_PROPERTY
def test_a_good_request_is_taken_however_it_is_cut_and_chunked(node: Node, cuts: list[int]) -> None:
    data = samples.file_bytes(samples.photograph(5))
    body, kind = multipart(data)

    def pieces() -> Iterator[bytes]:
        place, turn = 0, 0
        while place < len(body):
            size = cuts[turn % len(cuts)]
            yield body[place : place + size]
            place, turn = place + size, turn + 1

    answer = httpx.post(where(node) + "/studies", content=pieces(), headers={"Content-Type": kind})
    assert answer.status_code == 200
    path = node.archive.path_of(samples.instance_uid(5))
    assert path is not None
    assert path.read_bytes() == data


def test_a_body_that_breaks_off_leaves_nothing_behind(node: Node) -> None:
    data = samples.file_bytes(samples.photograph(6))
    body, _ = multipart(data)
    length = f"Content-Length: {len(body)}\r\n\r\n".encode()
    for cut in range(0, len(body), 97):
        exchange(node, _REQUEST + _TYPE + length + body[:cut])
    is_well(node)
    assert not node.archive.has(samples.instance_uid(6))


def test_a_body_that_comes_too_slowly_is_given_up(tmp_path: Path) -> None:
    limits = NodeLimits(network_seconds=0.5)
    with serving(tmp_path / "archive", limits=limits) as one:
        assert one.web is not None
        body, _ = multipart(samples.file_bytes(samples.photograph(1)))
        with socket.create_connection(("127.0.0.1", one.web.port), timeout=10) as peer:
            peer.sendall(_REQUEST + _TYPE + b"Content-Length: 100000\r\n\r\n" + body[:500])
            assert statuses(peer.recv(4096)) == [408]
        is_well(one)


def test_a_chunked_body_larger_than_allowed_is_refused(node: Node) -> None:
    def endless() -> Iterator[bytes]:
        yield b"--edge\r\nContent-Type: application/dicom\r\n\r\n"
        for _ in range(8):
            yield bytes(1 << 20)

    kind = 'multipart/related; type="application/dicom"; boundary=edge'
    answer = httpx.post(where(node) + "/studies", content=endless(), headers={"Content-Type": kind})
    assert answer.status_code == 413
    is_well(node)


def test_silent_connections_by_the_hundred_lock_nobody_out(tmp_path: Path) -> None:
    limits = NodeLimits(negotiation_seconds=1.5, connections=300, connections_of_one_address=200)
    with serving(tmp_path / "archive", limits=limits) as one:
        assert one.web is not None
        silent = []
        for number in range(250):
            peer = socket.create_connection(("127.0.0.1", one.web.port), timeout=10)
            if number % 2:
                peer.sendall(b"GET /health HTTP/1.1\r\nHo")
            silent.append(peer)
        other = httpx.HTTPTransport(local_address="127.0.0.2")
        with httpx.Client(transport=other) as client:
            began = time.monotonic()
            url = f"http://127.0.0.1:{one.web.port}/health"
            assert client.get(url).json()["status"] == "ok"
            assert time.monotonic() - began < 1
        for peer in silent:
            with contextlib.suppress(ConnectionError):
                while peer.recv(4096):
                    pass
            peer.close()
        assert httpx.get(url).status_code == 200
        told = [line["why"] for line in logged(one) if line["event"] == "turned away"]
        assert "too many connections from this address" in told


def test_a_client_that_takes_nothing_of_its_answer_is_given_up(tmp_path: Path) -> None:
    with serving(tmp_path / "archive", limits=NodeLimits(network_seconds=0.5)) as one:
        assert one.web is not None
        large = samples.photograph(1, frame=b"\xff\xd8" + bytes(30 << 20) + b"\xff\xd9")
        body, kind = multipart(samples.file_bytes(large))
        stored = httpx.post(where(one) + "/studies", content=body, headers={"Content-Type": kind})
        assert stored.status_code == 200
        path = f"{ROOT}/studies/{samples.study_uid(1)}"
        peer = socket.socket()
        peer.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        peer.settimeout(10)
        peer.connect(("127.0.0.1", one.web.port))
        peer.sendall(f"GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n".encode())
        time.sleep(1.5)
        found = 0
        with contextlib.suppress(ConnectionError):
            while piece := peer.recv(1 << 20):
                found += len(piece)
        peer.close()
        assert found < 30 << 20
        is_well(one)


def test_handshakes_that_stall_by_the_hundred_lock_nobody_out(tmp_path: Path) -> None:
    authority = trustme.CA()
    ours = authority.issue_cert("127.0.0.1")
    certificate, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    ours.private_key_pem.write_to_path(key)
    certificate.write_bytes(b"".join(b.bytes() for b in ours.cert_chain_pems))
    trusted = ssl.create_default_context()
    authority.configure_trust(trusted)
    with serving(tmp_path / "archive", certificate=certificate, key=key) as one:
        assert one.web is not None
        silent = [socket.create_connection(("127.0.0.1", one.web.port)) for _ in range(200)]
        answer = httpx.get(f"https://127.0.0.1:{one.web.port}/health", verify=trusted)
        assert answer.json()["status"] == "ok"
        for peer in silent:
            peer.close()
