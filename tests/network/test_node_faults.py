"""Bad peers, killed nodes and full memory: the node goes on, and loses nothing it confirmed."""

from __future__ import annotations

import json
import os
import random
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import psutil
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom import dcmread

from archiver.archive.store import Archive
from archiver.network.node.node import Node
from archiver.network.node.settings import Limits
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, Served, run, serving, store

#: More for a soak before a release.
KILLS = int(os.environ.get("ARCHIVER_KILL_ROUNDS", "6"))
MEGABYTE = 1 << 20


@pytest.fixture(scope="module")
def node(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Node]:
    limits = Limits(negotiation_seconds=1.0, network_seconds=2.0)
    with serving(tmp_path_factory.mktemp("faults") / "archive", limits=limits) as one:
        yield one


def echo(port: int) -> None:
    result = run("echoscu", "-aec", TITLE, "127.0.0.1", port, timeout=10)
    assert result.returncode == 0, result.stdout


def until(holds: Callable[[], bool], seconds: float = 10) -> None:
    """Wait for what another thread of the node does a moment later."""
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end
        threading.Event().wait(0.01)


def item(kind: int, value: bytes) -> bytes:
    return struct.pack(">BxH", kind, len(value)) + value


def associate_rq(sop_class: str = samples.PHOTOGRAPH, called: str = TITLE) -> bytes:
    """An A-ASSOCIATE-RQ with one context in JPEG Baseline (PS3.8 9.3.2)."""
    context = b"\x01\0\0\0" + item(0x30, sop_class.encode())
    context += item(0x40, b"1.2.840.10008.1.2.4.50")
    user = item(0x51, struct.pack(">L", 16384)) + item(0x52, b"1.2.3.4")
    body = struct.pack(">H2x", 1) + called.ljust(16).encode() + b"RAWPEER".ljust(16) + bytes(32)
    body += item(0x10, b"1.2.840.10008.3.1.1.1") + item(0x20, context) + item(0x50, user)
    return struct.pack(">BxL", 1, len(body)) + body


def connected(node: Node) -> socket.socket:
    return socket.create_connection(("127.0.0.1", node.dimse.port), timeout=10)


def associated(node: Node) -> socket.socket:
    peer = connected(node)
    peer.sendall(associate_rq())
    kind, length = struct.unpack(">BxL", _exactly(peer, 6))
    assert kind == 2
    _exactly(peer, length)
    return peer


def _exactly(peer: socket.socket, count: int) -> bytes:
    found = b""
    while len(found) < count:
        piece = peer.recv(count - len(found))
        assert piece, "closed"
        found += piece
    return found


def ending(peer: socket.socket) -> bytes:
    """All that still comes until the node closes."""
    found = b""
    try:
        while piece := peer.recv(4096):
            found += piece
    except ConnectionResetError:
        pass
    peer.close()
    return found


def data_pdu(control: int, value: bytes, context: int = 1) -> bytes:
    one = struct.pack(">LBB", len(value) + 2, context, control) + value
    return struct.pack(">BxL", 4, len(one)) + one


def store_command(uid: str) -> bytes:
    """A C-STORE-RQ command set in Implicit VR Little Endian (PS3.7 9.3.1.1)."""

    def element(tag: int, value: bytes) -> bytes:
        value += b"\0" * (len(value) % 2)
        return struct.pack("<HHL", 0, tag, len(value)) + value

    body = element(0x0002, samples.PHOTOGRAPH.encode()) + element(0x0100, b"\x01\x00")
    body += element(0x0110, b"\x01\x00") + element(0x0700, b"\0\0") + element(0x0800, b"\0\0")
    body += element(0x1000, uid.encode())
    return element(0x0000, struct.pack("<L", len(body))) + body


BAD_PDUS = {
    "unknown type": b"\x99\0\0\0\0\x04junk",
    "endless length": b"\x04\0\xff\xff\xff\xff",
    "value longer than its PDU": struct.pack(">BxL", 4, 6) + struct.pack(">LBB", 999, 1, 3),
    "value without a header": struct.pack(">BxL", 4, 3) + b"abc",
    "broken command set": data_pdu(3, b"\0\0\x02"),
    "unknown command": data_pdu(3, struct.pack("<HHLH", 0, 0x0100, 2, 0x7777)),
    "dataset without command": data_pdu(2, b"data"),
    "rejected context": data_pdu(3, store_command("1.2.3"), context=99),
    "second association request": associate_rq(),
    "endless command": data_pdu(1, bytes(40_000)) * 2,
}


