"""Sessions of DIMSE drawn by a seed: well-formed ones, and what spoils them."""

from __future__ import annotations

import contextlib
import random
import socket
import struct
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

from tests.network import node_samples as samples
from tests.network.node_raw import associate_rq, context_item, data_pdu, element, pdu

_NAMES = {2: "accept", 3: "reject", 4: "data", 6: "release", 7: "abort"}
#: A session that is not over after so many seconds hangs.
PATIENCE = 20.0
#: How long a peer that waits for more is kept waiting (seconds).
_PAUSE = 0.1
_IMPLICIT, _JPEG = "1.2.840.10008.1.2", "1.2.840.10008.1.2.4.50"
_QUERY = "1.2.840.10008.5.1.4.1.2"
_COMMITMENT = "1.2.840.10008.1.20.1"
#: SOP classes and the Command Fields (PS3.7 E.1) that are sent to them.
_SERVICES: tuple[tuple[str, str, int], ...] = (
    ("1.2.840.10008.1.1", _IMPLICIT, 0x0030),
    (samples.PHOTOGRAPH, _JPEG, 0x0001),
    *((f"{_QUERY}.{root}.1", _IMPLICIT, 0x0020) for root in (1, 2)),
    *((f"{_QUERY}.{root}.2", _IMPLICIT, 0x0021) for root in (1, 2)),
    *((f"{_QUERY}.{root}.3", _IMPLICIT, 0x0010) for root in (1, 2)),
    ("1.2.840.10008.5.1.4.31", _IMPLICIT, 0x0020),
    (_COMMITMENT, _IMPLICIT, 0x0130),
    (_COMMITMENT, _IMPLICIT, 0x0100),
)
_OTHERS = (0x0FFF, 0x0110, 0x0120, 0x0140, 0x0150, 0x8001, 0x8020, 0x0000, 0xFFFF)
_KEYS = (0x00080052, 0x00100010, 0x00100020, 0x0020000D, 0x0020000E, 0x00080018, 0x00080020)
_VALUES = (b"STUDY ", b"PATIENT ", b"IMAGE ", b"SERIES", b"*", b"?\\*", b"20260101-", b"", b"\0")
_DATASET = samples.dataset_bytes_of(samples.photograph(1))


class Sessions:
    """Draws one session after the other.

    Parameters
    ----------
    seed
        The same gives the same sessions.
    """

    def __init__(self, seed: int) -> None:
        self._r = random.Random(seed)

    def draw(self) -> tuple[bytes, bytes]:
        """Return what a peer sends in one session: first, and once that is answered."""
        r = self._r
        services = r.sample(_SERVICES, r.randint(1, 4))
        contexts = [context_item(2 * n + 1, s, [t]) for n, (s, t, _) in enumerate(services)]
        first, parts = associate_rq(parts=contexts), list[bytes]()
        for _ in range(r.choice((1, 1, 1, 2, 5))):
            number = r.randrange(len(services))
            parts += self._message(services[number], 2 * number + 1)
        parts.append(r.choice((pdu(5, bytes(4)), pdu(7, bytes(4)), b"")))
        if r.random() < 0.7:
            self._spoil(parts)
        if r.random() < 0.1:
            first = self._altered(first)
        rest = b"".join(parts)
        return first, self._altered(rest) if rest and r.random() < 0.3 else rest

    def _altered(self, data: bytes) -> bytes:
        """Change some bytes."""
        r, changed = self._r, bytearray(data)
        for _ in range(r.choice((1, 2, 8, 64))):
            changed[r.randrange(len(data))] = r.choice((0, 0xFF, r.randrange(256)))
        return bytes(changed)

    def _message(self, service: tuple[str, str, int], context: int) -> list[bytes]:
        r = self._r
        sop_class, _, field_ = service
        command = r.choice(_OTHERS) if r.random() < 0.1 else field_
        uid = samples.instance_uid(r.randint(1, 3)).encode()
        has_data = command not in (0x0030, 0x0FFF)
        fields = [
            (0x0002, sop_class.encode()),
            (0x0100, struct.pack("<H", command)),
            (0x0110, struct.pack("<H", r.randrange(65536))),
            (0x0700, b"\0\0"),
            (0x0800, b"\1\0" if has_data else b"\1\1"),
        ]
        if command == 0x0021:
            fields.insert(3, (0x0600, r.choice((b"NOBODY", b"TESTNODE", bytes(16)))))
        if command in (0x0001, 0x0100):
            fields.append((0x1000, uid))
        if command == 0x0130:
            fields[0] = (0x0003, sop_class.encode())
            fields += [(0x1001, f"{_COMMITMENT}.1".encode()), (0x1008, b"\1\0")]
        if r.random() < 0.2:
            self._spoil(fields)
        body = b"".join(element(tag, value) for tag, value in fields)
        whole = element(0x0000, struct.pack("<L", len(body))) + body
        sent = [data_pdu(3, whole, context)]
        if has_data:
            data = _DATASET if command == 0x0001 else self._identifier()
            cuts = sorted(r.randrange(len(data) + 1) for _ in range(r.choice((0, 0, 1, 4))))
            pieces = [data[a:b] for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True)]
            sent += [data_pdu(0, one, context) for one in pieces[:-1]]
            sent.append(data_pdu(2, pieces[-1], context))
        return sent

    def _identifier(self) -> bytes:
        r = self._r
        told = b""
        for _ in range(r.randint(0, 6)):
            tag = r.choice(_KEYS) if r.random() < 0.9 else r.randrange(1 << 32)
            value = r.choice(_VALUES)
            if r.random() < 0.2:
                value = samples.study_uid(1).encode()
            value += b" " * (len(value) % 2)
            length = len(value) if r.random() < 0.9 else r.choice((0xFFFFFFFF, 1 << 31, 7))
            told += struct.pack("<HHL", tag >> 16, tag & 0xFFFF, length) + value
        return told

    def _spoil(self, parts: list) -> None:  # type: ignore[type-arg]
        """Leave out, double, swap or cut what is sent, or put in what nobody asked for."""
        r = self._r
        place = r.randrange(len(parts))
        what = r.randrange(6)
        if what == 0:
            del parts[place]
        elif what == 1:
            parts.insert(place, parts[place])
        elif what == 2:
            other = r.randrange(len(parts))
            parts[place], parts[other] = parts[other], parts[place]
        elif isinstance(parts[place], bytes) and what == 3:
            parts[place] = parts[place][: r.randrange(len(parts[place]) + 1)]
        elif isinstance(parts[place], bytes):
            length = r.choice((0, 1, 1 << 16, (1 << 32) - 1, r.randrange(200)))
            body = r.randbytes(r.randrange(200))
            parts.insert(place, struct.pack(">BxL", r.randrange(9), length) + body)


