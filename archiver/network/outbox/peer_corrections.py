"""What other archives are owed once an instance that they had is rejected here.

It follows from the index and the outbox alone: to every peer for which the outbox holds, or held
and sent, a rejected instance go the note that rejects it and what came in its place; so it is with
a peer from which it was fetched, or to which the node moved it. It does not matter when a process
was stopped; whoever sends next finds out again what is owed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import Connection, select

from archiver.archive.store import Archive, Deed
from archiver.archive.store import tables as t
from archiver.network.outbox.delivery_state import Delivery, State
from archiver.network.outbox.outbox import FILE, Goods, Outbox

_AT_ONCE = 900


@dataclass(frozen=True)
class QueuedCorrection:
    """What was put into the outbox.

    Parameters
    ----------
    queued
        For each peer that had a rejected instance, how many objects are new in the outbox.
    useless
        Shipments of rejected instances that wait, or were refused: nobody is to get these. Where
        one was tried, it may have arrived all the same, and the note goes there.
    """

    queued: dict[str, int]
    useless: tuple[Delivery, ...]


def note_holder(folder: Path, peer: str, instances: Iterable[str]) -> None:
    """Note that a peer has instances of an archive, so that it is told when they are rejected.

    Raises
    ------
    ArchiveError
        If the outbox cannot be used.
    """
    uids = list(instances)
    if uids:
        with Outbox.open(folder) as outbox:
            outbox.hold(peer, uids)


def queue_owed(archive: Archive, outbox: Outbox, now: datetime) -> QueuedCorrection:
    """Put into the outbox what peers are owed; what is in already stays as it is.

    Parameters
    ----------
    archive
        Open for reading.

    Raises
    ------
    ArchiveError
        If index or outbox cannot be used.
    """
    shipments = outbox.shipments()
    there = outbox.holders()
    for one in shipments:
        there.setdefault(one.destination, set()).add(one.sop_instance)
    with archive.reading() as connection:
        rejected = _rejected(connection, set().union(*there.values()))
        owed = {
            destination: _goods(connection, uids & rejected)
            for destination, uids in there.items()
            if uids & rejected
        }
    queued = {
        destination: outbox.queue(destination, goods, now).new
        for destination, goods in owed.items()
    }
    useless = tuple(
        one
        for one in shipments
        if one.sop_instance in rejected and one.state in (State.QUEUED, State.FAILED)
    )
    return QueuedCorrection(queued, useless)


def settle_owed(archive: Archive, now: datetime) -> dict[str, int]:
    """Put into the outbox what peers are owed, and take out what none of them should get.

    Parameters
    ----------
    archive
        Open for writing: its journal is told of what is taken out.

    Returns
    -------
    dict
        For each peer that had a rejected instance, how many objects are new in the outbox.

    Raises
    ------
    ArchiveError
        If index, journal or outbox cannot be used.
    """
    root = archive.layout.root
    if not (root / FILE).exists():
        return {}
    with Outbox.open(root) as outbox:
        owed = queue_owed(archive, outbox, now)
        if owed.useless:
            archive.record([_dropped(one) for one in owed.useless])
            outbox.drop(owed.useless)
    return owed.queued


def _dropped(one: Delivery) -> Deed:
    return Deed(
        "dropped",
        study=one.study,
        sop=one.sop_instance,
        note=f"not sent to {one.destination}; it was amended",
    )


def _rejected(connection: Connection, uids: Iterable[str]) -> set[str]:
    i = t.instances.c
    found: set[str] = set()
    wanted = sorted(uids)
    for begin in range(0, len(wanted), _AT_ONCE):
        some = wanted[begin : begin + _AT_ONCE]
        rows = connection.execute(
            select(i.sop_instance_uid).where(i.sop_instance_uid.in_(some), i.rejected.is_not(None))
        )
        found.update(row[0] for row in rows)
    return found


def _goods(connection: Connection, uids: set[str]) -> list[Goods]:
    """Return the notes that reject the instances, and what stands in their place in the end."""
    notes: dict[str, Goods] = {}
    valid: dict[str, Goods] = {}
    waiting, seen = sorted(uids), set(uids)
    while waiting:
        uid = waiting.pop()
        notes |= _notes(connection, uid)
        for one, is_rejected in _after(connection, uid):
            if not is_rejected:
                valid[one.sop_instance] = one
            elif one.sop_instance not in seen:
                seen.add(one.sop_instance)
                waiting.append(one.sop_instance)
    # The successors first: where the sending stops in between, a picture is there twice
    # rather than not at all.
    return [*valid.values(), *notes.values()]


_I = t.instances.c
_COLUMNS = (_I.sop_instance_uid, _I.sop_class_uid, _I.study_uid, _I.path, _I.source_digest)


def _notes(connection: Connection, uid: str) -> dict[str, Goods]:
    c = t.rejections.c
    joined = t.rejections.join(t.instances, c.note == _I.number)
    rows = connection.execute(
        select(*_COLUMNS).select_from(joined).where(c.sop_instance_uid == uid)
    )
    return {row[0]: Goods(*row[:4], row[4] or "") for row in rows}


def _after(connection: Connection, uid: str) -> list[tuple[Goods, bool]]:
    """Return what came in the place of an instance, and a first corrected picture with it."""
    rows = connection.execute(
        select(*_COLUMNS, _I.rejected, _I.role).where(_I.predecessor == uid)
    ).all()
    found = [(Goods(*row[:4], row[4] or ""), row.rejected is not None) for row in rows]
    for row in rows:
        if row.role == "original" and row.source_digest:
            beside = connection.execute(
                select(*_COLUMNS, _I.rejected).where(
                    _I.source_digest == row.source_digest,
                    _I.study_uid == row.study_uid,
                    _I.role == "derived",
                    _I.predecessor.is_(None),
                    _I.rejected.is_(None),
                )
            )
            found += [(Goods(*one[:4], one[4] or ""), False) for one in beside]
    return found
