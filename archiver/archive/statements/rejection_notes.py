"""Which instances the rejection notes of the archive name.

A note counts whoever wrote it, and whether it came before the instances or after them; so the
table of rejections also holds what is not in the archive. Where several notes name an instance,
the one that came in first says why.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from sqlalchemy import Connection, bindparam, insert, select, update

from archiver.archive.store import tables as t
from archiver.objects import concepts

if TYPE_CHECKING:
    from archiver.archive.store.indexed_instance import IndexedInstance

#: Variables in one statement at most; SQLite before 3.32 takes 999.
_AT_ONCE = 900


def note_rejections(connection: Connection, kept: Sequence[IndexedInstance], first: int) -> None:
    """Enter what new instances reject, and whether they themselves are rejected.

    Parameters
    ----------
    connection
        Within the transaction that entered the instances.
    kept
        The new instances.
    first
        The number of the first of them; the others follow.
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
    elif connection.execute(select(t.rejections.c.note).limit(1)).first() is None:
        return
    touched = {str(row["sop_instance_uid"]) for row in rows}
    _mark(connection, touched | {one.description.sop_instance_uid for one in kept})


def _mark(connection: Connection, uids: Iterable[str]) -> None:
    reasons = _reasons(connection, sorted(uids))
    if not reasons:
        return
    c = t.instances.c
    marked = [{"named": uid, "reason": meaning} for uid, meaning in reasons.items()]
    connection.execute(
        update(t.instances)
        .where(c.sop_instance_uid == bindparam("named"))
        .values(rejected=bindparam("reason")),
        marked,
    )
    numbers = select(c.number).where(c.sop_instance_uid == bindparam("named"))
    connection.execute(
        update(t.instance_teeth)
        .where(t.instance_teeth.c.instance == numbers.scalar_subquery())
        .values(rejected=True),
        [{"named": uid} for uid in reasons],
    )


def _reasons(connection: Connection, uids: Sequence[str]) -> dict[str, str]:
    """Return, for those that are rejected, the meaning of the code of the earliest note."""
    c = t.rejections.c
    found: dict[str, str] = {}
    for begin in range(0, len(uids), _AT_ONCE):
        some = uids[begin : begin + _AT_ONCE]
        rows = connection.execute(
            select(c.sop_instance_uid, c.meaning)
            .where(c.sop_instance_uid.in_(some))
            .order_by(c.journal_seq, c.note)
        )
        for uid, meaning in rows:
            found.setdefault(uid, meaning)
    return found