@pytest.mark.parametrize("pdu", BAD_PDUS.values(), ids=BAD_PDUS.keys())
def test_what_is_against_the_protocol_ends_that_association_alone(node: Node, pdu: bytes) -> None:
    with associated(node) as other:
        peer = associated(node)
        peer.sendall(pdu)
        assert ending(peer)[:1] in (b"\x07", b"")  # A-ABORT (PS3.8 9.3.8)
        echo(node.dimse.port)
        other.sendall(struct.pack(">BxL", 5, 4) + bytes(4))  # A-RELEASE-RQ
        assert _exactly(other, 1) == b"\x06"


@given(st.binary(min_size=1, max_size=200), st.booleans())
@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_no_bytes_stop_the_node(node: Node, junk: bytes, after_association: bool) -> None:
    peer = associated(node) if after_association else connected(node)
    peer.sendall(junk)
    peer.close()
    echo(node.dimse.port)


def test_a_wrong_title_is_rejected_with_its_reason(node: Node) -> None:
    peer = connected(node)
    peer.sendall(associate_rq(called="SOMEBODY"))
    # PS3.8 9.3.4: A-ASSOCIATE-RJ, permanent, by the service user, called title not recognised.
    assert ending(peer)[:10] == bytes((3, 0, 0, 0, 0, 4, 0, 1, 1, 7))


def test_half_open_connections_by_the_hundred_hold_nobody_up(node: Node) -> None:
    silent = [connected(node) for _ in range(100)]
    echo(node.dimse.port)
    for one in silent:
        assert ending(one) == b""  # closed after the time for negotiation


def test_more_connections_than_allowed_are_turned_away(tmp_path: Path) -> None:
    limits = Limits(connections=5, negotiation_seconds=30)
    with serving(tmp_path / "archive", limits=limits) as one:
        kept = [connected(one) for _ in range(5)]
        assert ending(connected(one)) == b""
        for peer in kept:
            peer.close()
        until(lambda: one.dimse.connections() == 0)
        echo(one.dimse.port)


def test_a_peer_that_stops_inside_a_pdu_is_given_up(node: Node) -> None:
    peer = associated(node)
    peer.sendall(data_pdu(3, store_command(samples.instance_uid(7))) + b"\x04\0\0\0\x10\x00half")
    ending(peer)
    until(lambda: not list(node.archive.layout.temporary.iterdir()))
    echo(node.dimse.port)


def test_a_peer_that_aborts_inside_an_object_leaves_nothing_behind(node: Node) -> None:
    peer = associated(node)
    peer.sendall(data_pdu(3, store_command(samples.instance_uid(8))) + data_pdu(0, bytes(10_000)))
    peer.sendall(struct.pack(">BxL", 7, 4) + bytes(4))
    ending(peer)
    until(lambda: not list(node.archive.layout.temporary.iterdir()))
    assert not node.archive.has(samples.instance_uid(8))


def test_four_senders_at_once_are_all_kept(tmp_path: Path) -> None:
    with serving(tmp_path / "archive") as one:
        groups = [
            [samples.save(samples.photograph(g * 10 + n), tmp_path / str(g)) for n in range(10)]
            for g in range(4)
        ]
        threads = [threading.Thread(target=store, args=(one.dimse.port, *g)) for g in groups]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert len(one.archive) == 40


def test_sigterm_ends_it_cleanly_and_its_log_names_no_patient(tmp_path: Path) -> None:
    with Served(tmp_path / "archive") as served:
        store(served.port, samples.save(samples.photograph(1), tmp_path))
        assert httpx.get(served.web + "/health").json() == {"status": "ok", "instances": 1}
        figures = httpx.get(served.web + "/metrics").text
        assert 'archiver_received_instances_total{way="dimse"} 1.0' in figures
        status, log = served.stop()
    assert status == 0
    events = [json.loads(line)["event"] for line in log.splitlines() if line.startswith("{")]
    assert events.count("association") == 1
    assert "Okafor" not in log
    assert "P-0417" not in log


