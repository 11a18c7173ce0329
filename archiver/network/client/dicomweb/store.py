"""Storing by STOW-RS (PS3.18 10.5), and seeing what became of it.

DICOMweb as archives have it knows no storage commitment. So what was stored is fetched again and
compared with what was sent: only where it comes back the same does it count as kept.
"""

from __future__ import annotations

import tempfile
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from io import BytesIO
from itertools import chain
from pathlib import Path
from typing import BinaryIO

from pydicom import Dataset
from pydicom.uid import UID

from archiver.errors import ArchiverError, NetworkError, ObjectError, Problem, RefusedForGood
from archiver.network.client.dicomweb.connection import (
    WebLink,
    fetch,
    open_web_link,
    refuse,
    translated_errors,
)
from archiver.network.client.store_answers import Results
from archiver.network.multipart import MultipartWriter
from archiver.network.node.incoming_file import file_head
from archiver.network.outgoing_object import OutgoingObject, Result, Sent, read_parcel
from archiver.network.peers import WebPeer
from archiver.network.presentation_contexts import EXPLICIT
from archiver.network.recoding import recoded
from archiver.network.statuses import Category, Service, status_of
from archiver.objects import open_dataset, text

_CHUNK = 1 << 18
#: Failed requests in a row, after which the peer is left alone.
_LOSSES = 3
#: HTTP status, and Failure Reason (PS3.18 I.2.2), of an object in a form that is not taken.
_UNSUPPORTED_TYPE = 415
_UNSUPPORTED_SYNTAX = 0xC122


def send(peer: WebPeer, parcels: Sequence[OutgoingObject]) -> Iterator[Result]:
    """Send objects, one to a request, each result as it comes.

    As many connections are used at once as the peer allows. A request that fails costs the
    object in hand, which gets an error; where several in a row fail, so do the others.

    Yields
    ------
    tuple
        The object, and the peer's answer or why there is none.
    """
    for batch in send_noting(peer, parcels):
        yield from batch


def send_noting(peer: WebPeer, parcels: Sequence[OutgoingObject]) -> Iterator[list[Result]]:
    """Send objects; answers that come while the last ones are noted are given together."""
    waiting = deque(parcels)
    results = Results()

    for _ in range(min(peer.connections, len(parcels))):
        results.start(lambda: _work(peer, waiting, results.put, results.stop))
    came = 0
    try:
        while came < len(parcels):
            batch = results.batch()
            came += len(batch)
            yield batch
    finally:
        results.close()


def _work(
    peer: WebPeer,
    waiting: deque[OutgoingObject],
    report: Callable[[Result], None],
    stop: threading.Event,
) -> None:
    """Take objects from those that wait and send them over one session."""
    losses = 0
    given_up: ArchiverError | None = None
    with open_web_link(peer) as link:
        while not stop.is_set():
            try:
                parcel = waiting.popleft()
            except IndexError:
                return
            if given_up is not None:
                report((parcel, given_up))
                continue
            try:
                report((parcel, _store(link, parcel)))
                losses = 0
            except (RefusedForGood, ObjectError) as error:
                report((parcel, error))
            except NetworkError as error:
                losses += 1
                given_up = error if losses >= _LOSSES else None
                report((parcel, error))


def _octets(size: int, opened: Callable[[], BinaryIO]) -> Iterator[bytes]:
    """Yield an object while it is sent, not more than was promised."""
    left = size
    with opened() as file:
        while left and (chunk := file.read(min(left, _CHUNK))):
            left -= len(chunk)
            yield chunk


def _store(link: WebLink, parcel: OutgoingObject) -> Sent:
    """Store an object as it is; decoded, where the peer refuses it for its transfer syntax."""
    try:
        size = parcel.path.stat().st_size
        parcel.path.open("rb").close()
    except OSError as error:
        said = (error.strerror or str(error)).lower()
        problem = Problem("network.outgoing.unreadable", reason=said)
        raise ObjectError(problem.at(file=str(parcel.path))) from None
    code, said_of_it = _posted(link, size, lambda: parcel.path.open("rb"))
    sent = None
    if code != _UNSUPPORTED_TYPE:
        sent = _sent(link, parcel, parcel.transfer_syntax, said_of_it, code)
        if sent.status.code != _UNSUPPORTED_SYNTAX:
            return sent
    if UID(parcel.transfer_syntax).is_compressed:
        copy = _decoded_file(parcel, EXPLICIT)
        code, said_of_it = _posted(link, len(copy), lambda: BytesIO(copy))
        if code != _UNSUPPORTED_TYPE:
            return _sent(link, parcel, EXPLICIT, said_of_it, code)
    if sent is not None:
        return sent
    kind, way = UID(parcel.sop_class).name, UID(parcel.transfer_syntax).name
    problem = Problem("network.dicomweb.not_taken", kind=kind, way=way, status=_UNSUPPORTED_TYPE)
    raise RefusedForGood(problem.at(peer=link.peer.place))


