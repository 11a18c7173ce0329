"""What becomes of an object that is to be sent: states, attempts and times, as pure functions.

::

    queued --stored by the peer--> sent --the peer took charge--> committed
      ^  |                          |  |
      |  +--refused for good--------|--+--> failed
      +-----not there after all-----+         |
      +-------------asked to try again--------+

``committed`` is never left: it is the only state in which a picture may go from the card.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import Enum

from archiver.errors import ArchiverError, ObjectError, Problem, RefusedForGood
from archiver.network.outgoing_object import Sent
from archiver.network.statuses import Category, DimseStatus
from archiver.wording import Text

#: The first wait, and the longest.
FIRST_WAIT = timedelta(seconds=30)
LONGEST_WAIT = timedelta(hours=6)
#: Attempts, after which a person has to look: with the waits above about two days.
MOST_ATTEMPTS = 16
#: Duplicate SOP Instance (PS3.7 C.5.6): what was to come about is there, whoever sent it.
HAS_IT = 0x0111
#: What the peer said of a shipment when it stored it, before what has become of it since.
THEN = "network.outbox.then"
#: What is said there of one that the peer stored without more ado.
STORED = Text("network.outbox.stored")


class State(str, Enum):
    """Where an object stands on its way to a peer."""

    QUEUED = "queued"
    SENT = "sent"
    COMMITTED = "committed"
    FAILED = "failed"


@dataclass(frozen=True)
class Delivery:
    """One object on its way to one peer.

    Parameters
    ----------
    destination
        Name of the peer.
    sop_instance, sop_class, study
        UIDs.
    path
        Of the file, relative to the archive.
    source_digest
        SHA-256 of the camera file that the object was made from; empty if there is none.
    state
        Where it stands.
    reason
        Why it stands there; None where there is nothing to say.
    attempts
        How often it was tried since it was queued.
    next_attempt
        Not before.
    transaction
        UID of the commitment that was last asked for.
    syntax
        Transfer syntax in which it travelled.
    recoded
        True where a decoded copy was sent.
    queued_at, changed_at
        When.
    """

    destination: str
    sop_instance: str
    sop_class: str
    study: str
    path: str
    source_digest: str
    state: State
    reason: Text | Problem | None
    attempts: int
    next_attempt: datetime
    transaction: str
    syntax: str
    recoded: bool
    queued_at: datetime
    changed_at: datetime


def outcome_of(status: DimseStatus) -> Category:
    """Say what came of storing; that the peer has the object already is a warning."""
    return Category.WARNING if status.code == HAS_IT else status.category


def wait_after(attempts: int, jitter: float) -> timedelta:
    """Return how long to wait after a number of failed attempts.

    Doubled each time, and shortened by up to a half, so that many practices do not come back to
    a recovered archive in the same second.

    Parameters
    ----------
    attempts
        From 1.
    jitter
        From 0 to 1, drawn by the caller.
    """
    doubled = FIRST_WAIT * (1 << min(max(attempts, 1) - 1, 20))
    return min(doubled, LONGEST_WAIT) * (1 - jitter / 2)


def after_sending(
    shipment: Delivery, result: Sent | ArchiverError, now: datetime, jitter: float
) -> Delivery:
    """Return a queued shipment as it is after an attempt to send it.

    One that the peer has already counts as sent, with a note: whether it is the same one, the
    peer's report on it has to say, or a comparison.
    """
    if shipment.state is not State.QUEUED:
        return shipment
    tried = replace(shipment, attempts=shipment.attempts + 1, changed_at=now)
    if isinstance(result, ArchiverError):
        for_good = isinstance(result, RefusedForGood | ObjectError)
        return _put_back(tried, result.problems[0], not for_good, now, jitter)
    there = result.status.code == HAS_IT
    if not there and not result.status.is_done:
        return _put_back(tried, result.status.text, result.status.passes, now, jitter)
    noted = there or result.status.category is Category.WARNING
    return replace(
        tried,
        state=State.SENT,
        reason=result.status.text if noted else None,
        next_attempt=now,
        transaction="",
        syntax=result.transfer_syntax,
        recoded=result.recoded,
    )


def after_report(
    shipment: Delivery, failure: DimseStatus | None, now: datetime, jitter: float
) -> Delivery:
    """Return a sent shipment as it is after the peer reported on it.

    Parameters
    ----------
    shipment
        As it was.
    failure
        Why the peer did not take charge; None where it did.
    now, jitter
        The time, and a number from 0 to 1.
    """
    if shipment.state is not State.SENT:
        return shipment
    if failure is None:
        # What it said when it stored stays: a warning, or that what it has is not from here.
        noted = _standing(shipment)
        reason = None if noted == STORED else noted
        return replace(shipment, state=State.COMMITTED, reason=reason, changed_at=now)
    standing = _standing(shipment)
    reason = Text("network.outbox.not_taken", standing=standing, failure=failure.text)
    tried = replace(shipment, state=State.QUEUED, attempts=shipment.attempts + 1, changed_at=now)
    return _put_back(tried, reason, failure.passes, now, jitter)


def without_report(
    shipment: Delivery, reason: Text | Problem, now: datetime, jitter: float
) -> Delivery:
    """Return a sent shipment as it is when no report came; it stays sent and is asked for again.

    Parameters
    ----------
    shipment
        As it was.
    reason
        Why there is no report; what the peer said when it was stored stays before it.
    now, jitter
        The time, and a number from 0 to 1.
    """
    if shipment.state is not State.SENT:
        return shipment
    attempts = shipment.attempts + 1
    return replace(
        shipment,
        reason=Text(THEN, standing=_standing(shipment), reason=reason),
        attempts=attempts,
        next_attempt=now + wait_after(attempts, jitter),
        changed_at=now,
    )


def tried_again(shipment: Delivery, now: datetime) -> Delivery:
    """Return a shipment that a person wants to be tried at once."""
    if shipment.state is State.COMMITTED:
        return shipment
    state = State.QUEUED if shipment.state is State.FAILED else shipment.state
    return replace(shipment, state=state, attempts=0, next_attempt=now, changed_at=now)


def _standing(sent: Delivery) -> Text | Problem:
    """Return what was noted of a sent shipment when the peer stored it."""
    reason = sent.reason or STORED
    noted: Text | Problem = dict(reason.given)["standing"] if reason.code == THEN else reason  # type: ignore[assignment]
    return noted


def _put_back(
    tried: Delivery, reason: Text | Problem, passes: bool, now: datetime, jitter: float
) -> Delivery:
    if passes and tried.attempts < MOST_ATTEMPTS:
        later = now + wait_after(tried.attempts, jitter)
        return replace(tried, reason=reason, next_attempt=later)
    return replace(tried, state=State.FAILED, reason=reason)
