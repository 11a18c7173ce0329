"""Messages as their values come in (PS3.7 6.3); the dataset of a C-STORE goes to its file."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from io import BytesIO
from typing import TYPE_CHECKING, Any, cast

from pynetdicom.dimse import DIMSEServiceProvider
from pynetdicom.dimse_messages import C_STORE_RQ, DIMSEMessage
from pynetdicom.dimse_primitives import C_CANCEL, C_STORE
from pynetdicom.pdu_primitives import P_DATA

from archiver.network.node.dimse.queues import StirringQueue
from archiver.network.node.incoming_file import IncomingFile, TooLargeError
from archiver.network.pynetdicom_internals import accepted

if TYPE_CHECKING:
    from pynetdicom.association import Association

#: A command set is some hundred bytes.
LONGEST_COMMAND = 64 << 10
_LONGEST_IDENTIFIER = 4 << 20
#: Bytes that are let pass after an object has turned out too large, so that it can be told.
_PASSED_BY = 1 << 30
_REQUESTS_WAITING = 8
#: Bytes of an object that are hashed and written at once: for each, Python's lock is given up and
#: waited for, which with several senders costs more than the copy that gathers them.
_AT_ONCE = 512 << 10


class ProtocolError(Exception):
    """What came is against PS3.7 or PS3.8; the association is aborted."""


Fault = OSError | TooLargeError


class NodeDimse(DIMSEServiceProvider):
    """Puts messages together from the values that come in (PS3.7 6.3, PS3.8 annex E).

    Attributes
    ----------
    received
        For each C-STORE request that waits: its file, or why there is none.
    """

    def __init__(
        self,
        assoc: Association,
        stir: Callable[[], None],
        open_reception: Callable[..., IncomingFile],
    ) -> None:
        super().__init__(assoc)
        self.msg_queue = StirringQueue(stir)
        self.received: deque[IncomingFile | Fault] = deque()
        self._open = open_reception
        self._command = bytearray()
        self._storing: IncomingFile | Fault | None = None
        self._passed = 0
        self._gathered = memoryview(b"")
        self._filled = 0

    def take(self, context_id: int, control: int, part: memoryview) -> None:
        """Take one presentation data value.

        Raises
        ------
        ProtocolError
            If it cannot be here.
        """
        if control & 1:
            if self.message is not None or len(self._command) + len(part) > LONGEST_COMMAND:
                raise ProtocolError
            self._command += part
            if control & 2:
                self._begin(context_id)
            return
        if self.message is None or context_id != self.message.context_id:
            raise ProtocolError
        self._append(part)
        if control & 2:
            self._complete(self.message)

    def receive_primitive(self, primitive: P_DATA) -> None:
        """Take values that came another way."""
        for context_id, value in primitive.presentation_data_value_list:
            self.take(context_id, value[0], memoryview(value)[1:])

    def discard(self) -> None:
        """Remove the files of what never became whole or was never asked for."""
        for one in (self._storing, *self.received):
            if isinstance(one, IncomingFile):
                one.discard()
        self._storing = None
        self._gathered = memoryview(b"")
        self.received.clear()

    def _begin(self, context_id: int) -> None:
        values = P_DATA()
        cast(Any, values).presentation_data_value_list = [
            [context_id, b"\x03" + bytes(self._command)]
        ]
        self._command.clear()
        message = DIMSEMessage()
        try:
            whole = message.decode_msg(values, self.assoc)
        except Exception as error:
            # An unknown command, an element missing or broken: pydicom and pynetdicom raise
            # whatever the bytes lead them to.
            raise ProtocolError from error
        if isinstance(message, C_STORE_RQ):
            self._open_file(context_id, message)
        if whole:
            self._complete(message)
        else:
            self.message = message

    def _open_file(self, context_id: int, message: Any) -> None:
        command = message.command_set
        context = accepted(self.assoc).get(context_id)
        if context is None:
            raise ProtocolError
        self._passed = self._filled = 0
        self._gathered = memoryview(bytearray(_AT_ONCE))
        try:
            self._storing = self._open(
                str(command.get("AffectedSOPClassUID", "")),
                str(command.get("AffectedSOPInstanceUID", "")),
                str(context.transfer_syntax[0]),
            )
        except (OSError, TooLargeError) as fault:
            self._storing = fault
        except Exception as error:
            # Identifiers that pydicom cannot put into file meta information.
            raise ProtocolError from error

    def _append(self, part: memoryview) -> None:
        if isinstance(self._storing, IncomingFile):
            while part:
                some = part[: len(self._gathered) - self._filled]
                end = self._filled + len(some)
                self._gathered[self._filled : end] = some
                self._filled, part = end, part[len(some) :]
                if end == len(self._gathered):
                    self._write_gathered()
        elif self._storing is not None:
            self._passed += len(part)
            if self._passed > _PASSED_BY:
                raise ProtocolError
        else:
            gathered = cast(BytesIO, cast(DIMSEMessage, self.message).data_set)
            if gathered.tell() + len(part) > _LONGEST_IDENTIFIER:
                raise ProtocolError
            gathered.write(part)

    def _write_gathered(self) -> None:
        if isinstance(self._storing, IncomingFile):
            try:
                self._storing.write(self._gathered[: self._filled])
            except (OSError, TooLargeError) as fault:
                self._storing.discard()
                self._storing = fault
        self._filled = 0

    def _complete(self, message: DIMSEMessage) -> None:
        self.message = None
        try:
            primitive = message.message_to_primitive()
        except Exception as error:
            # A value that the primitive refuses.
            raise ProtocolError from error
        if isinstance(primitive, C_STORE) and self._storing is not None:
            self._write_gathered()
            self._gathered = memoryview(b"")
            self.received.append(self._storing)
            self._storing = None
        if isinstance(primitive, C_CANCEL):
            if len(self.cancel_req) < 10:
                self.cancel_req[int(primitive.MessageIDBeingRespondedTo or 0)] = primitive
            return
        if self.msg_queue.qsize() >= _REQUESTS_WAITING:
            raise ProtocolError
        self.msg_queue.put((cast(int, message.context_id), primitive))