def _decoded_file(parcel: OutgoingObject, syntax: str) -> bytes:
    meta = file_head(parcel.sop_class, parcel.sop_instance, syntax)
    return meta + recoded(parcel.path, syntax)


def _posted(link: WebLink, size: int, opened: Callable[[], BinaryIO]) -> tuple[int, Dataset]:
    """Send a body; return the status of the answer and what it says of the instances."""
    writer = MultipartWriter("application/dicom")
    frame = len(b"".join(writer.part("application/dicom", iter(())))) + len(writer.end())
    headers = {
        "Content-Type": writer.content_type,
        "Content-Length": str(frame + size),
        "Accept": "application/dicom+json",
    }
    body = chain(writer.part("application/dicom", _octets(size, opened)), (writer.end(),))
    with translated_errors(link.peer):
        response = link.client.post(f"{link.peer.url}/studies", content=body, headers=headers)
        code = response.status_code
        if code == _UNSUPPORTED_TYPE:
            return code, Dataset()
        # 200, 202 and 409 tell of each instance (PS3.18 10.5.3).
        if code not in (200, 202, 409):
            if code >= 400:
                refuse(link.peer, response)
            problem = Problem("network.dicomweb.strange_answer", status=code)
            raise NetworkError(problem.at(peer=link.peer.place))
        return code, Dataset.from_json(response.json()) if response.content else Dataset()


def _sent(link: WebLink, parcel: OutgoingObject, syntax: str, said: Dataset, code: int) -> Sent:
    """Read what the answer says of this instance (PS3.18 Annex I.2)."""
    for item in said.get("FailedSOPSequence") or ():
        if item.get("ReferencedSOPInstanceUID") in (None, "", parcel.sop_instance):
            status = status_of(Service.STORE, int(item.get("FailureReason") or 0xC000))
            if status.category is not Category.FAILURE:
                status = status_of(Service.STORE, 0xC000)
            return Sent(status, syntax, syntax != parcel.transfer_syntax)
    for item in said.get("ReferencedSOPSequence") or ():
        if item.get("ReferencedSOPInstanceUID") == parcel.sop_instance:
            status = status_of(Service.STORE, int(item.get("WarningReason") or 0))
            return Sent(status, syntax, syntax != parcel.transfer_syntax)
    problem = Problem("network.dicomweb.nothing_said", status=code)
    raise NetworkError(problem.at(peer=link.peer.place))


def is_kept(link: WebLink, parcel: OutgoingObject, syntax: str) -> bool:
    """Fetch an object that was stored, and return whether it is the one that was sent.

    The data sets are compared byte for byte; where the peer encodes anew, element by element,
    pixels included.

    Parameters
    ----------
    link
        The session.
    parcel
        The object as it is kept here.
    syntax
        Transfer syntax in which it was sent.

    Raises
    ------
    NetworkError
        If the peer cannot be reached, or does not give it.
    ObjectError
        If our own file cannot be read.
    """
    study, series = _place_of(parcel.path)
    with tempfile.TemporaryDirectory(prefix="archiver-") as folder:
        path, sent = Path(folder) / "back.dcm", parcel
        try:
            if syntax != parcel.transfer_syntax:
                copy = Path(folder) / "sent.dcm"
                copy.write_bytes(_decoded_file(parcel, syntax))
                sent = read_parcel(copy)
            fetch(link, study, series, parcel.sop_instance, path)
        except OSError as error:
            said = (error.strerror or str(error)).lower()
            problem = Problem("network.dicomweb.nothing_written", reason=said)
            raise ObjectError(problem.at(file=folder)) from None
        try:
            back = read_parcel(path)
        except ObjectError:
            return False
        if back.transfer_syntax != syntax:
            return False
        return _same_bytes(sent, back) or _same_elements(sent.path, path)


def _place_of(path: Path) -> tuple[str, str]:
    header = open_dataset(path, tags=["StudyInstanceUID", "SeriesInstanceUID"])
    return text(header, "StudyInstanceUID"), text(header, "SeriesInstanceUID")


def _same_bytes(one: OutgoingObject, other: OutgoingObject) -> bool:
    def rest(parcel: OutgoingObject) -> int:
        return parcel.path.stat().st_size - parcel.offset

    if rest(one) != rest(other):
        return False
    with one.path.open("rb") as first, other.path.open("rb") as second:
        first.seek(one.offset)
        second.seek(other.offset)
        return all(a == b for a, b in zip(_chunks(first), _chunks(second), strict=True))


def _chunks(file: BinaryIO) -> Iterator[bytes]:
    while chunk := file.read(_CHUNK):
        yield chunk


def _same_elements(one: Path, other: Path) -> bool:
    try:
        first, second = open_dataset(one, pixels=True), open_dataset(other, pixels=True)
        # Of a data set that is not read yet, only its elements count.
        return bool(Dataset(first) == Dataset(second))
    except Exception:  # what cannot be read cannot be told to be the same
        return False
