"""An association that we open, and what its failures mean in words."""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from pynetdicom import AE, evt
from pynetdicom.association import Association
from pynetdicom.pdu import A_ASSOCIATE_RJ
from pynetdicom.pdu_primitives import SCP_SCU_RoleSelectionNegotiation
from pynetdicom.presentation import PresentationContext
from pynetdicom.transport import AddressInformation, AssociationSocket

from archiver.errors import NetworkError, Place, Problem
from archiver.network.peers import DimsePeer
from archiver.network.tls import client_context
from archiver.objects import IMPLEMENTATION_CLASS_UID, IMPLEMENTATION_VERSION_NAME
from archiver.wording import Text

#: What we take in one PDU (bytes); the peer says what it takes itself.
OUR_PDU = 1 << 18
_NEARLY = 0.95
#: PS3.8 9.3.4, table 9-21: (source, reason) of a rejection.
_REFUSALS = {
    (1, 1): "no_reason",
    (1, 2): "context",
    (1, 3): "our_title",
    (1, 7): "its_title",
    (2, 1): "no_reason",
    (2, 2): "version",
    (3, 1): "too_many",
    (3, 2): "limit",
}

Bound = tuple[Any, ...]


class _Socket(AssociationSocket):
    """Gives the system's socket back also where the connection never stood."""

    def _shutdown_socket(self) -> None:
        super()._shutdown_socket()
        if self.socket is not None:
            self.socket.close()


class _Checkpoint(threading.Event):
    """Where an association's own thread waits while somebody asks and waits for the answer.

    Who clears it has to see `paused` before they go on. The thread takes that back and then looks
    once more, so that it never takes the answer from under somebody who believes that it waits.
    """

    def __init__(self) -> None:
        super().__init__()
        self.paused = False
        self.set()

    def wait(self, timeout: float | None = None) -> bool:
        """Wait until it is set, and is so still after `paused` was taken back."""
        while True:
            self.paused = True
            came = super().wait(timeout)
            self.paused = False
            if not came or self.is_set():
                return came


class _Association(Association):
    """An association that is paused only where it says so.

    pynetdicom 3.0 writes that flag from two threads, with a moment before each in which it is
    not true: an answer is lost in it once in some thousand, and releasing may wait for ever.
    """

    _serving: threading.RLock
    _reactor_checkpoint: _Checkpoint

    @classmethod
    def made_of(cls, plain: Association) -> None:
        """Make an association one of these, before its thread is started."""
        plain.__class__ = cls
        plain._reactor_checkpoint = _Checkpoint()
        plain._serving = threading.RLock()  # type: ignore[attr-defined]

    @property
    def _is_paused(self) -> bool:
        return self._reactor_checkpoint.paused

    @_is_paused.setter
    def _is_paused(self, _value: bool) -> None:
        """Only the checkpoint knows."""

    def _serve_request(self, *arguments: Any) -> None:
        with self._serving:
            super()._serve_request(*arguments)

    def release(self) -> None:
        """Release, after the answer to what the peer asked has gone."""
        with self._serving:
            super().release()


class _Entity(AE):
    """An application entity whose sockets and associations are ours."""

    def _create_socket(
        self,
        assoc: Association,
        address: AddressInformation,
        tls_args: tuple[ssl.SSLContext, str] | None,
    ) -> AssociationSocket:
        _Association.made_of(assoc)
        made = _Socket(assoc, address=address)
        made.tls_args = tls_args
        return made


class Link:
    """An open association with a peer.

    Parameters
    ----------
    peer
        With whom.
    association
        Established.
    """

    def __init__(self, peer: DimsePeer, association: Association) -> None:
        self.peer = peer
        self.association = association
        self._messages = 0
        self._asked = time.monotonic()

    def next_message(self) -> int:
        """Return a Message ID, 1 to 65535 (PS3.7 E.1); the time for its answer runs from now."""
        self._messages = self._messages % 65535 + 1
        self.heard()
        return self._messages

    def heard(self) -> None:
        """Note that the peer took or gave something, so that its time runs anew."""
        self._asked = time.monotonic()

    @property
    def is_open(self) -> bool:
        """False once either side has ended the association."""
        return bool(self.association.is_established)

    def accepted(self) -> dict[tuple[str, str], int]:
        """Return the identifiers of the accepted contexts by SOP class and transfer syntax."""
        return {
            (str(c.abstract_syntax), str(c.transfer_syntax[0])): c.context_id
            for c in self.association.accepted_contexts
            if c.context_id is not None and c.abstract_syntax is not None
        }

    def takes(self, sop_class: str) -> bool:
        """Return whether the peer accepted any context of a SOP class."""
        return any(name == sop_class for name, _ in self.accepted())

    def lost(self, while_: Text) -> NetworkError:
        """Return the error of an association that ended, or of an answer that never came."""
        # Our own library aborts by itself when the time is over; what is told is who was silent.
        limit = self.peer.limits.answer
        silent = time.monotonic() - self._asked > limit * _NEARLY
        if self.is_open:
            self.association.abort()
        if silent:
            problem = Problem("network.lost.silent", seconds=f"{limit:g}", during=while_)
        else:
            problem = Problem("network.lost.ended", during=while_)
        return NetworkError(problem.at(peer=self.peer.place))

    def close(self) -> None:
        """Release the association; where that does not work, abort it."""
        if self.is_open:
            self.association.release()


class NothingAccepted(NetworkError):
    """The peer accepted the association and none of the services that it is wanted for."""


