"""Sending objects (PS3.4 Annex B): as they are where the peer takes them, else decoded.

The data set goes from the file to the socket as it is, byte for byte. On a plain connection the
PDUs are laid out here, many to a write; pynetdicom's own way, one PDU at a time through a queue,
takes nearly twice as long. On a TLS connection that way is used, because reading and writing a
TLS socket from two threads at once is not safe.
"""

from __future__ import annotations

import socket
import ssl
import struct
import time
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from io import BytesIO
from typing import BinaryIO

from pydicom.uid import UID
from pynetdicom.dimse_messages import C_STORE_RQ
from pynetdicom.dimse_primitives import C_STORE
from pynetdicom.dsutils import encode

from archiver.errors import ArchiverError, NetworkError, ObjectError, Problem, RefusedForGood
from archiver.network.client.dimse.link import Link, connect, open_link
from archiver.network.client.store_answers import Results
from archiver.network.outgoing_object import OutgoingObject, Result, Sent
from archiver.network.peers import DimsePeer
from archiver.network.presentation_contexts import UNCOMPRESSED, Need, contexts_for, grouped
from archiver.network.pynetdicom_internals import restart_idle_timer, undisturbed
from archiver.network.recoding import recoded
from archiver.network.statuses import DimseStatus, Service, status_of
from archiver.wording import Text

#: Bytes that go to the socket at once, and the longest PDU where the peer sets no limit.
_AT_ONCE = 1 << 18
_LONGEST_PDU = 1 << 17
#: Bytes of a P-DATA-TF PDU that are no data, and those that its length counts (PS3.8 9.3.5).
_HEAD = 12
_COUNTED = 6
_COMMAND, _LAST = 1, 2
_MEDIUM = 0
#: Losses of the association in a row, after which the peer is left alone.
_LOSSES = 3
#: More associations are opened where sending goes on for longer (seconds), and how long is waited
#: for a peer to accept one more.
_WORTH_MORE, _PATIENCE_FOR_MORE = 0.5, 1.0


def send(peer: DimsePeer, parcels: Sequence[OutgoingObject]) -> Iterator[Result]:
    """Send objects, each result as it comes.

    An association is used for as many objects as it lasts. Where they take their time, more are
    opened beside it, as many as the settings allow and the peer accepts. An association that is
    lost costs the object in hand, which gets an error; the others go on a new one.

    Yields
    ------
    tuple
        The object, and the peer's answer or why there is none.
    """
    for batch in send_noting(peer, parcels):
        yield from batch


def send_noting(peer: DimsePeer, parcels: Sequence[OutgoingObject]) -> Iterator[list[Result]]:
    """Send objects; answers that come while the last ones are noted are given together."""
    for group in grouped([(parcel.need, parcel) for parcel in parcels]):
        yield from _send_group(peer, group)


def _send_group(peer: DimsePeer, parcels: list[OutgoingObject]) -> Iterator[list[Result]]:
    waiting = deque(parcels)
    results = Results()
    needs = [parcel.need for parcel in parcels]

    began = time.monotonic()
    results.start(lambda: _work(peer, needs, waiting, results))
    came = 0
    try:
        while came < len(parcels):
            batch = results.batch()
            left = (time.monotonic() - began) / len(batch) * (len(parcels) - 1)
            if came == 0 and left > _WORTH_MORE and isinstance(batch[0][1], Sent):
                _more(peer, needs, waiting, results, peer.associations - 1)
            came += len(batch)
            yield batch
    finally:
        results.close()


def _work(
    peer: DimsePeer,
    needs: list[Need],
    waiting: deque[OutgoingObject],
    results: Results,
) -> None:
    """Take objects from those that wait and send them, on one association after the other."""
    link: Link | None = None
    losses = 0
    given_up: ArchiverError | None = None
    try:
        while not results.stop.is_set():
            try:
                parcel = waiting.popleft()
            except IndexError:
                break
            if given_up is not None:
                results.put((parcel, given_up))
                continue
            try:
                if link is None or not link.is_open:
                    link = connect(peer, contexts_for(needs))
                results.put((parcel, send_one(link, parcel)))
                losses = 0
            except (RefusedForGood, ObjectError) as error:
                results.put((parcel, error))
            except ArchiverError as error:
                losses += 1
                given_up = error if link is None or losses >= _LOSSES else None
                results.put((parcel, error))
    finally:
        if link is not None:
            link.close()


def _more(
    peer: DimsePeer, needs: list[Need], waiting: deque[OutgoingObject], results: Results, left: int
) -> None:
    """Open as many more associations as are left to open, each once the one before it stands.

    A peer that counts those that ask for one among those it has would refuse two that ask
    together where it has room for one.
    """
    if left > 0:
        results.start(lambda: _help(peer, needs, waiting, results, left - 1))


def _help(
    peer: DimsePeer, needs: list[Need], waiting: deque[OutgoingObject], results: Results, left: int
) -> None:
    """Send some of what waits on one more association, where the peer accepts it at once."""
    limits = replace(peer.limits, connect=min(peer.limits.connect, _PATIENCE_FOR_MORE))
    # An unanswered one more is no fault, so it may cost no object: none is taken before it stands.
    with (
        suppress(NetworkError),
        open_link(replace(peer, limits=limits), contexts_for(needs)) as link,
    ):
        _more(peer, needs, waiting, results, left)
        while link.is_open and not results.stop.is_set():
            try:
                parcel = waiting.popleft()
            except IndexError:
                return
            try:
                results.put((parcel, send_one(link, parcel)))
            except ArchiverError as error:
                results.put((parcel, error))


