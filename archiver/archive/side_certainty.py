"""How a side is confirmed, as a column of an answer."""

from __future__ import annotations

from typing import Any
from weakref import WeakSet

from sqlalchemy import ColumnElement, Connection, Engine, case, func, inspect, select

from archiver.archive.store import tables as t
from archiver.objects import SAID

#: How a side is confirmed, by what instances say of themselves.
_SAID_CERTAINTY: ColumnElement[Any] = case(
    (t.instances.c.confirmed.is_(True), SAID), (t.instances.c.confirmed.is_(False), "")
)
#: The same, where it was noted whether that is bound to a picture.
_NOTED_CERTAINTY = func.coalesce(
    select(t.shown.c.certainty).where(t.shown.c.instance == t.instances.c.number).scalar_subquery(),
    _SAID_CERTAINTY,
)
#: Indexes that were seen to note it; looking again would take as long as a short answer.
_noting: WeakSet[Engine] = WeakSet()


def side_certainty(connection: Connection) -> ColumnElement[Any]:
    """Return the column; what an earlier version indexed was not bound to a picture."""
    if connection.engine not in _noting:
        if not inspect(connection).has_table(t.shown.name):
            return _SAID_CERTAINTY
        _noting.add(connection.engine)
    return _NOTED_CERTAINTY
