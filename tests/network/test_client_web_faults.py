"""DICOMweb peers that do what no well-behaved one does, played by a server over a real socket."""

from __future__ import annotations

import io
import json
import os
import shutil
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import unquote_plus

import pydicom
import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.errors import NetworkError
from archiver.network.client.dicomweb import connection, store
from archiver.network.outbox import outbox_worker
from archiver.network.outbox.card import standing_of
from archiver.network.outbox.delivery_state import State
from archiver.network.outbox.outbox import Outbox
from archiver.network.outbox.outbox_worker import READ_BACK, work
from archiver.network.outgoing_object import read_parcel
from archiver.network.peers import Secret, TimeLimits, WebPeer
from tests.network import client_objects as objects
from tests.network import client_peers as peers
from tests.network.test_client_outbox import Time

QUICK = TimeLimits(connect=5.0, answer=10.0)
GIVEN_BACK_CHANGED = "stored; the peer gives it back changed, so keep the picture on the card"


@pytest.fixture(scope="module")
def archive() -> Path:
    """Three photographs as five instances, baseline and lossless JPEG."""
    return objects.shared_photographs()


class Strange:
    """A server of DICOMweb whose faults are the test's."""

    def __init__(self) -> None:
        self.kept: dict[str, bytes] = {}
        self.refuses: Callable[[pydicom.FileDataset], int] = lambda _ds: 0
        self.code = 0
        self.changes: Callable[[bytes], bytes | None] = lambda data: data
        self.posts = 0
        self.asked: list[tuple[str, str]] = []
        self.location = ""

    def post(self, body: bytes) -> tuple[int, str, bytes]:
        self.posts += 1
        if self.code:
            return self.code, "text/plain", b"no"
        data = body[body.index(b"\r\n\r\n") + 4 : body.rindex(b"\r\n--")]
        ds = pydicom.dcmread(io.BytesIO(data))
        reason = self.refuses(ds)
        item = {
            "00081150": {"vr": "UI", "Value": [ds.SOPClassUID]},
            "00081155": {"vr": "UI", "Value": [ds.SOPInstanceUID]},
        }
        if reason:
            item["00081197"] = {"vr": "US", "Value": [reason]}
            told = {"00081198": {"vr": "SQ", "Value": [item]}}
            return 409, "application/dicom+json", json.dumps(told).encode()
        self.kept[ds.SOPInstanceUID] = data
        told = {"00081199": {"vr": "SQ", "Value": [item]}}
        return 200, "application/dicom+json", json.dumps(told).encode()

    def get(self, path: str) -> tuple[int, str, bytes]:
        data = self.changes(self.kept[path.rpartition("/")[2]])
        if data is None:
            return 404, "text/plain", b"no"
        return 200, "application/dicom", data


@contextmanager
def strange_server(strange: Strange) -> Iterator[str]:
    class Answering(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            length = int(self.headers["Content-Length"])
            self._answer(strange.post(self.rfile.read(length)))

        def do_GET(self) -> None:
            self._answer(strange.get(self.path))

        def _answer(self, answer: tuple[int, str, bytes]) -> None:
            code, kind, body = answer
            strange.asked.append((self.path, self.headers.get("Authorization", "")))
            self.send_response(code)
            if strange.location:
                self.send_header("Location", strange.location)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            with suppress(ConnectionError):
                self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answering)
    thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}/dicom"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@pytest.fixture
def strange() -> Strange:
    return Strange()


@pytest.fixture
def region(strange: Strange) -> Iterator[WebPeer]:
    with strange_server(strange) as url:
        yield WebPeer("region", url, limits=QUICK)


def _work(outbox: Outbox, peer: WebPeer, time: Time) -> set[tuple[str, str]]:
    list(work(outbox, peer, time.world()))
    return {(one.state.value, str(one.reason)) for one in outbox.shipments()}