def test_a_second_node_on_the_same_port_says_so_in_one_line(tmp_path: Path) -> None:
    with serving(tmp_path / "one") as one:
        words = ("serve", "--archive", tmp_path / "two", "--dimse-port", one.dimse.port)
        result = run(sys.executable, "-m", "archiver", *words, "--web-port", "-1")
    assert result.returncode == 1
    assert "cannot listen" in result.stdout


def test_a_node_killed_while_it_receives_has_everything_that_it_confirmed(tmp_path: Path) -> None:
    chance = random.Random(20260304)
    files = [samples.save(samples.photograph(n), tmp_path / "sent") for n in range(1, 201)]
    archive = tmp_path / "archive"
    confirmed: set[str] = set()
    for _ in range(KILLS):
        with Served(archive, "", "--web-port", "-1") as served:
            words = ["storescu", "-v", "-xy", "-aec", TITLE, "127.0.0.1", str(served.port)]
            sender = subprocess.Popen(
                [*words, *map(str, files)],
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
            )
            threading.Timer(chance.uniform(0.05, 0.6), served.process.kill).start()
            said, _ = sender.communicate(timeout=60)
            served.kill()
        current = ""
        for line in said.splitlines():
            if "Sending file: " in line:
                current = Path(line.partition("Sending file: ")[2]).stem
            elif "Received Store Response (Success)" in line:
                confirmed.add(current)
    with Archive.open(archive) as found:
        assert confirmed
        assert all(found.has(uid) for uid in confirmed)
        assert not list(found.layout.temporary.iterdir())
        paths = list(found.layout.objects.rglob("*.dcm"))
    by_uid = {str(dcmread(path).SOPInstanceUID): path for path in paths}
    assert len(by_uid) == len(paths)
    for uid in confirmed:
        sent = tmp_path / "sent" / f"{uid}.dcm"
        assert samples.dataset_bytes(by_uid[uid]) == samples.dataset_bytes(sent)


def test_fifty_objects_of_thirty_megabytes_at_once_stay_within_memory(tmp_path: Path) -> None:
    """The limit of 300 MB is the project's own."""
    frame = b"\xff\xd8" + os.urandom(30 * MEGABYTE) + b"\xff\xd9"
    file = samples.save(samples.photograph(10, frame=frame), tmp_path)
    body = samples.dataset_bytes(file)
    place = body.index(samples.instance_uid(10).encode())
    peak = 0
    with Served(tmp_path / "archive", "", "--web-port", "-1") as served:
        process = psutil.Process(served.process.pid)
        barrier = threading.Barrier(50)
        answers: list[int] = []

        def send(number: int) -> None:
            # Numbers of two digits: the identifier keeps its length.
            uid = samples.instance_uid(number)
            head = body[:place] + uid.encode()
            rest = memoryview(body)[len(head) :]
            with socket.create_connection(("127.0.0.1", served.port), timeout=120) as peer:
                peer.sendall(associate_rq())
                _, length = struct.unpack(">BxL", _exactly(peer, 6))
                _exactly(peer, length)
                barrier.wait()
                peer.sendall(data_pdu(3, store_command(uid)) + data_pdu(0, head))
                for begin in range(0, len(rest), 1 << 17):
                    piece = rest[begin : begin + (1 << 17)]
                    last = begin + len(piece) == len(rest)
                    peer.sendall(data_pdu(2 if last else 0, bytes(piece)))
                answers.append(_exactly(peer, 1)[0])

        threads = [threading.Thread(target=send, args=(n,)) for n in range(10, 60)]
        for thread in threads:
            thread.start()
        while any(thread.is_alive() for thread in threads):
            peak = max(peak, process.memory_info().rss)
            threading.Event().wait(0.02)
        assert answers == [4] * 50
        served.stop()
    print(f"peak {peak / MEGABYTE:.0f} MB")
    assert peak < 300 * MEGABYTE
    with Archive.open(tmp_path / "archive", read_only=True) as found:
        assert len(found) == 50
