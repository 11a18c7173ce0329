"""Who may open an association: addresses, numbers, TLS, and a first PDU that comes in time.

All of this is settled in a thread of the connection itself, so that a peer that says nothing or
stammers through a TLS handshake holds up nobody else; two threads and the buffers of an
association are given only to who has sent a whole A-ASSOCIATE-RQ.
"""

from __future__ import annotations

import contextlib
import socket
import ssl
import struct
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

from pynetdicom import evt
from pynetdicom.ae import ApplicationEntity
from pynetdicom.presentation import PresentationContext
from pynetdicom.transport import RequestHandler, ThreadedAssociationServer

from archiver.access import FrontDoor, TurnedAway
from archiver.network.node.dimse.association import NodeAssociation, Services
from archiver.network.node.dimse.upper_layer import LONGEST_NEGOTIATION, NodeSocket
from archiver.network.node.guests import ASSOCIATION, Guests, TooMany
from archiver.network.node.listening import Address
from archiver.network.pynetdicom_internals import belong, handlers_of, offer
from archiver.wording import Text

if TYPE_CHECKING:
    from archiver.network.node.settings import NodeSettings

_A_ASSOCIATE_RQ = 1
#: A-ASSOCIATE-RJ: transient, by the presentation layer, local limit exceeded (PS3.8 9.3.4).
_TOO_MANY = b"\x03\x00\x00\x00\x00\x04\x00\x02\x03\x02"
#: Permanent, by the service user, calling AE title not recognized.
_NOT_RECOGNIZED = b"\x03\x00\x00\x00\x00\x04\x00\x01\x01\x03"
#: Where an A-ASSOCIATE-RQ has the calling title (PS3.8 9.3.2).
_CALLING = slice(26, 42)


class Connection(RequestHandler):
    """One connection, from its acceptance to the start of its association."""

    server: NodeServer

    def handle(self) -> None:
        """Shake hands, read the first PDU, start the association."""
        client = cast(socket.socket, self.request)
        limits = self.server.settings.limits
        client.settimeout(limits.negotiation_seconds)
        begun = b""
        try:
            if self.server.tls is not None:
                plain = client
                client = self.server.tls.wrap_socket(plain, server_side=True)
                self.server.exchange(plain, client)
            begun = _first_pdu(client, limits.negotiation_seconds)
        except ssl.SSLError as error:
            reason = getattr(error, "reason", None) or "no TLS"
            self.server.refused(self.client_address[0], f"TLS: {reason}")
        except OSError:
            pass
        if not begun:
            self.server.forget(client)
            return
        title = begun[_CALLING].decode("ascii", "replace").strip()
        found = self.server.door.association(title)
        if isinstance(found, TurnedAway):
            with contextlib.suppress(OSError):
                client.sendall(_NOT_RECOGNIZED)
            shown = title if title.isascii() and title.isprintable() else "?"
            self.server.refused(f"{shown}@{self.client_address[0]}", str(found.why))
            self.server.forget(client)
            return
        client.settimeout(limits.network_seconds)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        try:
            with self.server.guests.holding(ASSOCIATION, self.client_address[0]):
                association = self._association(client, begun)
                association.identity = found
                evt.trigger(association, evt.EVT_CONN_OPEN, {"address": self.client_address})
                association.start()
                association.join()
        except TooMany:
            with contextlib.suppress(OSError):
                client.sendall(_TOO_MANY)
            self.server.refused(self.client_address[0], "too many associations")
        self.server.forget(client)

    def _association(self, client: socket.socket, begun: bytes) -> NodeAssociation:
        server, limits = self.server, self.server.settings.limits
        made = NodeAssociation(self.ae, server.services, limits.pdu_bytes, limits.network_seconds)
        belong(made, server)
        made.listener = server.name
        made.name = f"AcceptorThread@{self.client_address[0]}:{self.client_address[1]}"
        made.set_socket(NodeSocket(made, client, begun, limits.network_seconds))
        made.acceptor.maximum_length = limits.pdu_bytes
        made.acceptor.ae_title = server.ae_title
        made.acceptor.address_info = self.local
        made.acceptor.implementation_class_uid = self.ae.implementation_class_uid
        made.acceptor.implementation_version_name = self.ae.implementation_version_name
        offer(made, server.contexts)
        made.requestor.address_info = self.remote
        for event, handlers in handlers_of(server).items():
            if event.is_intervention and handlers:
                made.bind(event, *cast(Any, handlers))
            elif isinstance(event, evt.NotificationEvent):
                for handler, arguments in cast(Any, handlers):
                    made.bind(event, handler, arguments)
        return made


