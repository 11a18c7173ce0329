"""Storage Commitment as SCP (PS3.4 annex J): what is asked for is looked at on the disk.

The report goes out on the same association; where the peer has left it by then, on a new one to
the peer that the settings name under the same title, tried again for days and after a restart.
"""

from __future__ import annotations

import heapq
import itertools
import random
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from io import BytesIO
from typing import Any

from pydicom import Dataset
from pydicom.uid import UID
from pynetdicom.dimse_primitives import N_EVENT_REPORT
from pynetdicom.dsutils import encode
from pynetdicom.pdu_primitives import SCP_SCU_RoleSelectionNegotiation
from pynetdicom.presentation import build_context
from sqlalchemy import select

from archiver.access import EVERYTHING, Scope
from archiver.archive.store import Archive, digest_file
from archiver.archive.store import tables as t
from archiver.errors import ArchiverError
from archiver.network.client.dimse.link import open_link
from archiver.network.node import answers
from archiver.network.node.dimse.association import NodeAssociation
from archiver.network.node.reports.pending_reports import Debts, PendingReport, Reference
from archiver.network.node.supported import COMMITMENT, COMMITMENT_INSTANCE
from archiver.network.outbox.delivery_state import wait_after
from archiver.network.peers import DimsePeer
from archiver.wording import Text

_REQUEST, _ALL, _SOME = 1, 1, 2
#: Before the first attempt on a new association, and for a call under way at the end (seconds).
FIRST_PAUSE, _PARTING = 0.2, 5.0
#: A peer that did not take a report for so long is not called any more.
LONGEST_DEBT = timedelta(days=7)
_AT_ONCE = 500


@dataclass(frozen=True)
class CommitmentReport:
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


