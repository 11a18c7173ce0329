"""PDUs and messages that nobody should send, drawn at random; the node goes on and stays whole."""

from __future__ import annotations

import contextlib
import random
import socket
import struct
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from archiver.network.node.node import Node
from archiver.network.node.settings import NodeLimits
from tests.network import node_samples as samples
from tests.network.node_raw import (
    Raw,
    associate_rq,
    context_item,
    data_pdu,
    echo,
    element,
    item,
    pdu,
    store_command,
    until,
)
from tests.network.node_serving import ROUNDS, TITLE, Served, failures, run, serving

_PROPERTY = settings(
    max_examples=ROUNDS,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
MEGABYTE = 1 << 20


@pytest.fixture(scope="module")
def node(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Node]:
    # The outside echoscu knocks after each: it may be slow to say its first word on a busy machine.
    limits = NodeLimits(negotiation_seconds=5.0, network_seconds=2.0, object_megabytes=1)
    folder = tmp_path_factory.mktemp("malformed") / "archive"
    with serving(folder, limits=limits, web_port=-1) as one:
        yield one


@pytest.fixture(scope="module")
def body(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The dataset of a photograph in JPEG Baseline."""
    path = samples.save(samples.photograph(1), tmp_path_factory.mktemp("sent"))
    return samples.dataset_bytes(path)


def is_well(node: Node) -> None:
    echo(node.dimse.port)
    went_wrong = failures(node)
    assert not went_wrong
    until(lambda: not list(node.archive.layout.temporary.iterdir()))
    for path in node.archive.layout.objects.rglob("*.dcm"):
        assert node.archive.has(path.stem)


def exchange(body: bytes, uid: str) -> bytes:
    """What a peer sends on an association to store one object and release it."""
    return data_pdu(3, store_command(uid)) + data_pdu(2, body) + pdu(5, bytes(4))


def cut(data: bytes, sizes: list[int]) -> Iterator[bytes]:
    place, turn = 0, 0
    while place < len(data):
        size = sizes[turn % len(sizes)]
        yield data[place : place + size]
        place, turn = place + size, turn + 1


def replay(
    node: Node,
    data: bytes,
    sizes: list[int] | None = None,
    request: bytes | None = None,
    *,
    leaving: bool = True,
) -> list[int]:
    """Open an association, send anything on it, and leave or wait; return the types of answers."""
    begun: list[int] = []
    with Raw(node.dimse.port) as peer:
        with contextlib.suppress(OSError, AssertionError):
            for piece in cut(request or associate_rq(), sizes or [1000]):
                peer.sendall(piece)
            begun.append(peer.pdu()[0])
            for piece in cut(data, sizes or [len(data) or 1]):
                peer.sendall(piece)
            if leaving:
                peer.shutdown()
        return begun + [kind for kind, _ in pdus(peer.rest())]


@given(st.lists(st.integers(1, 4000), min_size=1, max_size=8))
@_PROPERTY
def test_a_session_is_understood_however_tcp_cuts_it(
    node: Node, body: bytes, cuts: list[int]
) -> None:
    uid = samples.instance_uid(1)
    # Accepted, answered, released.
    assert replay(node, exchange(body, uid), cuts, leaving=False) == [2, 4, 6]
    path = node.archive.path_of(uid)
    assert path is not None
    assert samples.dataset_bytes(path) == body


def pdus(data: bytes) -> Iterator[tuple[int, bytes]]:
    place = 0
    while place + 6 <= len(data):
        kind, length = struct.unpack(">BxL", data[place : place + 6])
        yield kind, data[place + 6 : place + 6 + length]
        place += 6 + length


@given(st.lists(st.integers(1, 3000), min_size=1, max_size=20), st.integers(1, 4))
@_PROPERTY
def test_fragments_of_any_size_make_the_same_object(
    node: Node, body: bytes, sizes: list[int], together: int
) -> None:
    """PS3.8 annex E: values of any length, several in one PDU."""
    uid = samples.instance_uid(1)
    values, place, turn = [], 0, 0
    command = store_command(uid)
    for begin in range(0, len(command), 17):
        last = begin + 17 >= len(command)
        values.append(data_pdu(3 if last else 1, command[begin : begin + 17])[6:])
    while place < len(body):
        size = sizes[turn % len(sizes)] & ~1 or 2
        last = place + size >= len(body)
        values.append(data_pdu(2 if last else 0, body[place : place + size])[6:])
        place, turn = place + size, turn + 1
    messages = b"".join(
        pdu(4, b"".join(values[n : n + together])) for n in range(0, len(values), together)
    )
    assert replay(node, messages + pdu(5, bytes(4)), leaving=False) == [2, 4, 6]
    path = node.archive.path_of(uid)
    assert path is not None
    assert samples.dataset_bytes(path) == body


@given(st.data())
@_PROPERTY
def test_a_session_that_breaks_off_anywhere_leaves_nothing_behind(
    node: Node, body: bytes, data: st.DataObject
) -> None:
    uid = samples.instance_uid(2)
    whole = exchange(body.replace(b".3.1", b".3.2", 1), uid)
    end = data.draw(st.integers(0, len(whole) - len(pdu(5, bytes(4))) - 1))
    replay(node, whole[:end])
    is_well(node)
    assert not node.archive.has(uid)


@given(st.data())
@_PROPERTY
def test_a_session_with_wrong_bytes_in_it_stores_what_it_says_or_nothing(
    node: Node, body: bytes, data: st.DataObject
) -> None:
    whole = bytearray(exchange(body, samples.instance_uid(1)))
    head = len(whole) - len(body)
    for _ in range(data.draw(st.integers(1, 4))):
        # The PDUs, the command and the header matter; what stands in the pixels does not.
        place = data.draw(st.integers(0, head + 600))
        whole[place] = data.draw(st.integers(0, 255))
    replay(node, bytes(whole))
    is_well(node)


_uids = st.sampled_from(
    ["1.2.840.10008.1.1", samples.PHOTOGRAPH, "1.2.840.10008.1.20.1", "1.2.3", "", "x" * 70]
)
_words = st.binary(max_size=20)


@given(
    st.one_of(st.binary(min_size=16, max_size=16), st.just(TITLE.ljust(16).encode())),
    st.binary(min_size=16, max_size=16),
    st.lists(
        st.tuples(st.integers(0, 255), _uids, st.lists(_uids, max_size=3)),
        max_size=140,
    ),
    st.lists(st.tuples(st.integers(0, 255), _words), max_size=4),
)
@_PROPERTY
def test_no_request_for_an_association_makes_it_fail(
    node: Node,
    called: bytes,
    calling: bytes,
    contexts: list[tuple[int, str, list[str]]],
    others: list[tuple[int, bytes]],
) -> None:
    """Titles of any bytes, unknown and doubled contexts, items that nobody knows."""
    parts = [context_item(number, name, syntaxes) for number, name, syntaxes in contexts]
    parts += [item(kind, value) for kind, value in others]
    request = associate_rq(called=called, calling=calling, parts=parts)
    kinds = set(replay(node, b"", request=request))
    assert kinds <= {2, 3, 7}
    if called.strip() != TITLE.encode():
        assert 2 not in kinds
    is_well(node)


def test_a_context_that_nobody_knows_is_refused_and_the_others_are_taken(node: Node) -> None:
    """PS3.8 9.3.3.2: abstract syntax not supported is result 3, acceptance 0."""
    parts = [
        context_item(1, "1.2.3.4.5", ["1.2.840.10008.1.2"]),
        context_item(3, "1.2.840.10008.1.1", ["1.2.840.10008.1.2"]),
        context_item(5, "1.2.840.10008.1.1", ["1.2.3"]),
    ]
    with Raw(node.dimse.port) as peer:
        peer.sendall(associate_rq(parts=parts))
        kind, answer = peer.pdu()
    assert kind == 2
    found = {answer[at + 4]: answer[at + 6] for at in positions(answer, b"\x21\0")}
    assert (found[1], found[3], found[5]) == (3, 0, 4)


def positions(data: bytes, wanted: bytes) -> Iterator[int]:
    """Places of the items behind the fixed part and the application context."""
    place = 68
    while place + 4 <= len(data):
        kind, length = struct.unpack(">BxH", data[place : place + 4])
        if kind == wanted[0]:
            yield place
        place += 4 + length


_tags = st.sampled_from([0x0000, 0x0002, 0x0100, 0x0110, 0x0120, 0x0600, 0x0700, 0x0800, 0x1000])
_numbers = st.sampled_from([0x0001, 0x0010, 0x0020, 0x0021, 0x0030, 0x0130, 0x0FFF, 0x8001, 0x0101])


@given(
    st.lists(
        st.one_of(
            st.tuples(_tags, st.binary(max_size=70)),
            st.tuples(_tags, _numbers.map(lambda n: struct.pack("<H", n))),
            st.tuples(st.integers(0, 0xFFFF), st.binary(max_size=10)),
        ),
        max_size=10,
    ),
    st.binary(max_size=200),
)
@_PROPERTY
def test_no_command_makes_it_fail(
    node: Node, elements: list[tuple[int, bytes]], dataset: bytes
) -> None:
    command = b"".join(element(tag, value) for tag, value in elements)
    replay(node, data_pdu(3, command) + data_pdu(2, dataset))
    is_well(node)


FIND, MOVE, ACTION = 0x0020, 0x0021, 0x0130
_MODELS = {
    FIND: "1.2.840.10008.5.1.4.1.2.2.1",
    MOVE: "1.2.840.10008.5.1.4.1.2.2.2",
    0x0010: "1.2.840.10008.5.1.4.1.2.2.3",
    ACTION: "1.2.840.10008.1.20.1",
}


@given(
    st.sampled_from(list(_MODELS)),
    st.lists(
        st.one_of(
            st.tuples(
                st.sampled_from([0x00080052, 0x00100020, 0x0020000D, 0x00080018, 0x00081195]),
                st.one_of(st.binary(max_size=20), st.sampled_from([b"STUDY ", b"IMAGE ", b"*"])),
            ),
            st.tuples(st.integers(0, 0xFFFFFFFF), st.binary(max_size=20)),
        ),
        max_size=6,
    ),
    st.booleans(),
)
@_PROPERTY
def test_no_identifier_makes_it_fail(
    node: Node, command: int, keys: list[tuple[int, bytes]], broken: bool
) -> None:
    """Identifiers of unknown, doubled and broken elements for C-FIND, C-MOVE, C-GET, N-ACTION."""
    model = _MODELS[command]
    identifier = b"".join(
        struct.pack("<HHL", tag >> 16, tag & 0xFFFF, len(value) + 50 * broken) + value
        for tag, value in keys
    )
    fields = element(0x0002, model.encode()) + element(0x0100, struct.pack("<H", command))
    fields += element(0x0110, b"\1\0") + element(0x0700, b"\0\0") + element(0x0800, b"\1\0")
    if command == MOVE:
        fields = fields[:-10] + element(0x0600, b"NOBODY") + fields[-10:]
    if command == ACTION:
        fields = element(0x0003, model.encode()) + fields[len(element(0x0002, model.encode())) :]
        fields += element(0x1001, (model + ".1").encode()) + element(0x1008, b"\1\0")
    whole = element(0x0000, struct.pack("<L", len(fields))) + fields
    request = associate_rq(parts=[context_item(1, model, ["1.2.840.10008.1.2"])])
    replay(node, data_pdu(3, whole) + data_pdu(2, identifier), request=request)
    is_well(node)


@pytest.mark.parametrize("length", [(256 << 10) + 13, 1 << 24, (1 << 31) - 1, (1 << 32) - 1])
def test_a_pdu_longer_than_agreed_ends_the_association(node: Node, length: int) -> None:
    with Raw(node.dimse.port) as peer:
        peer.sendall(associate_rq())
        assert peer.pdu()[0] == 2
        peer.sendall(struct.pack(">BxL", 4, length) + bytes(100))
        assert peer.rest()[:1] in (b"\x07", b"")
    is_well(node)


def test_a_pdu_as_long_as_agreed_is_taken(node: Node, body: bytes) -> None:
    uid = samples.instance_uid(1)
    whole = samples.dataset_bytes_of(samples.photograph(1, frame=bytes(600_000)))
    with Raw(node.dimse.port) as peer:
        peer.sendall(associate_rq())
        kind, answer = peer.pdu()
        (agreed,) = struct.unpack(">L", answer[answer.index(b"\x51\0\0\x04") + 4 :][:4])
        assert (kind, agreed) == (2, 256 << 10)
        peer.sendall(data_pdu(3, store_command(uid)))
        room = agreed - 6
        for begin in range(0, len(whole), room):
            last = begin + room >= len(whole)
            peer.sendall(data_pdu(2 if last else 0, whole[begin : begin + room]))
        assert peer.pdu()[0] == 4
    is_well(node)


def test_an_object_larger_than_allowed_is_answered_and_not_kept(node: Node) -> None:
    uid = samples.instance_uid(3)
    with Raw(node.dimse.port) as peer:
        peer.sendall(associate_rq())
        peer.pdu()
        peer.sendall(data_pdu(3, store_command(uid)))
        for _ in range(30):
            peer.sendall(data_pdu(0, bytes(100_000)))
        peer.sendall(data_pdu(2, b""))
        kind, answer = peer.pdu()
    assert kind == 4
    # Status (0000,0900): A700, out of resources (PS3.4 B.2.3).
    at = answer.index(struct.pack("<HHL", 0, 0x0900, 2)) + 8
    assert answer[at : at + 2] == b"\x00\xa7"
    assert not node.archive.has(uid)
    is_well(node)


def test_more_associations_than_allowed_are_rejected_for_now(tmp_path: Path) -> None:
    """PS3.8 9.3.4: transient, presentation provider, local limit exceeded."""
    limits = NodeLimits(associations=3)
    with serving(tmp_path / "archive", limits=limits, web_port=-1) as one:
        open_ones = [Raw(one.dimse.port) for _ in range(3)]
        for peer in open_ones:
            peer.sendall(associate_rq())
            assert peer.pdu()[0] == 2
        with Raw(one.dimse.port) as late:
            late.sendall(associate_rq())
            kind, answer = late.pdu()
        assert (kind, answer[1:4]) == (3, bytes((2, 3, 2)))
        for peer in open_ones:
            peer.close()
        until(lambda: one.dimse.associations() == 0)
        echo(one.dimse.port)


def test_half_open_associations_by_the_hundred_take_no_memory_and_no_turn(tmp_path: Path) -> None:
    words = "[node.limits]\nnegotiation_seconds = 3.0\nconnections = 250\n"
    words += "connections_of_one_address = 200\nassociations = 20\n"
    chance = random.Random(20260304)
    with Served(tmp_path / "archive", words, "--web-port", "-1", "--host", "0.0.0.0") as served:
        process = psutil.Process(served.process.pid)
        echo(served.port)
        before = process.memory_info().rss
        peers = []
        for number in range(400):
            peer = socket.create_connection(("127.0.0.1", served.port), timeout=10)
            with contextlib.suppress(OSError):
                # Nothing, a part of a request, or a whole one that nobody follows up.
                whole = associate_rq()
                peer.sendall(whole[: (0, chance.randrange(len(whole)), len(whole))[number % 3]])
            peers.append(peer)
        began = time.monotonic()
        # Whoever comes from another address is still served.
        other = socket.create_connection(
            ("127.0.0.1", served.port), timeout=10, source_address=("127.0.0.2", 0)
        )
        with Raw(served.port, other) as one:
            one.sendall(associate_rq())
            assert one.pdu()[0] in (2, 3)
        assert time.monotonic() - began < 2
        grown = process.memory_info().rss - before
        print(f"400 half-open associations: {grown / MEGABYTE:.0f} MB")
        assert grown < 60 * MEGABYTE
        for peer in peers:
            peer.close()
        until(lambda: run("echoscu", "-aec", TITLE, "127.0.0.1", served.port).returncode == 0)
        status, log = served.stop()
    assert status == 0
    assert '"failure"' not in log
    assert "Traceback" not in log


def test_slow_writers_hold_nobody_up_and_are_given_up(node: Node, body: bytes) -> None:
    slow = [Raw(node.dimse.port) for _ in range(30)]
    for peer in slow:
        peer.sendall(associate_rq())
        assert peer.pdu()[0] == 2
        peer.sendall(data_pdu(3, store_command(samples.instance_uid(4)))[:-1])
    ending = threading.Event()

    def drip() -> None:
        while not ending.wait(0.3):
            for peer in slow:
                with contextlib.suppress(OSError):
                    peer.sendall(b"\0")

    dripping = threading.Thread(target=drip)
    dripping.start()
    try:
        for _ in range(3):
            began = time.monotonic()
            echo(node.dimse.port)
            assert time.monotonic() - began < 2
        # A PDU that has begun has to be whole within the time limit, however it drips.
        until(lambda: node.dimse.associations() == 0, 15)
    finally:
        ending.set()
        dripping.join()
        for peer in slow:
            peer.close()
    is_well(node)


def test_a_peer_that_takes_no_answers_is_given_up(tmp_path: Path) -> None:
    limits = NodeLimits(network_seconds=1.0)
    with serving(tmp_path / "archive", limits=limits, web_port=-1) as one:
        large = samples.save(samples.photograph(1, frame=bytes(20 << 20)), tmp_path)
        assert (
            run("storescu", "-xy", "-aec", TITLE, "127.0.0.1", one.dimse.port, large).returncode
            == 0
        )
        model = _MODELS[0x0010]
        role = item(
            0x54, struct.pack(">H", len(samples.PHOTOGRAPH)) + samples.PHOTOGRAPH.encode() + b"\0\1"
        )
        parts = [
            context_item(1, model, ["1.2.840.10008.1.2"]),
            context_item(3, samples.PHOTOGRAPH, ["1.2.840.10008.1.2.4.50"]),
        ]
        plain = socket.socket()
        plain.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        plain.settimeout(10)
        plain.connect(("127.0.0.1", one.dimse.port))
        with Raw(one.dimse.port, plain) as peer:
            peer.sendall(associate_rq(parts=parts, user=role))
            assert peer.pdu()[0] == 2
            fields = element(0x0002, model.encode()) + element(0x0100, b"\x10\0")
            fields += element(0x0110, b"\1\0") + element(0x0700, b"\0\0") + element(0x0800, b"\1\0")
            whole = element(0x0000, struct.pack("<L", len(fields))) + fields
            uid = samples.study_uid(1).encode()
            keys = struct.pack("<HHL", 8, 0x52, 6) + b"STUDY "
            uid += b"\0" * (len(uid) % 2)
            keys += struct.pack("<HHL", 0x20, 0x0D, len(uid)) + uid
            peer.sendall(data_pdu(3, whole) + data_pdu(2, keys))
            until(lambda: one.dimse.associations() == 0, 20)
        is_well(one)