@pytest.fixture
def outbox(archive: Path, tmp_path: Path) -> Iterator[Outbox]:
    """An outbox with everything in it; the archive is a copy."""
    shutil.copytree(archive, tmp_path / "copy", ignore=lambda *_: ["outbox.sqlite"])
    with Outbox.open(tmp_path / "copy") as opened:
        opened.queue("region", objects.goods(tmp_path / "copy"), Time().now)
        yield opened


def test_what_comes_back_as_it_was_sent_is_committed_and_it_is_said_how(
    outbox: Outbox, region: WebPeer
) -> None:
    assert _work(outbox, region, Time()) == {("committed", str(READ_BACK))}
    with Archive.open(outbox.folder, read_only=True) as opened:
        digest = next(r.source_sha256 for r in opened.query(Query()))
        assert digest is not None
        standing = standing_of(opened, outbox, digest, None)
    assert standing.safe and "read back" in standing.why


def test_nothing_is_read_back_where_that_is_not_wanted(
    outbox: Outbox, strange: Strange, region: WebPeer
) -> None:
    strange.changes = lambda _data: None
    ((state, reason),) = _work(outbox, replace(region, commitment=False), Time())
    assert state == "sent" and "no storage commitment" in reason


def test_what_comes_back_changed_is_not_safe(
    outbox: Outbox, strange: Strange, region: WebPeer
) -> None:
    strange.changes = lambda data: data.replace(b"Okafor^Nadia", b"Okafor^Naida")
    assert _work(outbox, region, Time()) == {("sent", GIVEN_BACK_CHANGED)}


def test_what_the_peer_has_already_counts_as_sent_until_it_comes_back_the_same(
    outbox: Outbox, strange: Strange, region: WebPeer
) -> None:
    time = Time()
    assert _work(outbox, region, time) == {("committed", str(READ_BACK))}
    held = dict(strange.kept)
    # An outbox that knows nothing of that sends again; the peer refuses what it has.
    outbox.queue("again", objects.goods(outbox.folder), time.now)
    strange.refuses = lambda ds: 0x0111 if ds.SOPInstanceUID in held else 0
    strange.changes = lambda data: data.replace(b"Okafor^Nadia", b"Okafor^Naida")
    again = replace(region, name="again")
    list(work(outbox, again, time.world()))
    told = {(one.state.value, str(one.reason)) for one in outbox.shipments("again")}
    already = "the peer has an instance of this UID already (status 0111)"
    note = f"{already}; the peer gives it back changed, so keep the picture on the card"
    assert told == {("sent", note)}
    strange.changes = lambda data: data
    time.now += timedelta(hours=1)
    list(work(outbox, again, time.world()))
    told = {(one.state.value, str(one.reason)) for one in outbox.shipments("again")}
    assert told == {("committed", str(READ_BACK))}


def test_a_single_changed_bit_of_the_pixels_is_seen(
    outbox: Outbox, strange: Strange, region: WebPeer
) -> None:
    def changed(data: bytes) -> bytes:
        place = len(data) - 200
        return data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :]

    strange.changes = changed
    assert _work(outbox, region, Time()) == {("sent", GIVEN_BACK_CHANGED)}


def test_a_peer_that_encodes_anew_has_the_same_object(
    outbox: Outbox, strange: Strange, region: WebPeer
) -> None:
    def encoded_anew(data: bytes) -> bytes:
        ds = pydicom.dcmread(io.BytesIO(data))
        for element in ds:
            if element.VR == "SQ":
                element.is_undefined_length = True
        buffer = io.BytesIO(b"")
        ds.save_as(buffer)
        assert len(buffer.getvalue()) != len(data)
        return bytes(buffer.getvalue())

    strange.changes = encoded_anew
    assert _work(outbox, region, Time()) == {("committed", str(READ_BACK))}


def test_what_is_not_there_after_all_is_sent_again(
    outbox: Outbox, strange: Strange, region: WebPeer
) -> None:
    time = Time()
    strange.changes = lambda _data: None
    ((state, reason),) = _work(outbox, region, time)
    assert state == "queued" and "does not have the object" in reason
    strange.changes = lambda data: data
    time.now += timedelta(hours=1)
    assert _work(outbox, region, time) == {("committed", str(READ_BACK))}
    assert strange.posts == 2 * len(strange.kept)


