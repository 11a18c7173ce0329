"""One address never takes all that there is, and what it has used comes back in a minute."""

from __future__ import annotations

import socket
import struct
import threading
from pathlib import Path

import pytest
from prometheus_client import CollectorRegistry
from pynetdicom import AE

from archiver.network.node.guests import BODY, JOURNAL, SECONDS, Guests, TooMany
from archiver.network.node.settings import NodeLimits
from tests.network import node_samples as samples
from tests.network.bomb_watch import BYSTANDER, exchange
from tests.network.bombs import DICOM, Request, multipart
from tests.network.node_raw import Raw, associate_rq
from tests.network.node_serving import TITLE, serving

_ECHO = "1.2.840.10008.1.1"


def test_places_are_counted_by_guest_and_given_back() -> None:
    guests = Guests(NodeLimits(bodies=3, bodies_of_one_address=2), CollectorRegistry())
    with guests.holding(BODY, "a"), guests.holding(BODY, "a"):
        with pytest.raises(TooMany) as own, guests.holding(BODY, "a"):
            pass
        assert own.value.own
        with guests.holding(BODY, "b"):
            with pytest.raises(TooMany) as full, guests.holding(BODY, "c"):
                pass
            assert not full.value.own
    with guests.holding(BODY, "a"):
        pass


def test_what_was_used_comes_back_within_a_minute() -> None:
    now = [0.0]
    guests = Guests(NodeLimits(processor_seconds=60), CollectorRegistry(), lambda: now[0])
    guests.use(SECONDS, "a", 61)
    assert guests.exhausted("a") == SECONDS
    assert guests.exhausted("b") == ""
    now[0] = 2.0
    assert guests.exhausted("a") == ""
    guests.use(JOURNAL, "a", 1 << 30)
    assert guests.exhausted("a") == JOURNAL


def test_guests_that_come_once_are_forgotten() -> None:
    guests = Guests(NodeLimits(), CollectorRegistry(), lambda: 0.0)
    guests.use(SECONDS, "greedy", 1e6)
    for number in range(10_000):
        guests.use(SECONDS, f"guest {number}", 1)
    assert len(guests._used) <= 4096
    assert guests.exhausted("greedy")


def entity() -> AE:
    made = AE("CALLER")
    made.add_requested_context(_ECHO)
    return made


def test_one_address_never_holds_all_associations(tmp_path: Path) -> None:
    limits = NodeLimits(associations=3, associations_of_one_address=2)
    with serving(tmp_path / "archive", limits=limits) as node:
        port = node.dimse.port
        held = [entity().associate("127.0.0.1", port, ae_title=TITLE) for _ in range(2)]
        assert all(one.is_established for one in held)
        refused = Raw(port)
        refused.sendall(associate_rq())
        # PS3.8 9.3.4: A-ASSOCIATE-RJ, transient, by the presentation service, local limit exceeded.
        assert refused.pdu() == (3, bytes((0, 2, 3, 2)))
        refused.close()
        other = entity().associate("127.0.0.1", port, ae_title=TITLE, bind_address=(BYSTANDER, 0))
        assert other.send_c_echo().Status == 0
        assert b'archiver_guests_refused_total{what="associations"} 1.0' in node.figures.page()
        for one in (*held, other):
            one.release()
        for _ in range(100):
            again = entity().associate("127.0.0.1", port, ae_title=TITLE)
            if again.is_established:
                break
            threading.Event().wait(0.05)
        assert again.send_c_echo().Status == 0
        again.release()


def test_one_address_never_holds_all_bodies(tmp_path: Path) -> None:
    limits = NodeLimits(bodies=3, bodies_of_one_address=2)
    whole = multipart([(DICOM, "", samples.file_bytes(samples.photograph(1)))], DICOM)
    held = multipart([(DICOM, "", b"x")], DICOM, open_end=True)
    with serving(tmp_path / "archive", limits=limits) as node:
        assert node.web is not None
        kept: list[socket.socket] = []
        for _ in range(2):
            assert exchange(node.web.port, held, keep=kept) == 0
        assert exchange(node.web.port, whole) == 429
        assert exchange(node.web.port, Request("GET", "/studies")) == 204
        assert exchange(node.web.port, whole, source=BYSTANDER) == 200
        for one in kept:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            one.close()