@dataclass
class Fuzzed:
    """What came of many sessions.

    Parameters
    ----------
    sessions
        How many.
    answered
        By the types of PDUs that they were answered with.
    hung
        Numbers of those that the node did not end.
    longest
        Seconds that the longest took.
    """

    sessions: int = 0
    answered: Counter[str] = field(default_factory=Counter)
    hung: list[int] = field(default_factory=list)
    longest: float = 0.0


def fuzz(port: int, seed: int, count: int, *, at_once: int = 16) -> Fuzzed:
    """Send sessions to a node, several at once, each to its end."""
    drawn, told, guard = Sessions(seed), Fuzzed(), threading.Lock()

    def send(number: int, data: tuple[bytes, bytes]) -> None:
        began = time.monotonic()
        try:
            first = _answered(port, *data)
        except TimeoutError:
            first = "hung"
        with guard:
            told.sessions += 1
            told.answered[first] += 1
            told.longest = max(told.longest, time.monotonic() - began)
            if first == "hung":
                told.hung.append(number)

    _each(((send, number, drawn.draw()) for number in range(count)), at_once)
    return told


def _each(
    work: Iterable[tuple[Callable[..., None], int, tuple[bytes, bytes]]], at_once: int
) -> None:
    """Do all, and keep no more in memory than are under way."""
    places = threading.Semaphore(2 * at_once)
    with ThreadPoolExecutor(at_once) as pool:
        under_way = []
        for do, number, data in work:
            places.acquire()
            under_way.append(pool.submit(do, number, data))
            under_way[-1].add_done_callback(lambda _: places.release())
        for one in under_way:
            one.result()


def _answered(port: int, first: bytes, rest: bytes) -> str:
    """Send bytes, leave, and read to the end; return the types of PDUs of the answer."""
    with socket.create_connection(("127.0.0.1", port), PATIENCE) as peer:
        peer.settimeout(PATIENCE)
        got = b""
        try:
            peer.sendall(first)
            got = peer.recv(65536)
            peer.sendall(rest)
            peer.settimeout(_PAUSE)
            with contextlib.suppress(TimeoutError):
                while piece := peer.recv(65536):
                    got += piece
            peer.settimeout(PATIENCE)
            peer.shutdown(socket.SHUT_WR)
            while piece := peer.recv(65536):
                got += piece
        except TimeoutError:
            raise
        except OSError:  # the node has closed before
            pass
    kinds = " ".join(dict.fromkeys(_NAMES.get(kind, "?") for kind in _kinds(got)))
    return kinds or "closed"


def _kinds(data: bytes) -> Iterator[int]:
    place = 0
    while place + 6 <= len(data):
        kind, length = struct.unpack_from(">BxL", data, place)
        yield kind
        place += 6 + length
