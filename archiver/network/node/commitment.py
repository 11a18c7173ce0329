"""Storage Commitment as SCP (PS3.4 annex J): what is asked for is looked at on the disk.

The report goes out on the same association; where the peer has left it by then, on a new one to
the peer that the settings name under the same title.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from io import BytesIO
from typing import Any

from pydicom import Dataset
from pydicom.uid import UID
from pynetdicom.dimse_primitives import N_EVENT_REPORT
from pynetdicom.dsutils import encode
from pynetdicom.pdu_primitives import SCP_SCU_RoleSelectionNegotiation
from pynetdicom.presentation import build_context
from sqlalchemy import select

from archiver.archive import tables as t
from archiver.archive.durable import digest_file
from archiver.archive.store import Archive
from archiver.errors import ArchiverError
from archiver.network.dimse.link import open_link
from archiver.network.node import answers
from archiver.network.node.association import NodeAssociation
from archiver.network.node.supported import COMMITMENT, COMMITMENT_INSTANCE
from archiver.network.peers import DimsePeer

_REQUEST, _ALL, _SOME = 1, 1, 2
#: Pauses before each attempt to report on a new association (seconds).
_PAUSES = (0.2, 5.0, 30.0)
_AT_ONCE = 500


@dataclass(frozen=True)
class Reference:
    """An instance that a peer wants to know safe."""

    sop_class: str
    sop_instance: str


@dataclass(frozen=True)
class Report:
    """What is told about a transaction.

    Parameters
    ----------
    transaction
        Its UID.
    kept
        Instances that are on the disk as they were received.
    missing
        The others, with the Failure Reason (PS3.3 C.14.1.1).
    """

    transaction: str
    kept: tuple[Reference, ...]
    missing: tuple[tuple[Reference, int], ...]

    @property
    def event_type(self) -> int:
        """1 where all are kept, 2 where some are not (PS3.4 J.3.3.1)."""
        return _SOME if self.missing else _ALL

    def dataset(self) -> Dataset:
        """Return the Event Information."""
        found = Dataset()
        found.TransactionUID = self.transaction
        if self.kept:
            found.ReferencedSOPSequence = [_item(one) for one in self.kept]
        if self.missing:
            found.FailedSOPSequence = [_item(one, reason) for one, reason in self.missing]
        return found


def _item(one: Reference, reason: int | None = None) -> Dataset:
    item = Dataset()
    item.ReferencedSOPClassUID = one.sop_class
    item.ReferencedSOPInstanceUID = one.sop_instance
    if reason is not None:
        item.FailureReason = reason
    return item


def look_at(archive: Archive, transaction: str, references: Iterable[Reference]) -> Report:
    """Compare what a peer names with what is on the disk.

    Raises
    ------
    ArchiveError
        If the index cannot be read.
    """
    wanted = list(dict.fromkeys(references))
    known: dict[str, tuple[str, str, str]] = {}
    i = t.instances.c
    with archive.reading() as connection:
        for begin in range(0, len(wanted), _AT_ONCE):
            uids = [one.sop_instance for one in wanted[begin : begin + _AT_ONCE]]
            rows = connection.execute(
                select(i.sop_instance_uid, i.sop_class_uid, i.path, i.digest).where(
                    i.sop_instance_uid.in_(uids)
                )
            )
            known.update({uid: (sop_class, path, digest) for uid, sop_class, path, digest in rows})
    kept, missing = [], []
    for one in wanted:
        reason = _why_not(archive, one, known.get(one.sop_instance))
        if reason is None:
            kept.append(one)
        else:
            missing.append((one, reason))
    return Report(transaction, tuple(kept), tuple(missing))


def _why_not(archive: Archive, one: Reference, found: tuple[str, str, str] | None) -> int | None:
    if found is None:
        return answers.NO_SUCH_INSTANCE
    sop_class, path, digest = found
    if sop_class != one.sop_class:
        return answers.CLASS_INSTANCE_CONFLICT
    try:
        whole = digest_file(archive.layout.path_of(path)).sha256 == digest
    except OSError:
        whole = False
    return None if whole else answers.PROCESSING_FAILURE


class Commitment:
    """Takes requests for commitment and reports on them.

    Parameters
    ----------
    archive
        What is looked at.
    peers
        Who can be called, by title.
    failed
        Told when a report could not be delivered.
    """

    def __init__(
        self, archive: Archive, peers: Iterable[DimsePeer], failed: Callable[[str], None]
    ) -> None:
        self._archive = archive
        self._peers = {peer.title.strip(): peer for peer in peers}
        self._failed = failed
        self._ending = threading.Event()

    def close(self) -> None:
        """Give up what could not be delivered yet; the peers will ask again."""
        self._ending.set()

    def __call__(self, event: Any) -> tuple[int, None]:
        """Take an N-ACTION request, as pynetdicom hands it over."""
        association: NodeAssociation = event.assoc
        if event.action_type != _REQUEST:
            return answers.NO_SUCH_ACTION, None
        if event.request.RequestedSOPInstanceUID != COMMITMENT_INSTANCE:
            return answers.NO_SUCH_INSTANCE, None
        try:
            asked: Dataset = event.action_information
            transaction = str(asked.TransactionUID)
            references = [
                Reference(str(one.ReferencedSOPClassUID), str(one.ReferencedSOPInstanceUID))
                for one in asked.ReferencedSOPSequence
            ]
        except Exception:
            # An element is missing, or the bytes cannot be read.
            return answers.INVALID_ARGUMENT, None
        if not references or not transaction:
            return answers.INVALID_ARGUMENT, None
        context_id = event.context.context_id
        way = UID(event.context.transfer_syntax)
        association.afterwards(
            lambda: self._report(association, context_id, way, transaction, references)
        )
        return answers.SUCCESS, None

    def _report(
        self,
        association: NodeAssociation,
        context_id: int,
        way: UID,
        transaction: str,
        references: list[Reference],
    ) -> None:
        try:
            report = look_at(self._archive, transaction, references)
        except ArchiverError as error:
            self._failed(error.problems[0].found)
            return
        request = N_EVENT_REPORT()
        request.MessageID = association.next_message()
        request.AffectedSOPClassUID = UID(COMMITMENT)
        request.AffectedSOPInstanceUID = UID(COMMITMENT_INSTANCE)
        request.EventTypeID = report.event_type
        encoded = encode(report.dataset(), way.is_implicit_VR, way.is_little_endian)
        request.EventInformation = BytesIO(encoded or b"")
        answer = None
        if association.dul.peek_next_pdu() is None:
            answer = association.ask(request, context_id)
        if answer is None or answer.Status != answers.SUCCESS:
            # Gone, or not ready for reports on this association: it is called instead.
            caller = association.calling
            threading.Thread(
                target=self._deliver, args=(caller, report), name="report", daemon=True
            ).start()

    def _deliver(self, title: str, report: Report) -> None:
        """Report on an association of our own."""
        peer = self._peers.get(title)
        if peer is None:
            self._failed("a commitment report has nowhere to go: no peer has the caller's title")
            return
        for pause in _PAUSES:
            if self._ending.wait(pause):
                return
            try:
                self._call(peer, report)
                return
            except ArchiverError:
                time.sleep(0)
        self._failed("a commitment report could not be delivered")

    def _call(self, peer: DimsePeer, report: Report) -> None:
        role = SCP_SCU_RoleSelectionNegotiation()
        role.sop_class_uid = UID(COMMITMENT)
        role.scu_role, role.scp_role = False, True
        with open_link(peer, [build_context(COMMITMENT)], roles=[role]) as link:
            status, _ = link.association.send_n_event_report(
                report.dataset(), report.event_type, UID(COMMITMENT), UID(COMMITMENT_INSTANCE)
            )
            if status.get("Status") != answers.SUCCESS:
                raise link.lost("while a commitment was reported")
