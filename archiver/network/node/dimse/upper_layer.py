"""The receiving side of an association: sockets and PDUs (PS3.8 section 9).

pynetdicom keeps the state machine, the negotiation and the services. What is replaced here is
how bytes come in: waited for instead of polled, every length checked before memory is given to
it; and in `messages` how they make messages.
"""

from __future__ import annotations

import contextlib
import queue
import selectors
import socket
import ssl
import struct
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, cast

from pynetdicom.dul import DULServiceProvider
from pynetdicom.fsm import TRANSITION_TABLE, StateMachine
from pynetdicom.pdu import A_ASSOCIATE_RQ
from pynetdicom.pdu_primitives import A_ASSOCIATE
from pynetdicom.transport import AssociationSocket

from archiver.network.node.dimse.messages import NodeDimse, ProtocolError
from archiver.network.node.dimse.queues import SendingQueue, StirringQueue
from archiver.network.pynetdicom_internals import restart_idle_timer

if TYPE_CHECKING:
    from pynetdicom.association import Association

#: How long a thread waits before it looks at its timers again (seconds).
_GLANCE = 0.25
#: Bytes that are read at once where they have come: while commands go to and fro, and when objects
#: arrive; and PDUs that are taken from them before anything else is looked at. pynetdicom's loop
#: costs as much as taking a PDU of 128 KiB.
_AHEAD_AT_FIRST, _AHEAD = 4 << 10, 512 << 10
_PDUS_AT_ONCE = 64
#: An A-ASSOCIATE-RQ with 128 contexts is some ten thousand bytes.
LONGEST_NEGOTIATION = 512 << 10
_P_DATA_TF = 4
#: PS3.8 9.2: data transfer, and waiting for the connection to close.
_TRANSFER, _CLOSING = "Sta6", "Sta13"
#: Events of PS3.8 table 9-10; the requests are those of our own side.
_CLOSED, _INVALID = "Evt17", "Evt19"
_REQUESTS = ("Evt7", "Evt8", "Evt9", "Evt11", "Evt14", "Evt15")


class NodeSocket(AssociationSocket):
    """A connection that is waited for, and whose first PDU has been read already.

    Parameters
    ----------
    assoc
        The association.
    client
        The connection, with a time limit set.
    begun
        What has been read from it.
    patience
        Seconds in which a PDU has to arrive once it has begun.
    """

    def __init__(
        self, assoc: Association, client: socket.socket, begun: bytes, patience: float
    ) -> None:
        super().__init__(assoc, client_socket=client)
        self._begun = memoryview(begun)
        self._ahead = memoryview(bytearray(_AHEAD_AT_FIRST))
        self._patience = patience
        self._waker, self._woken = socket.socketpair()
        for end in (self._waker, self._woken):
            end.setblocking(False)
        self._selector = selectors.DefaultSelector()
        self._selector.register(client, selectors.EVENT_READ)
        self._selector.register(self._woken, selectors.EVENT_READ)

    @property
    def has_read_ahead(self) -> bool:
        """Whether bytes wait that have been read already."""
        return len(self._begun) > 0

    def wake(self) -> None:
        """End a waiting of the thread that receives."""
        with contextlib.suppress(OSError):
            self._waker.send(b"\0")

    def retire(self) -> None:
        """Give back what the waiting needed."""
        self._selector.close()
        self._waker.close()
        self._woken.close()

    @property
    def ready(self) -> bool:
        """Wait a moment for bytes, or for something to send; True if bytes can be read."""
        if self.socket is None or not self._is_connected:
            time.sleep(0.001)
            return False
        if self.has_read_ahead:
            return True
        if isinstance(self.socket, ssl.SSLSocket) and self.socket.pending():
            return True
        dul = self.assoc.dul
        idle = (
            dul.event_queue.empty()
            and dul.to_provider_queue.empty()
            and dul.state_machine.current_state != _CLOSING
        )
        try:
            return self.wait(_GLANCE if idle else 0)
        except (OSError, ValueError):
            self.event_queue.put(_CLOSED)
            return False

    def wait(self, seconds: float) -> bool:
        """Wait for bytes, or until `wake` is called; True if bytes can be read.

        Raises
        ------
        OSError, ValueError
            If the connection was closed here.
        """
        found = [key.fileobj for key, _ in self._selector.select(seconds)]
        if self._woken in found:
            with contextlib.suppress(OSError):
                self._woken.recv(4096)
        return any(one is not self._woken for one in found)

    def recv(self, nr_bytes: int) -> bytearray:
        """Read bytes; fewer if the connection was closed."""
        buffer = bytearray(nr_bytes)
        with memoryview(buffer) as view:
            count = self.read_into(view)
        del buffer[count:]
        return buffer

    def read_into(self, view: memoryview) -> int:
        """Fill a buffer; return less than its size if the connection was closed.

        Raises
        ------
        OSError
            If the connection broke, or the peer took too long.
        """
        until = time.monotonic() + self._patience
        count = 0
        while count < len(view):
            if not self.has_read_ahead and not self._read_ahead(len(view)):
                break
            taken = min(len(self._begun), len(view) - count)
            view[count : count + taken] = self._begun[:taken]
            self._begun = self._begun[taken:]
            count += taken
            if count < len(view) and time.monotonic() > until:
                raise TimeoutError("the peer sends too slowly")
        return count

    def _read_ahead(self, wanted: int) -> bool:
        """Read what has come, of several PDUs if need be; False if the connection was closed."""
        if wanted > len(self._ahead) and len(self._ahead) < _AHEAD:
            self._ahead = memoryview(bytearray(_AHEAD))
        got = cast(socket.socket, self.socket).recv_into(self._ahead)
        self._begun = self._ahead[:got]
        return got > 0


