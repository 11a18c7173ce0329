"""PDUs and messages made by hand, and a peer that sends whatever bytes it is given."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterable

from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, run


def pdu(kind: int, body: bytes) -> bytes:
    return struct.pack(">BxL", kind, len(body)) + body


def item(kind: int, value: bytes) -> bytes:
    return struct.pack(">BxH", kind, len(value)) + value


def context_item(number: int, abstract: str, syntaxes: Iterable[str]) -> bytes:
    """A presentation context of a request (PS3.8 9.3.2.2)."""
    body = bytes((number, 0, 0, 0)) + item(0x30, abstract.encode())
    return item(0x20, body + b"".join(item(0x40, one.encode()) for one in syntaxes))


def associate_rq(
    called: bytes | str = TITLE,
    calling: bytes = b"RAWPEER".ljust(16),
    parts: Iterable[bytes] | None = None,
    user: bytes = b"",
) -> bytes:
    """An A-ASSOCIATE-RQ (PS3.8 9.3.2), with one context for photographs in JPEG Baseline."""
    if isinstance(called, str):
        called = called.ljust(16).encode()
    if parts is None:
        parts = [context_item(1, samples.PHOTOGRAPH, ["1.2.840.10008.1.2.4.50"])]
    about = item(0x51, struct.pack(">L", 16384)) + item(0x52, b"1.2.3.4") + user
    body = struct.pack(">H2x", 1) + called + calling + bytes(32)
    body += item(0x10, b"1.2.840.10008.3.1.1.1") + b"".join(parts) + item(0x50, about)
    return pdu(1, body)


def data_pdu(control: int, value: bytes, context: int = 1) -> bytes:
    """A P-DATA-TF PDU with one value (PS3.8 9.3.5)."""
    return pdu(4, struct.pack(">LBB", len(value) + 2, context, control) + value)


def element(tag: int, value: bytes) -> bytes:
    """An element of a command set, in Implicit VR Little Endian (PS3.7 6.3.1)."""
    value += b"\0" * (len(value) % 2)
    return struct.pack("<HHL", 0, tag, len(value)) + value


def store_command(uid: str) -> bytes:
    """A C-STORE-RQ command set (PS3.7 9.3.1.1)."""
    body = element(0x0002, samples.PHOTOGRAPH.encode()) + element(0x0100, b"\x01\x00")
    body += element(0x0110, b"\x01\x00") + element(0x0700, b"\0\0") + element(0x0800, b"\0\0")
    body += element(0x1000, uid.encode())
    return element(0x0000, struct.pack("<L", len(body))) + body


class Raw:
    """A connection to a node."""

    def __init__(self, port: int, connection: socket.socket | None = None) -> None:
        self._peer = connection or socket.create_connection(("127.0.0.1", port), timeout=10)

    def sendall(self, data: bytes) -> None:
        self._peer.sendall(data)

    def shutdown(self) -> None:
        self._peer.shutdown(socket.SHUT_WR)

    def exactly(self, count: int) -> bytes:
        found = b""
        while len(found) < count:
            piece = self._peer.recv(count - len(found))
            assert piece, "closed"
            found += piece
        return found

    def pdu(self) -> tuple[int, bytes]:
        """The next PDU: its type and what stands behind its length."""
        kind, length = struct.unpack(">BxL", self.exactly(6))
        return kind, self.exactly(length)

    def rest(self) -> bytes:
        """All that still comes until the node closes."""
        found = b""
        with contextlib.suppress(ConnectionError):
            while piece := self._peer.recv(65536):
                found += piece
        return found

    def close(self) -> None:
        self._peer.close()

    def __enter__(self) -> Raw:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def echo(port: int) -> None:
    """Fail where the node does not answer DCMTK's echoscu."""
    result = run("echoscu", "-aec", TITLE, "127.0.0.1", port, timeout=10)
    assert result.returncode == 0, result.stdout


def until(holds: Callable[[], bool], seconds: float = 10) -> None:
    """Wait for what another thread of the node does a moment later."""
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end
        threading.Event().wait(0.01)