def send_one(link: Link, parcel: OutgoingObject) -> Sent:
    """Send an object on an open association.

    Raises
    ------
    RefusedForGood
        If the peer accepted no context for it.
    NetworkError
        If the association ends, or the peer does not answer in time.
    ObjectError
        If a decoded copy is needed and cannot be made, or the file cannot be read.
    """
    accepted = link.accepted()
    context = accepted.get(parcel.need)
    if context is not None:
        with _opened(parcel) as file:
            status = _store(link, parcel, context, file)
        return Sent(status, parcel.transfer_syntax, False)
    for syntax in UNCOMPRESSED:
        context = accepted.get((parcel.sop_class, syntax))
        if context is not None:
            encoded = recoded(parcel.path, syntax)
            return Sent(_store(link, parcel, context, BytesIO(encoded)), syntax, True)
    kind, way = UID(parcel.sop_class).name, UID(parcel.transfer_syntax).name
    raise RefusedForGood(
        Problem("network.dimse.not_taken", kind=kind, way=way).at(peer=link.peer.place)
    )


def _opened(parcel: OutgoingObject) -> BinaryIO:
    try:
        file = parcel.path.open("rb")
    except OSError as error:
        said = (error.strerror or str(error)).lower()
        problem = Problem("network.outgoing.unreadable", reason=said)
        raise ObjectError(problem.at(file=str(parcel.path))) from None
    file.seek(parcel.offset)
    return file


def _store(link: Link, parcel: OutgoingObject, context: int, data: BinaryIO) -> DimseStatus:
    request = C_STORE()
    request.MessageID = link.next_message()
    request.Priority = _MEDIUM
    request.AffectedSOPClassUID = UID(parcel.sop_class)
    request.AffectedSOPInstanceUID = UID(parcel.sop_instance)
    answer = _exchange(link, request, context, data)
    code = getattr(answer, "Status", None)
    if code is None:
        raise link.lost(Text("network.lost.sending", instance=parcel.sop_instance))
    return status_of(Service.STORE, int(code))


def _exchange(link: Link, request: C_STORE, context: int, data: BinaryIO) -> object:
    """Send a request and its data, and wait for the answer; None where none comes."""
    association = link.association
    with undisturbed(association, lambda: link.is_open):
        if not link.is_open:
            return None
        wrapped = association.dul.socket
        plain = wrapped.socket if wrapped is not None else None
        if isinstance(plain, ssl.SSLSocket):
            request.DataSet = BytesIO(data.read())
            association.dimse.send_msg(request, context)
        elif plain is None or not _write(link, plain, _command(request), context, data):
            return None
        link.heard()
        return association.dimse.get_msg(block=True)[1]


def _command(request: C_STORE) -> bytes:
    """Return the command set, which says that a data set follows (PS3.7 9.3.1.1, E.1)."""
    message = C_STORE_RQ()
    request.DataSet = BytesIO(b"\0")
    message.primitive_to_message(request)
    encoded = encode(message.command_set, True, True)
    assert encoded is not None
    return encoded


def _write(link: Link, plain: socket.socket, command: bytes, context: int, data: BinaryIO) -> bool:
    """Write a message as P-DATA-TF PDUs; False where the connection ended."""
    longest = link.association.dimse.maximum_pdu_size or _LONGEST_PDU
    room = min(longest, _LONGEST_PDU) - _COUNTED
    try:
        for start in range(0, len(command), room):
            part = command[start : start + room]
            last = _LAST if start + room >= len(command) else 0
            plain.sendall(_head(len(part), context, _COMMAND | last) + part)
        for piece in _laid_out(data, room, context):
            link.heard()
            restart_idle_timer(link.association)
            plain.sendall(piece)
    except OSError:
        return False
    return True


def _head(length: int, context: int, control: int) -> bytes:
    """Return what stands before the data of a PDU with one value (PS3.8 9.3.5, E.2)."""
    return struct.pack(">BBIIBB", 4, 0, length + _COUNTED, length + 2, context, control)


def _laid_out(data: BinaryIO, room: int, context: int) -> Iterator[memoryview | bytes]:
    """Yield the PDUs of a data set, many at once; the last one is marked."""
    slots = max(1, _AT_ONCE // (room + _HEAD))
    size = room + _HEAD
    buffer = bytearray(slots * size)
    view = memoryview(buffer)
    for slot in range(slots):
        buffer[slot * size : slot * size + _HEAD] = _head(room, context, 0)
    held = data.read(room)
    while True:
        # One slot's data is held back, so that the last PDU is known when it is laid out.
        filled = 0
        for slot in range(slots):
            following = data.read(room)
            if not following:
                if filled:
                    yield view[: filled * size]
                yield _head(len(held), context, _LAST) + held
                return
            start = slot * size + _HEAD
            view[start : start + room] = held
            held = following
            filled += 1
        yield view[: filled * size]
