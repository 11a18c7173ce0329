"""Emptying the outbox: send what is due, then have the peer take charge of it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import PurePosixPath

from archiver.errors import NetworkError, ObjectError, Problem, RefusedForGood
from archiver.network.client.dimse import commitment, store
from archiver.network.outbox.consent_check import ConsentCheck
from archiver.network.outbox.delivery_state import (
    Delivery,
    State,
    after_report,
    after_sending,
    without_report,
)
from archiver.network.outbox.outbox import Outbox
from archiver.network.outgoing_object import OutgoingObject, read_parcel
from archiver.network.peers import DimsePeer, Peer, WebPeer
from archiver.network.statuses import Service, status_of
from archiver.wording import Text

_NO_REPORT = Text("network.outbox.no_report")
READ_BACK = Text("network.outbox.read_back")

#: Failure Reason (PS3.3 C.14.1.1).
NO_SUCH_INSTANCE = 0x0112


@dataclass(frozen=True)
class OutboxContext:
    """What the sender takes from outside.

    Parameters
    ----------
    now
        Gives the time, with its offset from UTC.
    jitter
        Draws a number from 0 to 1.
    new_uid
        Draws a UID.
    """

    now: Callable[[], datetime]
    jitter: Callable[[], float]
    new_uid: Callable[[], str]


def work(outbox: Outbox, peer: Peer, world: OutboxContext) -> Iterator[Delivery]:
    """Send what is due to a peer and have it take charge; one pass.

    Whatever ends this, the outbox knows of every object what is known of it.

    Yields
    ------
    Delivery
        Each as it has become, after its sending and after its commitment.

    Raises
    ------
    ArchiveError
        If another process sends to the peer, or the disk refuses.
    """
    with outbox.sole_sender(peer.name):
        yield from _send_due(outbox, peer, world)
        yield from _commit_due(outbox, peer, world)


def take_late_report(
    outbox: Outbox,
    report: commitment.CommitmentResult,
    world: OutboxContext,
    peers: Collection[str],
) -> list[Delivery]:
    """Write down a report that came when nobody waited for it any more.

    Only the transaction that was last asked for counts; what it does not tell of stays sent.

    Parameters
    ----------
    outbox, report, world
        What came, and where it is written down.
    peers
        Names of those that the report can be from.
    """
    waiting = [
        one
        for one in outbox.shipments(states=[State.SENT])
        if one.transaction == report.transaction
        and one.destination in peers
        and (one.sop_instance in report.committed or one.sop_instance in report.failed)
    ]
    after = _reported(waiting, report, world)
    outbox.save(waiting, after)
    return after


def _send_due(outbox: Outbox, peer: Peer, world: OutboxContext) -> Iterator[Delivery]:
    due = outbox.shipments(peer.name, [State.QUEUED], due=world.now())
    waiting: dict[str, Delivery] = {}
    parcels: list[OutgoingObject] = []
    consents = ConsentCheck(outbox.folder, peer, world.now().date())
    for shipment in due:
        try:
            parcel = _parcel(outbox, shipment)
            consents.demand(parcel.path)
            parcels.append(parcel)
            waiting[shipment.sop_instance] = shipment
        except ObjectError as error:
            failed = after_sending(shipment, error, world.now(), world.jitter())
            outbox.save([shipment], [failed])
            yield failed
    if isinstance(peer, DimsePeer):
        batches = store.send_noting(peer, parcels)
    else:
        from archiver.network.client.dicomweb import store as web_store

        batches = web_store.send_noting(peer, parcels)
    for batch in batches:
        before = [waiting[parcel.sop_instance] for parcel, _ in batch]
        after = [
            after_sending(one, result, world.now(), world.jitter())
            for one, (_, result) in zip(before, batch, strict=True)
        ]
        outbox.save(before, after)
        yield from after


def _parcel(outbox: Outbox, shipment: Delivery) -> OutgoingObject:
    parcel = read_parcel(outbox.folder / PurePosixPath(shipment.path))
    if parcel.sop_instance != shipment.sop_instance:
        raise ObjectError(Problem("network.outbox.other_instance", path=shipment.path))
    return parcel


def _commit_due(outbox: Outbox, peer: Peer, world: OutboxContext) -> Iterator[Delivery]:
    due = outbox.shipments(peer.name, [State.SENT], due=world.now())
    if not peer.commitment:
        yield from _left(outbox, due, Text("network.outbox.no_commitment"), world)
        return
    if isinstance(peer, WebPeer):
        yield from _read_back(outbox, peer, due, world)
        return
    for start in range(0, len(due), commitment.MOST_AT_ONCE):
        some = due[start : start + commitment.MOST_AT_ONCE]
        try:
            yield from _commit(outbox, peer, some, world)
        except RefusedForGood as error:
            why = error.problems[0].with_places()
            reason = Text("network.outbox.no_commitment_why", why=why)
            yield from _left(outbox, due[start:], reason, world)
            return
        except NetworkError as error:
            reason = Text("network.outbox.no_report_why", why=error.problems[0])
            yield from _left(outbox, due[start:], reason, world)
            return


def _commit(
    outbox: Outbox, peer: DimsePeer, some: Sequence[Delivery], world: OutboxContext
) -> Iterator[Delivery]:
    """Ask for a transaction and write down what its report says of each instance."""
    transaction = world.new_uid()
    asked = [replace(one, transaction=transaction) for one in some]
    references = [(one.sop_class, one.sop_instance) for one in asked]
    # Until the peer is reached, the report of the request before may still come.
    report = commitment.request_commitment(
        peer, references, transaction, lambda: outbox.save(some, asked)
    )
    after = _reported(asked, report, world)
    outbox.save(asked, after)
    yield from after


def _read_back(
    outbox: Outbox, peer: WebPeer, due: Sequence[Delivery], world: OutboxContext
) -> Iterator[Delivery]:
    """See for each instance whether the peer gives back what was sent."""
    # Not above: the libraries of HTTP take long to load, and most peers are spoken to by DIMSE.
    from archiver.network.client.dicomweb import store as web_store
    from archiver.network.client.dicomweb.connection import NothingThere, open_web_link

    with open_web_link(peer) as link:
        for number, one in enumerate(due):
            try:
                kept = web_store.is_kept(link, _parcel(outbox, one), one.syntax)
            except NothingThere:
                lost = status_of(Service.COMMITMENT, NO_SUCH_INSTANCE)
                after = after_report(one, lost, world.now(), world.jitter())
            except NetworkError as error:
                reason = Text("network.outbox.not_read", why=error.problems[0])
                yield from _left(outbox, due[number:], reason, world)
                return
            except ObjectError as error:
                after = without_report(one, error.problems[0], world.now(), world.jitter())
            else:
                after = _compared(one, kept, world)
            outbox.save([one], [after])
            yield after


def _compared(one: Delivery, kept: bool, world: OutboxContext) -> Delivery:
    if not kept:
        changed = Text("network.outbox.changed")
        return without_report(one, changed, world.now(), world.jitter())
    return replace(after_report(one, None, world.now(), 0.0), reason=READ_BACK)


def _reported(
    asked: Sequence[Delivery], report: commitment.CommitmentResult | None, world: OutboxContext
) -> list[Delivery]:
    now = world.now()
    after = []
    for one in asked:
        if report is not None and one.sop_instance in report.committed:
            after.append(after_report(one, None, now, 0.0))
        elif report is not None and one.sop_instance in report.failed:
            failure = report.failed[one.sop_instance]
            after.append(after_report(one, failure, now, world.jitter()))
        else:
            after.append(without_report(one, _NO_REPORT, now, world.jitter()))
    return after


def _left(
    outbox: Outbox, shipments: Sequence[Delivery], reason: Text, world: OutboxContext
) -> Iterator[Delivery]:
    after = [without_report(one, reason, world.now(), world.jitter()) for one in shipments]
    outbox.save(shipments, after)
    yield from after