class NodeStateMachine(StateMachine):
    """Lets fall what was on its way to a peer that has left: nobody is there to take it."""

    def do_action(self, event: str) -> None:
        """Carry out what an event asks for (PS3.8 9.2)."""
        if event in _REQUESTS and (event, self.current_state) not in TRANSITION_TABLE:
            with contextlib.suppress(queue.Empty):
                self.dul.to_provider_queue.get(block=False)
            return
        super().do_action(event)


class NodeDul(DULServiceProvider):
    """The upper layer of an association, with PDUs checked as they come in.

    Parameters
    ----------
    assoc
        The association.
    stir
        Wakes its thread.
    largest_pdu
        Bytes of a P-DATA-TF PDU at most.
    patience
        Seconds in which a PDU has to arrive once it has begun.
    """

    def __init__(
        self, assoc: Association, stir: Callable[[], None], largest_pdu: int, patience: float
    ) -> None:
        super().__init__(assoc)
        self.state_machine = NodeStateMachine(self)
        self.daemon = True
        self._run_loop_delay = 0
        # Some peers count the six bytes before a PDU, some do not (PS3.8 D.1).
        self._largest = largest_pdu + 12
        self._buffer: memoryview | None = None
        self.to_provider_queue = SendingQueue(self._wake, self.is_alive, patience)
        self.to_user_queue = StirringQueue(stir)

    def _wake(self) -> None:
        if self.socket is not None:
            cast(NodeSocket, self.socket).wake()

    def _read_pdu_data(self) -> None:
        connection = cast(NodeSocket, self.socket)
        event = ""
        try:
            for _ in range(_PDUS_AT_ONCE):
                event = self._take_pdu(connection)
                if event or not (connection.has_read_ahead or self._goes_on(connection)):
                    break
        except (OSError, ValueError):
            event = _CLOSED
        except ProtocolError:
            event = _INVALID
        if event:
            self.event_queue.put(event)

    def _goes_on(self, connection: NodeSocket) -> bool:
        """Wait a moment for the rest of a dataset; another round of the loop costs more."""
        if self.assoc.dimse.message is None or isinstance(connection.socket, ssl.SSLSocket):
            return False
        restart_idle_timer(self.assoc)
        return connection.wait(_GLANCE)

    def _take_pdu(self, connection: NodeSocket) -> str:
        """Read one PDU and return its event; empty where nothing is left to do."""
        if self.state_machine.current_state == _CLOSING:
            # What still comes behind an abort is nobody's business (PS3.8 table 9-10, AA-6).
            return "" if connection.recv(1) else _CLOSED
        header = connection.recv(6)
        if len(header) < 6:
            return _CLOSED
        kind, length = struct.unpack(">BxL", header)
        if kind not in range(1, 8):
            raise ProtocolError
        if kind == _P_DATA_TF and self.state_machine.current_state == _TRANSFER:
            return self._take_data(connection, length)
        if length > LONGEST_NEGOTIATION:
            raise ProtocolError
        rest = connection.recv(length)
        if len(rest) < length:
            return _CLOSED
        try:
            pdu, event = self._decode_pdu(header + rest)
            _demand_sense(pdu)
        except Exception as error:
            # pynetdicom raises whatever the bytes lead it to.
            raise ProtocolError from error
        self._recv_pdu.put(pdu)
        return event

    def _take_data(self, connection: NodeSocket, length: int) -> str:
        """Hand the values of a P-DATA-TF PDU (PS3.8 9.3.5) to the message they belong to."""
        if length > self._largest:
            raise ProtocolError
        if self._buffer is None:
            self._buffer = memoryview(bytearray(self._largest))
        pdu = self._buffer[:length]
        if connection.read_into(pdu) < length:
            return _CLOSED
        place = 0
        dimse = cast(NodeDimse, self.assoc.dimse)
        while place < length:
            if length - place < 6:
                raise ProtocolError
            item, context_id, control = struct.unpack_from(">LBB", pdu, place)
            end = place + 4 + item
            if item < 2 or end > length:
                raise ProtocolError
            dimse.take(context_id, control, pdu[place + 6 : end])
            place = end
        return ""


def _demand_sense(pdu: Any) -> None:
    """Refuse a request for an association that pynetdicom could make nothing of later.

    Raises
    ------
    Exception
        Whatever pynetdicom raises where a value cannot be one; ProtocolError where a presentation
        context has no transfer syntax (PS3.8 9.3.2.2), or no maximum length is told in which a
        value has room (PS3.8 D.1.1, 9.3.5.1); 0 is without limit.
    """
    told = pdu.to_primitive()
    if isinstance(told, A_ASSOCIATE) and isinstance(pdu, A_ASSOCIATE_RQ):
        offered = told.presentation_context_definition_list
        longest = told.maximum_length_received
        if longest in (None, *range(1, 7)) or not all(one.transfer_syntax for one in offered):
            raise ProtocolError