def _first_pdu(client: socket.socket, seconds: float) -> bytes:
    """Return the A-ASSOCIATE-RQ that a connection has to begin with, empty if it does not."""
    until = time.monotonic() + seconds
    begun = bytearray()
    wanted = 6
    while len(begun) < wanted:
        left = until - time.monotonic()
        if left <= 0:
            return b""
        client.settimeout(left)
        got = client.recv(wanted - len(begun))
        if not got:
            return b""
        begun += got
        if begun[0] != _A_ASSOCIATE_RQ:
            return b""
        if len(begun) == 6:
            (length,) = struct.unpack(">L", begun[2:6])
            if length > LONGEST_NEGOTIATION:
                return b""
            wanted = 6 + length
    return bytes(begun)


@dataclass(frozen=True)
class DimseListener:
    """One place where associations come in.

    Parameters
    ----------
    name
        As the settings call it.
    settings
        Access and limits there.
    door
        Says who comes in there.
    tls
        Wraps every connection, None for plain ones.
    address
        Where it is.
    """

    name: str
    settings: NodeSettings
    door: FrontDoor
    tls: ssl.SSLContext | None
    address: Address


class NodeServer(ThreadedAssociationServer):
    """Listens for associations.

    Parameters
    ----------
    ae, address, ae_title, contexts, handlers
        As pynetdicom wants them.
    services
        What associations do.
    refused
        What is told (address, reason) of connections that are turned away, and who counts them.
    at
        Where to listen, and who says whom to let in.
    """

    daemon_threads = True
    request_queue_size = 128

    def __init__(
        self,
        ae: ApplicationEntity,
        contexts: list[PresentationContext],
        handlers: list[Any],
        services: Services,
        refused: tuple[Callable[[str, str], None], Guests],
        at: DimseListener,
    ) -> None:
        self.name, self._address = at.name, at.address
        settings, address = at.settings, at.address
        self.settings, self.services, self.tls = settings, services, at.tls
        self.refused, self.guests = refused
        self.door = at.door
        self._open: dict[socket.socket, str] = {}
        self._counting = threading.Lock()
        super().__init__(
            ae,
            (address.host, address.port),
            settings.title,
            contexts,
            evt_handlers=handlers,
            request_handler=Connection,
        )

    def server_bind(self) -> None:
        """Listen where the address says."""
        if self.socket is not None:
            self.socket.close()
        self.socket = self._address.open()
        self.socket.settimeout(self.ae.network_timeout)
        self.server_address = self.socket.getsockname()

    def process_request(self, request: Any, client_address: Any) -> None:
        """Give a connection a thread, or turn it away."""
        host = client_address[0]
        reason = self._why_not(host)
        if reason:
            self.refused(host, reason)
            self.shutdown_request(request)
            return
        with self._counting:
            self._open[request] = host
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """Run a connection in its thread."""
        try:
            self.finish_request(request, client_address)
        except Exception:
            # A fault of this one connection; the others go on.
            self.refused(client_address[0], "the connection failed")
        finally:
            self.forget(request)

    def exchange(self, plain: socket.socket, wrapped: socket.socket) -> None:
        """Count a connection under the socket that TLS put in the place of the first."""
        with self._counting:
            self._open[wrapped] = self._open.pop(plain, "")

    def forget(self, client: socket.socket) -> None:
        """Close a connection and count it no longer."""
        with self._counting:
            self._open.pop(client, None)
        with contextlib.suppress(OSError):
            client.shutdown(socket.SHUT_RDWR)
        client.close()

    def close_connections(self) -> None:
        """Break every connection that is still open."""
        with self._counting:
            still = list(self._open)
        for one in still:
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    @property
    def connections(self) -> int:
        """Connections that are open now, with or without an association."""
        with self._counting:
            return len(self._open)

    def _why_not(self, host: str) -> str:
        limits = self.settings.limits
        with self._counting:
            hosts = list(self._open.values())
        if len(hosts) >= limits.connections:
            return "too many connections"
        if hosts.count(host) >= limits.connections_of_one_address:
            return "too many connections from this address"
        return "" if self.door.admits(host) else str(Text("access.address"))
