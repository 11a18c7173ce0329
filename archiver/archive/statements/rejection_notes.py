"""Which instances the rejection notes of the archive name, and which of the notes are heeded.

A note is heeded once a line of the journal says so: somebody who may reject brought it, or decided
about it (see `heeded_by`). It then counts for instances of its own study and patient, whether it
came before them or after them; so the table of rejections also holds what is not in the archive.
A note that another heeded note rejects counts no more: so a rejection is revoked. Where several
notes name an instance, the one that came in first says why.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from sqlalchemy import Column, Connection, Select, bindparam, insert, inspect, select, update

from archiver.archive.store import tables as t
from archiver.archive.store.journal_lines import AMENDED, HEEDED, Deed
from archiver.objects import concepts

if TYPE_CHECKING:
    from archiver.archive.store.indexed_instance import IndexedInstance

#: Variables in one statement at most; SQLite before 3.32 takes 999.
_AT_ONCE = 900
#: Notes that reject notes, one above the other; what is deeper was made to tire us.
_DEEPEST = 32


#: Lines of the journal by which a note is heeded. What was kept as one, with its reason, is a
#: statement of somebody who writes in this archive.
STATEMENTS = (HEEDED, AMENDED)


def heeded_by(deeds: Iterable[Deed]) -> set[str]:
    """Return the instances that lines of the journal say are heeded."""
    return {deed.sop for deed in deeds if deed.action in STATEMENTS}


def note_rejections(
    connection: Connection,
    kept: Sequence[IndexedInstance],
    first: int,
    heeded: Collection[str] = (),
) -> None:
    """Enter what new instances reject, what is heeded from now on, and what follows from both.

    Parameters
    ----------
    connection
        Within the transaction that entered the instances.
    kept
        The new instances.
    first
        The number of the first of them; the others follow.
    heeded
        Of `heeded_by`; what is in already does no harm.
    """
    rows = [
        {
            "sop_instance_uid": uid,
            "note": number,
            "code": selection.title.value,
            "meaning": concepts.REJECTIONS[selection.title.value].meaning,
            "journal_seq": one.journal_seq,
        }
        for number, one in enumerate(kept, start=first)
        if (selection := one.description.selection) is not None and selection.rejects
        for uid in selection.uids
    ]
    if rows:
        connection.execute(insert(t.rejections), rows)
    new = _heed(connection, heeded) if heeded else set()
    if not rows and connection.execute(select(t.rejections.c.note).limit(1)).first() is None:
        return
    touched = {one.description.sop_instance_uid for one in kept} | _named_by(connection, new)
    _mark(connection, touched | {str(row["sop_instance_uid"]) for row in rows})


def _heed(connection: Connection, uids: Collection[str]) -> set[str]:
    # An earlier version's index has no such table, and marks by the notes alone; the writer that
    # opens it makes one.
    known = {row[0] for row in connection.execute(select(t.heeded.c.sop_instance_uid))}
    new = set(uids) - known
    if new:
        connection.execute(insert(t.heeded), [{"sop_instance_uid": uid} for uid in sorted(new)])
    return new


def enter_heeded(connection: Connection, heeded: Collection[str]) -> None:
    """Bring an index up that an earlier version made: of it every note had counted."""
    t.heeded.create(connection)
    _heed(connection, heeded)
    c = t.rejections.c
    _mark(connection, {row[0] for row in connection.execute(select(c.sop_instance_uid))})


def right_marks(connection: Connection) -> dict[str, str]:
    """Return, for every instance that is rejected, why, as notes and heeded lines have it."""
    c = t.rejections.c
    return _reasons(connection, {row[0] for row in connection.execute(select(c.sop_instance_uid))})


def is_withheld(connection: Connection, uid: str) -> bool:
    """Return whether an instance was rejected for a reason for which nobody is shown it."""
    i = t.instances.c
    reason = connection.execute(select(i.rejected).where(i.sop_instance_uid == uid)).scalar()
    return reason in concepts.WITHHELD


def _mark(connection: Connection, uids: set[str]) -> None:
    every = set(uids)
    waiting = set(uids)
    while waiting:
        waiting = _named_by(connection, waiting) - every
        every |= waiting
    reasons = _reasons(connection, every)
    c = t.instances.c
    marks = select(c.sop_instance_uid).where(c.rejected.is_not(None))
    marked = {row[0] for row in _some(connection, marks, every, c.sop_instance_uid)}
    changes: list[dict[str, str | None]] = [
        {"named": uid, "reason": meaning} for uid, meaning in reasons.items()
    ]
    changes += [{"named": uid, "reason": None} for uid in marked - reasons.keys()]
    if not changes:
        return
    connection.execute(
        update(t.instances)
        .where(c.sop_instance_uid == bindparam("named"))
        .values(rejected=bindparam("reason")),
        changes,
    )
    numbers = select(c.number).where(c.sop_instance_uid == bindparam("named"))
    connection.execute(
        update(t.instance_teeth)
        .where(t.instance_teeth.c.instance == numbers.scalar_subquery())
        .values(rejected=bindparam("is_rejected")),
        [{"named": one["named"], "is_rejected": one["reason"] is not None} for one in changes],
    )


def _some(
    connection: Connection, statement: Select[Any], uids: Iterable[str], column: Column[Any]
) -> Iterator[tuple[Any, ...]]:
    """Yield the rows of a statement that are about any of the instances."""
    wanted = sorted(uids)
    for begin in range(0, len(wanted), _AT_ONCE):
        among = column.in_(wanted[begin : begin + _AT_ONCE])
        yield from map(tuple, connection.execute(statement.where(among)).all())


def _named_by(connection: Connection, notes: Iterable[str]) -> set[str]:
    """Return the instances that notes reject."""
    r, i = t.rejections.c, t.instances.c
    joined = t.rejections.join(t.instances, r.note == i.number)
    named = select(r.sop_instance_uid).select_from(joined)
    return {row[0] for row in _some(connection, named, notes, i.sop_instance_uid)}


def _reasons(connection: Connection, uids: Iterable[str], depth: int = 0) -> dict[str, str]:
    """Return, for those that are rejected, the meaning of the code of the earliest note."""
    if depth > _DEEPEST:
        return {}
    by_instance: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for uid, note, meaning in _counting(connection, uids):
        by_instance[uid].append((note, meaning))
    notes = {note for found in by_instance.values() for note, _ in found}
    revoked = _reasons(connection, notes, depth + 1) if notes else {}
    reasons = {}
    for uid, found in by_instance.items():
        standing = [meaning for note, meaning in found if note not in revoked]
        if standing:
            reasons[uid] = standing[0]
    return reasons


def _counting(connection: Connection, uids: Iterable[str]) -> list[tuple[str, str, str]]:
    """Return instances, the heeded notes of their study and patient that name them, and why."""
    r, n, i = t.rejections.c, t.instances.alias("note"), t.instances
    theirs, its = t.patients.alias("theirs"), t.patients.alias("its")
    joined = (
        t.rejections.join(n, r.note == n.c.number)
        .join(i, i.c.sop_instance_uid == r.sop_instance_uid)
        .join(theirs, i.c.patient == theirs.c.number)
        .join(its, n.c.patient == its.c.number)
    )
    if inspect(connection).has_table(t.heeded.name):
        joined = joined.join(t.heeded, t.heeded.c.sop_instance_uid == n.c.sop_instance_uid)
    statement = (
        select(r.sop_instance_uid, n.c.sop_instance_uid, r.meaning)
        .select_from(joined)
        .where(
            n.c.study_uid == i.c.study_uid,
            theirs.c.patient_id == its.c.patient_id,
            theirs.c.issuer == its.c.issuer,
        )
        .order_by(r.journal_seq, r.note)
    )
    rows = _some(connection, statement, uids, r.sop_instance_uid)
    return [(str(uid), str(note), str(meaning)) for uid, note, meaning in rows]
