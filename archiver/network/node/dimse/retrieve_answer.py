"""The responses to one C-GET or C-MOVE request (PS3.7 9.1.3, 9.1.4)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import Any, cast

from pydicom import Dataset
from pynetdicom.dimse_primitives import C_GET, C_MOVE
from pynetdicom.dsutils import decode, encode
from pynetdicom.presentation import PresentationContext

from archiver.network.node import answers
from archiver.network.node.dimse.association import NodeAssociation
from archiver.network.statuses import Category


@dataclass(frozen=True)
class RetrieveItem:
    """An instance that is to be sent."""

    sop_instance: str
    study: str
    path: Path


@dataclass
class SubOperations:
    """Sub-operations so far (PS3.7 9.1.3.1)."""

    remaining: int
    completed: int = 0
    warned: int = 0
    failed: list[str] = field(default_factory=list)

    def note(self, one: RetrieveItem, category: Category) -> None:
        """Count the outcome of one."""
        self.remaining -= 1
        if category is Category.SUCCESS:
            self.completed += 1
        elif category is Category.WARNING:
            self.warned += 1
        else:
            self.failed.append(one.sop_instance)

    @property
    def final_status(self) -> int:
        """Status of the last response."""
        if not self.failed and not self.warned:
            return answers.SUCCESS
        if self.completed or self.warned:
            return answers.SOME_SUBOPERATIONS_FAILED
        return answers.SUBOPERATIONS_FAILED


class RetrieveAnswer:
    """The responses to one retrieval request."""

    def __init__(
        self,
        association: NodeAssociation,
        request: C_GET | C_MOVE,
        response: C_GET | C_MOVE,
        context: PresentationContext,
    ) -> None:
        self.association = association
        self.model = str(context.abstract_syntax)
        self._request = request
        self._context = context
        self._syntax = context.transfer_syntax[0]
        response.MessageIDBeingRespondedTo = request.MessageID
        response.AffectedSOPClassUID = request.AffectedSOPClassUID
        self._response: Any = response

    @property
    def service(self) -> str:
        """Name of the service."""
        return "C-MOVE" if isinstance(self._request, C_MOVE) else "C-GET"

    def identifier(self) -> Dataset:
        """Decode the identifier."""
        way = self._syntax
        keys = decode(
            cast(BytesIO, self._request.Identifier), way.is_implicit_VR, way.is_little_endian
        )
        keys.decode()
        return keys

    def is_cancelled(self) -> bool:
        """Return whether the peer sent a C-CANCEL for this request."""
        return self._request.MessageID in self.association.dimse.cancel_req

    def refuse(self, status: int, comment: object, wanted: Iterable[RetrieveItem] = ()) -> None:
        """Send a failure."""
        self._response.Status = status
        self._response.ErrorComment = answers.error_comment(comment)
        failed = [one.sop_instance for one in wanted]
        if failed:
            self._response.NumberOfFailedSuboperations = len(failed)
            self._response.NumberOfCompletedSuboperations = 0
            self._response.NumberOfWarningSuboperations = 0
        self._send(failed)

    def pending(self, progress: SubOperations) -> None:
        """Tell how far it is."""
        self._count(progress)
        self._response.NumberOfRemainingSuboperations = progress.remaining
        self._response.Status = answers.PENDING
        self._send(())

    def cancelled(self, progress: SubOperations) -> None:
        """Answer a cancel; what remains is told (PS3.4 C.4.3.1.4)."""
        self._count(progress)
        self._response.NumberOfRemainingSuboperations = progress.remaining
        self._response.Status = answers.CANCELLED
        self._send(progress.failed)

    def final(self, progress: SubOperations) -> None:
        """Send the last response, without the number that remains (PS3.7 9.1.3.1)."""
        self._count(progress)
        self._response.NumberOfRemainingSuboperations = None
        self._response.Status = progress.final_status
        self._send(progress.failed)

    def _count(self, progress: SubOperations) -> None:
        self._response.NumberOfCompletedSuboperations = progress.completed
        self._response.NumberOfWarningSuboperations = progress.warned
        self._response.NumberOfFailedSuboperations = len(progress.failed)

    def _send(self, failed: Iterable[str]) -> None:
        self._response.Identifier = None
        uids = list(failed)
        if uids:
            told = Dataset()
            told.FailedSOPInstanceUIDList = uids
            encoded = encode(told, self._syntax.is_implicit_VR, self._syntax.is_little_endian)
            self._response.Identifier = BytesIO(encoded or b"")
        if self.association.is_established:
            self.association.dimse.send_msg(self._response, cast(int, self._context.context_id))
