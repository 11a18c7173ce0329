"""Bad peers, killed nodes and full memory: the node goes on, and loses nothing it confirmed."""

from __future__ import annotations

import json
import os
import socket
import struct
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import httpx
import psutil
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from archiver.archive.store.archive import Archive
from archiver.network.node.node import Node
from archiver.network.node.settings import NodeLimits
from tests.network import node_samples as samples
from tests.network.node_raw import associate_rq, data_pdu, echo, store_command, until
from tests.network.node_serving import Served, run, serving, store
from tests.new_archive import new_archive

MEGABYTE = 1 << 20


@pytest.fixture(scope="module")
def node(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Node]:
    limits = NodeLimits(negotiation_seconds=1.0, network_seconds=2.0)
    with serving(tmp_path_factory.mktemp("faults") / "archive", limits=limits) as one:
        yield one


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
    limits = NodeLimits(connections=5, negotiation_seconds=30)
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
        assert httpx.get(served.web + "/health").json()["checks"]["archive"] == {
            "status": "ok",
            "instances": 1,
        }
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
        two = new_archive(tmp_path / "two")
        words = ("serve", "--archive", two, "--dimse-port", one.dimse.port)
        result = run(sys.executable, "-m", "archiver", *words, "--web-port", "-1")
    assert result.returncode == 1
    assert "cannot listen" in result.stdout


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
            # From two addresses, since one may not hold so many.
            own = (f"127.0.0.{1 + number % 2}", 0)
            there = ("127.0.0.1", served.port)
            with socket.create_connection(there, timeout=120, source_address=own) as peer:
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