def test_a_peer_that_vanishes_before_it_is_read_back_leaves_all_sent(
    outbox: Outbox, strange: Strange
) -> None:
    with strange_server(strange) as url:
        peer = WebPeer("region", url, limits=QUICK)
        with outbox.sole_sender("region"):
            list(outbox_worker._send_due(outbox, peer, Time().world()))
    states = _work(outbox, peer, Time())
    assert {state for state, _ in states} == {"sent"}
    assert all("cannot be reached" in reason for _, reason in states)


@pytest.mark.parametrize("by", ["reason", "415"])
def test_a_peer_that_takes_only_uncompressed_gets_a_decoded_copy(
    outbox: Outbox, strange: Strange, region: WebPeer, by: str
) -> None:
    def reason(ds: pydicom.FileDataset) -> int:
        return 0xC122 if ds.file_meta.TransferSyntaxUID.is_compressed else 0

    strange.refuses = reason
    if by == "415":
        plain = strange.post
        # The same refusal, told by the status of the whole answer (PS3.18 8.5).
        strange.post = lambda body: (  # type: ignore[method-assign]
            answer if (answer := plain(body))[0] == 200 else (415, "text/plain", b"")
        )
    assert _work(outbox, region, Time()) == {("committed", str(READ_BACK))}
    shipments = outbox.shipments()
    assert all(one.recoded and one.syntax == peers.EXPLICIT for one in shipments)
    for one in shipments:
        ours = pydicom.dcmread(outbox.folder / one.path)
        copy = pydicom.dcmread(io.BytesIO(strange.kept[one.sop_instance]))
        assert copy.PhotometricInterpretation == "RGB"
        assert copy.get("LossyImageCompression") == ours.get("LossyImageCompression")


def test_a_peer_that_takes_neither_gets_nothing_and_a_clear_error(
    outbox: Outbox, strange: Strange, region: WebPeer
) -> None:
    strange.code = 415
    states = _work(outbox, region, Time())
    assert {state for state, _ in states} == {"failed"}
    assert all("nor uncompressed" in reason for _, reason in states)


@pytest.mark.parametrize(
    ("code", "state", "words"),
    [
        (400, State.FAILED, "badly formed"),
        (401, State.QUEUED, "credentials"),
        (413, State.FAILED, "too large"),
        (500, State.QUEUED, "it failed"),
        (503, State.QUEUED, "no room at present"),
        (302, State.QUEUED, "answers 302"),
    ],
)
def test_every_refusal_is_told_and_tried_again_where_that_can_help(
    outbox: Outbox, strange: Strange, region: WebPeer, code: int, state: State, words: str
) -> None:
    strange.code = code
    states = _work(outbox, region, Time())
    assert {found for found, _ in states} == {state.value}
    assert all(words in reason for _, reason in states)


@pytest.mark.parametrize(
    ("fails", "asked", "stored"),
    [("1101100", 7, 3), ("1100111", 7, 2), ("1110000", 3, 0), ("0111000", 4, 1)],
)
def test_three_failures_in_a_row_and_no_fewer_leave_the_peer_alone(
    archive: Path, strange: Strange, region: WebPeer, fails: str, asked: int, stored: int
) -> None:
    photograph, *_ = objects.goods(archive)
    plain = strange.post

    def post(body: bytes) -> tuple[int, str, bytes]:
        strange.code = 500 * int(fails[strange.posts])
        return plain(body)

    strange.post = post  # type: ignore[method-assign]
    parcel = read_parcel(archive / photograph.path)
    results = list(store.send(region, [parcel] * len(fails)))
    assert strange.posts == asked
    assert sum(not isinstance(answer, NetworkError) for _, answer in results) == stored