def look_at(
    archive: Archive,
    transaction: str,
    references: Iterable[Reference],
    scope: Scope = EVERYTHING,
) -> CommitmentReport:
    """Compare what a peer names with what is on the disk; beyond its scope it is told of nothing.

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
                select(i.sop_instance_uid, i.sop_class_uid, i.path, i.digest)
                .select_from(t.instances.join(t.patients, i.patient == t.patients.c.number))
                .where(i.sop_instance_uid.in_(uids), *scope.conditions())
            )
            known.update({uid: (sop_class, path, digest) for uid, sop_class, path, digest in rows})
    kept, missing = [], []
    for one in wanted:
        reason = _why_not(archive, one, known.get(one.sop_instance))
        if reason is None:
            kept.append(one)
        else:
            missing.append((one, reason))
    return CommitmentReport(transaction, tuple(kept), tuple(missing))


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
    """Takes requests for commitment and reports on them, sooner or later.

    Parameters
    ----------
    archive
        What is looked at.
    peers
        Who can be called, by title.
    told
        Told what became of reports that did not go out at once.
    scopes
        Of those who have less than everything, as the settings name them.
    """

    def __init__(
        self,
        archive: Archive,
        peers: Iterable[DimsePeer],
        told: Callable[[str], None],
        scopes: Mapping[str, Scope],
    ) -> None:
        self._archive = archive
        self._told, self._scopes = told, scopes
        self._debts = Debts(archive.layout.root)
        self._delivery = ReportDelivery(
            self._debts, {peer.title.strip(): peer for peer in peers}, self._look_at, told
        )

    def close(self) -> None:
        """Stop; what is owed stays on the disk until the next start."""
        self._delivery.close()

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
            references = tuple(
                Reference(str(one.ReferencedSOPClassUID), str(one.ReferencedSOPInstanceUID))
                for one in asked.ReferencedSOPSequence
            )
        except Exception:
            # An element is missing, or the bytes cannot be read.
            return answers.INVALID_ARGUMENT, None
        if not references or not transaction:
            return answers.INVALID_ARGUMENT, None
        owed = PendingReport(
            association.calling, transaction, references, datetime.now(timezone.utc)
        )
        try:
            self._debts.note(owed)
        except OSError:
            return answers.RESOURCE_LIMITATION, None
        context_id = event.context.context_id
        way = UID(event.context.transfer_syntax)
        association.afterwards(lambda: self._report(association, context_id, way, owed))
        return answers.SUCCESS, None

    def _look_at(self, owed: PendingReport) -> CommitmentReport:
        scope = self._scopes.get(f"dimse:{owed.caller}", EVERYTHING)
        return look_at(self._archive, owed.transaction, owed.references, scope)

    def _report(
        self, association: NodeAssociation, context_id: int, way: UID, owed: PendingReport
    ) -> None:
        """Report on the association of the request, and later where that does not work."""
        try:
            report = self._look_at(owed)
        except ArchiverError as error:
            self._told(error.problems[0].found)
            self._delivery.take(owed)
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
            self._delivery.take(owed)
        else:
            self._debts.settle(owed)


class ReportDelivery:
    """Calls peers that are owed a report, again and again, in a thread of its own.

    Parameters
    ----------
    debts
        What is owed; what was left over from before is taken up at once.
    peers
        Who can be called, by title.
    look_at
        Makes the report of what is owed.
    told
        Told of reports that cannot be delivered.
    """

    def __init__(
        self,
        debts: Debts,
        peers: Mapping[str, DimsePeer],
        look_at: Callable[[PendingReport], CommitmentReport],
        told: Callable[[str], None],
    ) -> None:
        self._debts, self._peers, self._look_at, self._told = debts, peers, look_at, told
        self._changed = threading.Condition()
        self._ended = False
        #: When it is tried next (monotonic), a running number, how often it was, and what it is.
        self._waiting: list[tuple[float, int, int, PendingReport]] = []
        self._count = itertools.count()
        for owed in debts.all():
            self._put(owed, 0, 0.0)
        self._thread = threading.Thread(target=self._run, name="report", daemon=True)
        self._thread.start()

    def take(self, owed: PendingReport) -> None:
        """Have a report delivered on an association of our own."""
        self._put(owed, 0, FIRST_PAUSE)

    def close(self) -> None:
        """Stop calling; a call that is under way may finish."""
        with self._changed:
            self._ended = True
            self._changed.notify()
        self._thread.join(_PARTING)

    def _put(self, owed: PendingReport, tries: int, pause: float) -> None:
        if datetime.now(timezone.utc) - owed.since > LONGEST_DEBT:
            self._told("a commitment report could not be delivered")
            self._debts.settle(owed)
            return
        if owed.caller not in self._peers:
            # It stays on the disk: the settings may name the peer at the next start.
            self._told("a commitment report has nowhere to go: no peer has the caller's title")
            return
        with self._changed:
            when = time.monotonic() + pause
            heapq.heappush(self._waiting, (when, next(self._count), tries, owed))
            self._changed.notify()

    def _run(self) -> None:
        while (due := self._next()) is not None:
            tries, owed = due
            try:
                _call(self._peers[owed.caller], self._look_at(owed))
            except ArchiverError:
                self._put(owed, tries + 1, wait_after(tries + 1, random.random()).total_seconds())
            else:
                self._debts.settle(owed)

    def _next(self) -> tuple[int, PendingReport] | None:
        """Wait until something is due; None when it is time to end."""
        with self._changed:
            while not self._ended:
                now = time.monotonic()
                if self._waiting and self._waiting[0][0] <= now:
                    _, _, tries, owed = heapq.heappop(self._waiting)
                    return tries, owed
                self._changed.wait(self._waiting[0][0] - now if self._waiting else None)
        return None


def _call(peer: DimsePeer, report: CommitmentReport) -> None:
    """Report on an association of our own.

    Raises
    ------
    NetworkError
        If the peer cannot be reached, or does not take the report.
    """
    role = SCP_SCU_RoleSelectionNegotiation()
    role.sop_class_uid = UID(COMMITMENT)
    role.scu_role, role.scp_role = False, True
    with open_link(peer, [build_context(COMMITMENT)], roles=[role]) as link:
        status, _ = link.association.send_n_event_report(
            report.dataset(), report.event_type, UID(COMMITMENT), UID(COMMITMENT_INSTANCE)
        )
        if status.get("Status") != answers.SUCCESS:
            raise link.lost(Text("network.lost.reporting"))
