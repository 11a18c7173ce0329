"""Storage commitment (PS3.4 Annex J): the archive takes charge, and only then is a card cleared.

The report comes on the association of the request or on one that the peer opens to us, at once
or much later. What does not come in time is no answer; it is asked for again.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from pydicom import Dataset
from pydicom.uid import UID
from pynetdicom import evt
from pynetdicom.presentation import build_context

from archiver.errors import NetworkError, Problem, RefusedForGood
from archiver.network.client.dimse.link import NothingAccepted, open_link
from archiver.network.client.dimse.receiver import listening
from archiver.network.peers import DimsePeer
from archiver.network.statuses import Category, DimseStatus, Service, status_of
from archiver.wording import Text

PUSH_MODEL = "1.2.840.10008.1.20.1"
WELL_KNOWN = "1.2.840.10008.1.20.1.1"
#: Instances in one transaction.
MOST_AT_ONCE = 500
_REQUEST = 1
#: All are committed; some are not (PS3.4 J.3.3.1).
EVENT_TYPES = (1, 2)
_NO_SUCH_EVENT = 0x0113

#: SOP Class UID and SOP Instance UID.
Reference = tuple[str, str]


@dataclass(frozen=True)
class CommitmentResult:
    """What the peer says of a transaction.

    Parameters
    ----------
    transaction
        Its UID.
    committed
        SOP Instance UIDs that the peer took charge of.
    failed
        Why it did not take charge of others, by SOP Instance UID.
    """

    transaction: str
    committed: frozenset[str]
    failed: dict[str, DimseStatus]


class Awaited:
    """Reports of transactions as they come in, on whatever association."""

    def __init__(self) -> None:
        self._reports: dict[str, CommitmentResult] = {}
        self._came = threading.Condition()

    def take(self, event: Any) -> tuple[int, None]:
        """Take an N-EVENT-REPORT and return the status of the answer."""
        try:
            report = report_of(event.event_information)
        except Exception:  # pydicom raises whatever the bytes lead it to
            return 0x0110, None
        if event.event_type not in EVENT_TYPES:
            return _NO_SUCH_EVENT, None
        with self._came:
            self._reports[report.transaction] = report
            self._came.notify_all()
        return 0, None

    def wait(self, transaction: str, seconds: float) -> CommitmentResult | None:
        """Return the report of a transaction, None where it does not come in time."""
        with self._came:
            self._came.wait_for(lambda: transaction in self._reports, seconds)
            return self._reports.pop(transaction, None)


def report_of(told: Dataset) -> CommitmentResult:
    """Read the Event Information of a report (PS3.4 J.3.3.1).

    An instance that is told of twice, as committed and as failed, counts as failed.
    """
    failed = {
        str(item.ReferencedSOPInstanceUID): status_of(
            Service.COMMITMENT, int(item.get("FailureReason") or 0x0110)
        )
        for item in told.get("FailedSOPSequence") or ()
    }
    committed = {
        str(item.ReferencedSOPInstanceUID) for item in told.get("ReferencedSOPSequence") or ()
    }
    return CommitmentResult(str(told.TransactionUID), frozenset(committed - set(failed)), failed)


def request_of(references: Sequence[Reference], transaction: str) -> Dataset:
    """Return the Action Information of a request (PS3.4 J.3.2.1)."""
    asked = Dataset()
    asked.TransactionUID = UID(transaction)
    asked.ReferencedSOPSequence = []
    for sop_class, sop_instance in dict.fromkeys(references):
        item = Dataset()
        item.ReferencedSOPClassUID = UID(sop_class)
        item.ReferencedSOPInstanceUID = UID(sop_instance)
        asked.ReferencedSOPSequence.append(item)
    return asked


def request_commitment(
    peer: DimsePeer,
    references: Sequence[Reference],
    transaction: str,
    asking: Callable[[], None] = lambda: None,
) -> CommitmentResult | None:
    """Ask the peer to take charge of instances, and wait for its report.

    Parameters
    ----------
    peer
        That has them.
    references
        Which; `MOST_AT_ONCE` at most.
    transaction
        A new UID.
    asking
        Called once the peer is reached, before it is asked.

    Returns
    -------
    CommitmentResult or None
        None where no report came within the peer's time limit.

    Raises
    ------
    RefusedForGood
        If the peer has no storage commitment.
    NetworkError
        If it cannot be reached, or refuses.
    """
    try:
        return _report(peer, references, transaction, asking)
    except NothingAccepted as error:
        # It was wanted for this alone, and said so of no other association.
        raise RefusedForGood(*error.problems) from None


def _report(
    peer: DimsePeer,
    references: Sequence[Reference],
    transaction: str,
    asking: Callable[[], None],
) -> CommitmentResult | None:
    awaited = Awaited()
    bound = [(evt.EVT_N_EVENT_REPORT, awaited.take)]
    with (
        _other_associations(peer, bound),
        open_link(peer, [build_context(PUSH_MODEL)], bound=bound) as link,
    ):
        asking()
        answer, _ = link.association.send_n_action(
            request_of(references, transaction),
            _REQUEST,
            PUSH_MODEL,
            WELL_KNOWN,
            link.next_message(),
        )
        if "Status" not in answer:
            raise link.lost(Text("network.lost.taking_charge"))
        status = status_of(Service.ANY, int(answer.Status))
        if status.category is not Category.SUCCESS:
            kind = NetworkError if status.passes else RefusedForGood
            raise kind(Problem("network.dimse.no_charge", status=status.text).at(peer=peer.place))
        return awaited.wait(transaction, peer.limits.commitment)


@contextmanager
def _other_associations(peer: DimsePeer, bound: list[Any]) -> Iterator[None]:
    """Listen for a report on an association of its own, where we have a port for that."""
    if not peer.listen_port:
        yield
        return
    context = build_context(PUSH_MODEL)
    # The peer opens the association, and it is the SCP of the service (PS3.4 J.3.3).
    context.scu_role, context.scp_role = True, True
    with listening(peer, [context], bound):
        yield