def test_a_page_instead_of_an_answer_is_told_with_what_may_be_wrong(
    strange: Strange, region: WebPeer
) -> None:
    strange.get = lambda _path: (200, "text/html", b"<html>sign in</html>")  # type: ignore[method-assign]
    with pytest.raises(NetworkError, match=r"cannot be understood.*base of the DICOMweb services"):
        connection.echo(region)


def test_no_redirection_is_followed_and_where_it_leads_is_not_asked(
    strange: Strange, region: WebPeer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("REGION_TOKEN", "correct-horse-battery")
    peer = replace(region, token=Secret("REGION_TOKEN"))
    elsewhere = Strange()
    strange.get = lambda _path: (302, "text/plain", b"")  # type: ignore[method-assign]
    with strange_server(elsewhere) as url:
        for strange.location in (url, "/dicom/moved"):
            with pytest.raises(NetworkError, match=r"another address.*HTTP 302"):
                connection.echo(peer)
    assert not elsewhere.asked
    path = "/dicom/studies?limit=1"
    assert strange.asked == [(path, "Bearer correct-horse-battery")] * 2


def test_an_answer_without_end_is_given_up(
    strange: Strange, region: WebPeer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "_LONGEST_ANSWER", 1 << 20)
    strange.get = lambda _path: (200, "application/dicom+json", b" " * (2 << 20))  # type: ignore[method-assign]
    with pytest.raises(NetworkError, match="more than 1 MiB"):
        connection.echo(region)


def test_a_peer_that_goes_silent_is_given_up_after_the_time_for_an_answer(
    strange: Strange, region: WebPeer
) -> None:
    release = threading.Event()
    strange.get = lambda _path: release.wait(20) and (200, "text/plain", b"")  # type: ignore[method-assign,assignment,return-value]
    try:
        with pytest.raises(NetworkError, match=r"silent for 0\.3 s"):
            connection.echo(replace(region, limits=TimeLimits(connect=5.0, answer=0.3)))
    finally:
        release.set()


def test_a_single_data_set_without_its_list_is_an_answer(strange: Strange, region: WebPeer) -> None:
    told = {"0020000D": {"vr": "UI", "Value": ["1.2.3"]}}
    body = json.dumps(told).encode()
    strange.get = lambda _path: (200, "application/dicom+json", body)  # type: ignore[method-assign]
    keys = {"PatientID": "P 0417&=ö", "StudyInstanceUID": "", "StudyDate": ""}
    with connection.open_web_link(region) as link:
        (found,) = connection.search(link, None, None, "studies", keys)
    assert found.StudyInstanceUID == "1.2.3"
    assert unquote_plus(strange.asked[0][0]) == (
        "/dicom/studies?PatientID=P 0417&=ö"
        "&includefield=StudyInstanceUID&includefield=StudyDate&limit=500&offset=0"
    )


def test_an_object_that_breaks_off_leaves_no_file(
    strange: Strange, region: WebPeer, tmp_path: Path
) -> None:
    body = b"--edge\r\nContent-Type: application/dicom\r\n\r\n" + bytes(128) + b"DICM and no end"
    strange.get = lambda _path: (200, "multipart/related; boundary=edge", body)  # type: ignore[method-assign]
    with (
        connection.open_web_link(region) as link,
        pytest.raises(NetworkError, match="cannot be understood"),
    ):
        connection.fetch(link, "1.2", "1.3", "1.4", tmp_path / "one.dcm")
    assert not list(tmp_path.iterdir())


@given(st.binary(max_size=300), st.integers(1, 60), st.binary(max_size=40))
def test_the_first_part_is_found_however_the_body_is_cut(
    content: bytes, size: int, preamble: bytes
) -> None:
    edge = "edge-" + os.urandom(8).hex()
    whole = preamble + f"\r\n--{edge}\r\nContent-Type: application/dicom\r\n\r\n".encode()
    whole += content + f"\r\n--{edge}--\r\n".encode()
    pieces = [whole[n : n + size] for n in range(0, len(whole), size)]
    kind = f'multipart/related; type="application/dicom"; boundary={edge}'
    assert b"".join(connection.first_part(kind, pieces)) == content