@contextmanager
def open_link(
    peer: DimsePeer,
    contexts: Sequence[PresentationContext],
    *,
    roles: Sequence[SCP_SCU_RoleSelectionNegotiation] = (),
    bound: Sequence[Bound] = (),
) -> Iterator[Link]:
    """Open an association and end it again, by abort where an error came up.

    Parameters
    ----------
    peer
        With whom.
    contexts
        Proposed, 128 at most.
    roles
        Proposed SCP/SCU roles (PS3.7 D.3.3.4), for C-GET.
    bound
        Pairs of a pynetdicom event and what is called on it.

    Raises
    ------
    NetworkError
        If the peer cannot be reached, refuses, or accepts none of the contexts (then it is
        `NothingAccepted`), or if the association ended before the next question.
    UsageError
        If the TLS files cannot be used.
    """
    link = connect(peer, contexts, roles=roles, bound=bound)
    try:
        yield link
    except RuntimeError as error:
        # pynetdicom's word where the association ended between two questions.
        if link.is_open:
            link.association.abort()
            raise
        raise link.lost(Text("network.lost.asked")) from error
    except BaseException:
        if link.is_open:
            link.association.abort()
        raise
    link.close()


def connect(
    peer: DimsePeer,
    contexts: Sequence[PresentationContext],
    *,
    roles: Sequence[SCP_SCU_RoleSelectionNegotiation] = (),
    bound: Sequence[Bound] = (),
) -> Link:
    """Open an association that the caller ends; see `open_link`."""
    entity = application_entity(peer)
    tls = None
    if peer.tls is not None:
        tls = client_context(peer.tls, Place(peer=peer.place)), peer.tls.host or peer.host
    opened: list[bool] = []
    rejected: list[A_ASSOCIATE_RJ] = []

    def received(event: evt.Event) -> None:
        # A peer that rejects and closes at once is called unreachable by pynetdicom 3.0.
        if isinstance(event.pdu, A_ASSOCIATE_RJ):
            rejected.append(event.pdu)

    watched = [
        (evt.EVT_CONN_OPEN, lambda _event: opened.append(True)),
        (evt.EVT_PDU_RECV, received),
        *bound,
    ]
    association = entity.associate(
        _address(peer),
        peer.port,
        contexts=list(contexts),
        ae_title=peer.title,
        max_pdu=OUR_PDU,
        ext_neg=list(roles),
        tls_args=tls,
        evt_handlers=watched,
    )
    if association.is_established:
        association.unbind(evt.EVT_PDU_RECV, received)
        limit_sends(association, peer.limits.answer)
        return Link(peer, association)
    if rejected:
        raise _rejection(peer, rejected[0])
    raise _refusal(peer, association, bool(opened))


def application_entity(peer: DimsePeer) -> AE:
    """Return ourselves as the peer is to see us, with the time limits that it has."""
    entity = _Entity(ae_title=peer.calling)
    entity.implementation_class_uid = IMPLEMENTATION_CLASS_UID
    entity.implementation_version_name = IMPLEMENTATION_VERSION_NAME
    entity.connection_timeout = peer.limits.connect
    entity.acse_timeout = peer.limits.connect
    entity.dimse_timeout = peer.limits.answer
    # Bounds idleness only: the time for an answer has its own limit.
    entity.network_timeout = max(peer.limits.answer, peer.limits.commitment) + 60
    entity.maximum_pdu_size = OUR_PDU
    return entity


def limit_sends(association: Association, seconds: float) -> None:
    """Let no write wait longer for a peer that reads no more, nor for company."""
    wrapped = association.dul.socket
    if wrapped is not None and wrapped.socket is not None:
        wrapped.socket.settimeout(seconds)
        wrapped.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _address(peer: DimsePeer) -> str:
    try:
        found = socket.getaddrinfo(peer.host, peer.port, type=socket.SOCK_STREAM)
    except OSError:
        problem = Problem("network.connection.unknown_host").at(peer=peer.place)
        raise NetworkError(problem) from None
    # IPv4 first: many archives listen on nothing else.
    found.sort(key=lambda entry: entry[0] is not socket.AF_INET)
    return str(found[0][4][0])


def _rejection(peer: DimsePeer, answer: A_ASSOCIATE_RJ) -> NetworkError:
    said = _REFUSALS.get((answer.source or 0, answer.reason_diagnostic or 0), "unsaid")
    reason = Text(f"network.association.{said}")
    problem = Problem("network.dimse.association_refused", reason=reason)
    return NetworkError(problem.at(peer=peer.place))


def _refusal(peer: DimsePeer, association: Association, opened: bool) -> NetworkError:
    if not opened:
        return NetworkError(_unreachable(peer).at(peer=peer.place))
    if association.rejected_contexts and not association.accepted_contexts:
        return NothingAccepted(Problem("network.dimse.nothing_accepted").at(peer=peer.place))
    return NetworkError(Problem("network.dimse.association_unanswered").at(peer=peer.place))


def _unreachable(peer: DimsePeer) -> Problem:
    """Find out why the connection failed, by trying it once more without DICOM."""
    try:
        with socket.create_connection((peer.host, peer.port), peer.limits.connect) as plain:
            if peer.tls is None:
                return Problem("network.connection.failed")
            context = client_context(peer.tls, Place(peer=peer.place))
            try:
                context.wrap_socket(plain, server_hostname=peer.tls.host or peer.host).close()
            except (ConnectionError, EOFError, ssl.SSLEOFError):
                return Problem("network.connection.tls_ended")
            return Problem("network.connection.failed")
    except ssl.SSLCertVerificationError as error:
        return Problem("network.connection.certificate", reason=error.verify_message)
    except ssl.SSLError as error:
        return Problem("network.connection.no_tls_why", reason=str(error.reason or error))
    except TimeoutError:
        return Problem("network.connection.nothing_answers", seconds=f"{peer.limits.connect:g}")
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        return Problem("network.connection.unreachable_why", reason=reason)
