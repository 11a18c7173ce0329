"""How soon the node answers for one patient's photographs in an archive of 100,000 instances.

With ``--brief`` there are 20,000.

Run: ``python -m tests.benchmarks.bench_node_query [--brief] [--check]``. The node is a process of
its own; it is asked over one open association and one open connection, from a peer that costs
next to nothing. Told are medians and the slowest of many patients; the median has to keep the
limit, as a machine that does other things meanwhile makes single answers late.
"""

from __future__ import annotations

import http.client
import statistics
import struct
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import psutil

from archiver.archive.store.archive import Archive
from archiver.archive.store.index import Index
from archiver.archive.store.layout import Layout
from archiver.archive.store.sqlite import writing_engine
from tests.benchmarks.bench_query import INSTANCES, PATIENTS, fill, made_up
from tests.network.node_raw import Raw, associate_rq, context_item, data_pdu, element
from tests.network.node_serving import Served

LIMIT = 0.030  # seconds
MODEL = "1.2.840.10008.5.1.4.1.2.2.1"
_IMPLICIT = "1.2.840.10008.1.2"
_PENDING = (0xFF00, 0xFF01)


def archive_of(folder: Path) -> Path:
    """An archive whose index knows made-up instances; their files are not there."""
    layout = Layout(folder / "archive")
    Archive.open(layout.root).close()
    index = Index(writing_engine(layout.index), layout.index)
    end = index.position()
    fill(index, made_up(INSTANCES))
    index.add([], end)
    index.close()
    return layout.root


def key(tag: int, value: str) -> bytes:
    data = value.encode() + b" " * (len(value) % 2)
    return struct.pack("<HHL", tag >> 16, tag & 0xFFFF, len(data)) + data


def find_command(message: int) -> bytes:
    """A C-FIND-RQ command set (PS3.7 9.3.2.1)."""
    body = element(0x0002, MODEL.encode()) + element(0x0100, b"\x20\0")
    body += element(0x0110, struct.pack("<H", message)) + element(0x0700, b"\0\0")
    body += element(0x0800, b"\1\0")
    return element(0x0000, struct.pack("<L", len(body))) + body


def values(peer: Raw) -> Iterator[tuple[int, bytes]]:
    """The control byte and the bytes of each value that comes."""
    while True:
        _, body = peer.pdu()
        place = 0
        while place < len(body):
            (length,) = struct.unpack_from(">L", body, place)
            yield body[place + 5], body[place + 6 : place + 4 + length]
            place += 4 + length


def ask(peer: Raw, message: int, identifier: bytes) -> tuple[float, list[bytes]]:
    """Ask on an open association; return seconds until the last answer, and the answers."""
    began = time.perf_counter()
    peer.sendall(data_pdu(3, find_command(message)) + data_pdu(2, identifier))
    found = []
    for control, value in values(peer):
        if not control & 1:
            found.append(value)
            continue
        at = value.index(struct.pack("<HHL", 0, 0x0900, 2)) + 8
        (status,) = struct.unpack_from("<H", value, at)
        if status not in _PENDING:
            assert status == 0
            return time.perf_counter() - began, found
    raise AssertionError


def dimse(port: int, patients: list[int]) -> dict[str, list[float]]:
    """Ask for the studies with photographs of each patient, and for the photographs of one."""
    studies, images = [], []
    with Raw(port) as peer:
        peer.sendall(associate_rq(parts=[context_item(1, MODEL, [_IMPLICIT])]))
        assert peer.pdu()[0] == 2
        for message, patient in enumerate(patients, start=1):
            identifier = key(0x00080052, "STUDY") + key(0x00080061, "XC")
            identifier += key(0x00100020, f"P-{patient:05}") + key(0x0020000D, "")
            seconds, found = ask(peer, 2 * message, identifier)
            assert len(found) >= 4
            studies.append(seconds)
            uid = uid_in(found[0])
            identifier = key(0x00080018, "") + key(0x00080052, "IMAGE")
            identifier += key(0x0020000D, uid) + key(0x0020000E, f"2.25.2.{uid[7:]}.1")
            seconds, found = ask(peer, 2 * message + 1, identifier)
            assert found
            images.append(seconds)
    return {"C-FIND, studies of a patient": studies, "C-FIND, photographs of a study": images}


def uid_in(answer: bytes) -> str:
    at = answer.index(struct.pack("<HH", 0x20, 0x0D))
    (length,) = struct.unpack_from("<L", answer, at + 4)
    return answer[at + 8 : at + 8 + length].decode().strip(" \0")


def web(base: str, patients: list[int]) -> dict[str, list[float]]:
    """Ask for all photographs of each patient by QIDO-RS, over one connection."""
    taken = []
    connection = http.client.HTTPConnection(base.removeprefix("http://"))
    for patient in [0, *patients]:
        began = time.perf_counter()
        connection.request("GET", f"/dicomweb/instances?PatientID=P-{patient:05}&Modality=XC")
        found = connection.getresponse().read()
        taken.append(time.perf_counter() - began)
        assert found.count(b'"00080018"') > 20
    connection.close()
    # The first request opens the connection.
    return {"QIDO-RS, photographs of a patient": taken[1:]}


def main() -> int:
    """Measure, print, and with ``--check`` fail where the limit is passed."""
    patients = list(range(0, PATIENTS, 250 if "--brief" in sys.argv else 25))
    passed = False
    with tempfile.TemporaryDirectory() as folder:
        root = archive_of(Path(folder))
        with Served(root) as served:
            process = psutil.Process(served.process.pid)
            times = {**dimse(served.port, patients), **web(served.web, patients)}
            spent = process.cpu_times()
            for name, taken in times.items():
                median, slowest = statistics.median(taken) * 1e3, max(taken) * 1e3
                passed |= median > LIMIT * 1e3
                print(f"{name:36} median {median:5.1f} ms, slowest {slowest:5.1f} ms")
            print(f"the node's processor time, with its start: {spent.user + spent.system:.1f} s")
            served.stop()
    return int(passed and "--check" in sys.argv)


if __name__ == "__main__":
    sys.exit(main())
