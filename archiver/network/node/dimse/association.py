"""An association that another application opened with this node."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, cast

from pynetdicom import evt
from pynetdicom.ae import ApplicationEntity
from pynetdicom.association import Association
from pynetdicom.dimse_primitives import (
    C_ECHO,
    C_FIND,
    C_GET,
    C_MOVE,
    C_STORE,
    N_ACTION,
    N_EVENT_REPORT,
)
from pynetdicom.presentation import PresentationContext

from archiver.access import Caller, everything
from archiver.network.node import answers
from archiver.network.node.dimse.messages import Fault, NodeDimse
from archiver.network.node.dimse.upper_layer import NodeDul, NodeSocket
from archiver.network.node.incoming_file import IncomingFile
from archiver.network.node.supported import (
    COMMITMENT,
    FIND,
    PATIENT_ROOT,
    STUDY_ROOT,
    VERIFICATION,
    WORKLIST,
)
from archiver.network.pynetdicom_internals import accepted
from archiver.wording import Text
from archiver.workers import GUEST

#: SOP classes to which pynetdicom's services have such a request.
_SERVED: dict[type, frozenset[str]] = {
    C_ECHO: frozenset({VERIFICATION}),
    C_FIND: frozenset({PATIENT_ROOT + FIND, STUDY_ROOT + FIND, WORKLIST}),
    N_ACTION: frozenset({COMMITMENT}),
    N_EVENT_REPORT: frozenset({COMMITMENT}),
}
#: What requests need, in the words of the roles.
_NEEDED = {C_STORE: "store", N_ACTION: "store", C_FIND: "ask", C_GET: "fetch", C_MOVE: "fetch"}
_TOLD_BACK = ("AffectedSOPClassUID", "AffectedSOPInstanceUID", "ActionTypeID")
#: How long the thread waits before it looks at its timers again (seconds).
_GLANCE = 0.5


@dataclass(frozen=True)
class Services:
    """What the node does with requests that do not go through pynetdicom's own services.

    Parameters
    ----------
    open_reception
        (SOP class, SOP instance, transfer syntax) to the file of an object that arrives.
    store
        Keeps a file; returns a status and a comment.
    requests
        By DIMSE primitive type: serves a request; it sends the answers itself.
    ended
        Called when an association is over.
    failed
        Told (where, error) of what nobody expected.
    asked
        Called for each request.
    not_permitted
        Told (association, what it wanted) where its rights do not allow it.
    """

    open_reception: Callable[[str, str, str], IncomingFile]
    store: Callable[[NodeAssociation, C_STORE, IncomingFile | Fault | None], tuple[int, object]]
    requests: dict[type, Callable[[NodeAssociation, Any, PresentationContext], None]]
    ended: Callable[[NodeAssociation], None]
    failed: Callable[[str, BaseException], None]
    asked: Callable[[], None]
    not_permitted: Callable[[NodeAssociation, str], None]


@dataclass
class AssociationCount:
    """What went over an association, for the audit trail.

    Parameters
    ----------
    stored, sent
        Instances of each study that came in, and that went out.
    """

    stored: dict[str, int] = field(default_factory=dict)
    sent: dict[str, int] = field(default_factory=dict)


class NodeAssociation(Association):
    """An accepted association, driven by events instead of polling.

    Parameters
    ----------
    ae
        The application entity.
    services
        What is done with requests.
    largest_pdu
        Bytes of a P-DATA-TF PDU at most.
    patience
        Seconds for a PDU that has begun.
    """

    def __init__(
        self, ae: ApplicationEntity, services: Services, largest_pdu: int, patience: float
    ) -> None:
        super().__init__(ae, "acceptor")
        self.stir = threading.Event()
        self.services = services
        self.tally = AssociationCount()
        #: Who it is, as the front door knows it.
        self.identity = Caller("", everything())
        self._messages = 0
        self._serving = False
        #: Name of the listener by which it came in.
        self.listener = ""
        self._after: list[Callable[[], None]] = []
        self.dul = NodeDul(self, self.stir.set, largest_pdu, patience)
        self.dimse = NodeDimse(self, self.stir.set, services.open_reception)
        # The timers are set on the upper layer that was just put in (PS3.8 9.1.5).
        self.acse_timeout, self.network_timeout = ae.acse_timeout, ae.network_timeout

    @property
    def calling(self) -> str:
        """Title of the application that opened the association."""
        return str(self.requestor.ae_title).strip()

    @property
    def caller(self) -> str:
        """How the settings name that application where they give it rights."""
        return f"dimse:{self.calling}"

    @property
    def peer(self) -> str:
        """Title and address of that application, as the audit trail has them."""
        return f"{self.calling}@{self.requestor.address}"

    @property
    def is_at_work(self) -> bool:
        """Whether a message is arriving, waits, or is being served."""
        return self.is_established and (
            self.dimse.message is not None
            or not self.dimse.msg_queue.empty()
            or not self.dul.to_provider_queue.empty()
            or self._serving
        )

    def next_message(self) -> int:
        """Return a Message ID for a request of ours, 1 to 65535 (PS3.7 E.1)."""
        self._messages = self._messages % 65535 + 1
        return self._messages

    def ask(self, request: Any, context_id: int) -> Any:
        """Send a request of ours and wait for the answer; None where none came.

        Called while a request of the peer is being served, so that nobody else takes the answer.
        """
        if not self.is_established:
            return None
        self.dimse.send_msg(request, context_id)
        until = time.monotonic() + (self.dimse_timeout or 60)
        while time.monotonic() < until:
            _, answer = self.dimse.get_msg(block=False)
            if answer is not None:
                return answer
            if self.dul.peek_next_pdu() is not None or not self.dul.is_alive():
                # A release or an abort instead of the answer; seen to when this is over.
                return None
            self.stir.wait(_GLANCE)
            self.stir.clear()
        self.abort()
        return None

    def afterwards(self, work: Callable[[], None]) -> None:
        """Have something done in this association's thread, after the response to a request."""
        self._after.append(work)

    def run_reactor(self) -> None:
        """Run the association to its end, and clear up behind it."""
        GUEST.set(str(self.requestor.address))
        try:
            super().run_reactor()
        except Exception as error:
            self.services.failed("association", error)
            self.abort()
        finally:
            while self.dul.is_alive() and not self.dul.stop_dul():
                connection = self.dul.socket
                if connection is not None:
                    connection.close()
                time.sleep(0.002)
            cast(NodeDimse, self.dimse).discard()
            if self.dul.socket is not None:
                cast(NodeSocket, self.dul.socket).retire()
            self.services.ended(self)

    def _run_reactor(self) -> None:
        while not self._kill:
            self._is_paused = True
            self._reactor_checkpoint.wait()
            self._is_paused = False
            context_id, message = self.dimse.get_msg(block=False)
            if message:
                self._serving = True
                self._serve_request(cast(Any, message), cast(int, context_id))
                self._serving = False
            if self._is_over():
                self.kill()
                return
            if self.dimse.msg_queue.empty() and self.dul.to_user_queue.empty():
                # Paused while it waits, so that a report can be sent from another thread.
                self._is_paused = True
                self.stir.wait(_GLANCE)
                self.stir.clear()

    def _is_over(self) -> bool:
        """Answer a release, note an abort, give up an idle peer."""
        if self.is_established and self.acse.is_release_requested():
            self.acse.send_release(is_response=True)
            self.is_released = True
            self.is_established = False
            evt.trigger(self, evt.EVT_RELEASED, {})
            return True
        if self.acse.is_aborted():
            self.dul.receive_pdu(wait=False)
            self.is_aborted = True
            self.is_established = False
            evt.trigger(self, evt.EVT_ABORTED, {})
            return True
        if not self.dul.is_alive():
            return True
        if self.dul.idle_timer_expired():
            self.abort()
            return True
        return False

    def _serve_request(self, msg: Any, context_id: int) -> None:
        self.services.asked()
        needed = _NEEDED.get(type(msg), "")
        if not self.identity.may(needed):
            self._refuse(msg, context_id, needed)
            return
        if isinstance(msg, C_STORE):
            self._serve_store(msg, context_id)
            return
        serve = self.services.requests.get(type(msg))
        if serve is None:
            if not _is_served(msg, accepted(self).get(context_id)):
                self.abort()
                return
            super()._serve_request(msg, context_id)
            after, self._after = self._after, []
            for work in after:
                work()
            return
        context = accepted(self).get(context_id)
        if context is None or not msg.is_valid_request:
            self.abort()
            return
        self.dimse.cancel_req = {}
        self._is_paused = True
        serve(self, msg, context)
        self.dimse.cancel_req = {}

    def _refuse(self, request: Any, context_id: int, needed: str) -> None:
        """Answer a request that the rights of the application do not allow."""
        received = cast(NodeDimse, self.dimse).received
        arrived = received.popleft() if isinstance(request, C_STORE) and received else None
        if isinstance(arrived, IncomingFile):
            arrived.discard()
        self.services.not_permitted(self, needed)
        response = type(request)()
        response.MessageIDBeingRespondedTo = request.MessageID
        for name in _TOLD_BACK:
            if hasattr(request, name):
                setattr(response, name, getattr(request, name))
        if isinstance(request, N_ACTION):
            response.AffectedSOPClassUID = request.RequestedSOPClassUID
            response.AffectedSOPInstanceUID = request.RequestedSOPInstanceUID
        response.Status = answers.NOT_AUTHORIZED
        if self.is_established:
            self.dimse.send_msg(response, context_id)

    def _serve_store(self, request: C_STORE, context_id: int) -> None:
        received = cast(NodeDimse, self.dimse).received
        arrived = received.popleft() if received else None
        response = C_STORE()
        response.MessageIDBeingRespondedTo = request.MessageID
        response.AffectedSOPInstanceUID = request.AffectedSOPInstanceUID
        response.AffectedSOPClassUID = request.AffectedSOPClassUID
        context = accepted(self).get(context_id)
        if context is None or context.abstract_syntax != request.AffectedSOPClassUID:
            if isinstance(arrived, IncomingFile):
                arrived.discard()
            status = answers.CLASS_NOT_SUPPORTED
            comment: object = Text("network.ingest.context")
        else:
            status, comment = self.services.store(self, request, arrived)
        response.Status = status
        if comment:
            setattr(response, "ErrorComment", answers.error_comment(comment))  # noqa: B010
        if self.is_established:
            self.dimse.send_msg(response, context_id)


def _is_served(request: Any, context: PresentationContext | None) -> bool:
    """Return whether the services of its SOP class and of its context have such a request."""
    sop_class = getattr(request, "AffectedSOPClassUID", None)
    sop_class = sop_class or getattr(request, "RequestedSOPClassUID", None)
    abstract = context.abstract_syntax if context is not None else None
    return {sop_class, abstract} <= _SERVED.get(type(request), frozenset())
