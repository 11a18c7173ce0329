"""The outbox: what is to be sent, kept in the archive's folder until the peer has taken charge.

A database file of its own, ``outbox.sqlite`` beside the index: the index can be thrown away and
made again from the objects, but what has been sent and committed stands nowhere else. For the
same reason every change is flushed before it counts (``synchronous=FULL``).
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from sqlalchemy import (
    Connection,
    Engine,
    create_engine,
    delete,
    event,
    func,
    insert,
    select,
    update,
)
from sqlalchemy.dialects import sqlite
from sqlalchemy.exc import SQLAlchemyError

from archiver.archive.store import Layout, WriterLock, upgrade_database
from archiver.errors import ArchiveError, Problem, packed, unpacked
from archiver.network.outbox.delivery_state import Delivery, State
from archiver.network.outbox.tables import DROPS as _drops
from archiver.network.outbox.tables import HELD as _held
from archiver.network.outbox.tables import SCHEMA
from archiver.network.outbox.tables import SHIPMENTS as _shipments

FILE = "outbox.sqlite"
#: How long one process waits for another's commit (seconds).
_PATIENCE = 30.0

_C = _shipments.c
_HOLD = sqlite.insert(_held).on_conflict_do_nothing()
#: Another process may have queued the same since it was looked whether it is in.
_QUEUE = sqlite.insert(_shipments).on_conflict_do_nothing()
_TIMES = ("next_attempt", "queued_at", "changed_at")


@dataclass(frozen=True)
class Goods:
    """An archived object that is to go to a peer; see `Delivery` for the fields."""

    sop_instance: str
    sop_class: str
    study: str
    path: str
    source_digest: str = ""


@dataclass(frozen=True)
class OutboxStanding:
    """How the outbox stands: how much waits, since when the oldest does, how much has failed."""

    queued: int
    failed: int
    oldest: datetime | None


@dataclass(frozen=True)
class Queued:
    """What came of putting objects into the outbox.

    Parameters
    ----------
    new
        Put in now.
    waiting
        In already, and not committed.
    committed
        Committed before; they are not sent again.
    """

    new: int
    waiting: int
    committed: int


@dataclass(frozen=True)
class Drop:
    """A shipment that was taken out, until the journal knows of it.

    Parameters
    ----------
    number
        Of the drop.
    destination, sop_instance, study, state
        Of the shipment.
    who, dropped_at
        Who took it out, and when.
    """

    number: int
    destination: str
    sop_instance: str
    study: str
    state: str
    who: str
    dropped_at: str


class Outbox:
    """The outbox of an archive. Several processes may have it open.

    Parameters
    ----------
    folder
        Of the archive.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._engine = _engine(folder / FILE)

    @classmethod
    def open(cls, folder: Path) -> Outbox:
        """Open the outbox of an archive; it is made where there is none.

        Raises
        ------
        ArchiveError
            If the folder is no archive, the database cannot be opened or is of a newer version.
        """
        Layout(folder.absolute()).check_mark()
        outbox = cls(folder)
        with outbox._translated():
            upgrade_database(SCHEMA, folder / FILE, _PATIENCE)
        return outbox

    def close(self) -> None:
        """Close every connection."""
        self._engine.dispose()

    def __enter__(self) -> Outbox:
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()

    @contextmanager
    def sole_sender(self, destination: str) -> Iterator[None]:
        """Be the only process that sends to a peer; a kill gives the right back.

        Raises
        ------
        ArchiveError
            If another process sends to it.
        """
        name = hashlib.sha256(destination.encode()).hexdigest()[:16]
        try:
            lock = WriterLock(self.folder / f"outbox-{name}.lock")
        except ArchiveError:
            problem = Problem("network.outbox.other_sender", peer=destination)
            raise ArchiveError(problem.at(file=str(self.folder))) from None
        try:
            yield
        finally:
            lock.release()

    def queue(self, destination: str, goods: Iterable[Goods], now: datetime) -> Queued:
        """Put objects in, in one transaction; what is in already stays as it is."""
        counts = {"new": 0, "waiting": 0, "committed": 0}
        with self._translated(), self._engine.begin() as connection:
            rows = connection.execute(
                select(_C.sop_instance, _C.state).where(_C.destination == destination)
            )
            known = {row.sop_instance: row.state for row in rows}
            fresh: dict[str, dict[str, Any]] = {}
            for one in goods:
                state = known.get(one.sop_instance)
                if state is None:
                    fresh[one.sop_instance] = _row(_fresh(destination, one, now))
                else:
                    counts["committed" if state == State.COMMITTED.value else "waiting"] += 1
            if fresh:
                counts["new"] = connection.execute(_QUEUE, list(fresh.values())).rowcount
                counts["waiting"] += len(fresh) - counts["new"]
        return Queued(**counts)

    def standing(self) -> OutboxStanding:
        """Return how much waits and has failed, and since when the oldest waits."""
        statement = select(_C.state, func.count(), func.min(_C.queued_at)).group_by(_C.state)
        with self._translated(), self._engine.connect() as connection:
            rows = {state: (count, since) for state, count, since in connection.execute(statement)}
        queued, since = rows.get(State.QUEUED.value, (0, None))
        failed, _ = rows.get(State.FAILED.value, (0, None))
        return OutboxStanding(queued, failed, datetime.fromisoformat(since) if since else None)

    def shipments(
        self,
        destination: str | None = None,
        states: Sequence[State] = (),
        *,
        due: datetime | None = None,
        instances: Sequence[str] = (),
        sources: Sequence[str] = (),
    ) -> list[Delivery]:
        """Return shipments in the order in which they were queued.

        Parameters
        ----------
        destination, states, instances, sources
            Only these; None or empty for all.
        due
            Only those whose next attempt is not after this.
        """
        statement = select(_shipments).order_by(_C.queued_at, _C.study, _C.sop_instance)
        if destination is not None:
            statement = statement.where(_C.destination == destination)
        if states:
            statement = statement.where(_C.state.in_([state.value for state in states]))
        if due is not None:
            statement = statement.where(_C.next_attempt <= _moment(due))
        with self._translated(), self._engine.connect() as connection:
            found = [_shipment(row._mapping) for row in connection.execute(statement)]
        wanted, origins = set(instances), set(sources)
        return [
            one
            for one in found
            if (not wanted or one.sop_instance in wanted)
            and (not origins or one.source_digest in origins)
        ]

    def save(self, before: Sequence[Delivery], after: Sequence[Delivery]) -> None:
        """Write what has changed of shipments, in one transaction, flushed when this returns.

        A shipment whose state somebody else changed in between is left as they made it. What is
        the same before and after is not written, since it may be older than what stands there.
        """
        with self._translated(), self._engine.begin() as connection:
            for old, new in zip(before, after, strict=True):
                was, row = _row(old), _row(new)
                changed = {name: value for name, value in row.items() if value != was[name]}
                if not changed:
                    continue
                connection.execute(
                    update(_shipments)
                    .where(
                        _C.destination == old.destination,
                        _C.sop_instance == old.sop_instance,
                        _C.state == old.state.value,
                    )
                    .values(changed)
                )

    def drop(self, shipments: Sequence[Delivery]) -> int:
        """Take shipments out of which the journal knows, and return how many.

        Those that are committed stay, so that they are not sent again.
        """
        with self._translated(), self._engine.begin() as connection:
            return sum(_dropped(connection, one) for one in shipments)

    def drop_noting(self, shipments: Sequence[Delivery], who: str, now: datetime) -> int:
        """The same, noting in the same transaction that the journal has to be told."""
        count = 0
        with self._translated(), self._engine.begin() as connection:
            for one in shipments:
                if _dropped(connection, one):
                    count += 1
                    connection.execute(insert(_drops), [_drop_row(one, who, now)])
        return count

    def hold(self, destination: str, instances: Iterable[str]) -> None:
        """Note that a peer has instances, whoever sent them there."""
        rows = [{"destination": destination, "sop_instance": uid} for uid in instances]
        if rows:
            with self._translated(), self._engine.begin() as connection:
                connection.execute(_HOLD, rows)

    def holders(self) -> dict[str, set[str]]:
        """Return what peers were noted to have, by their names."""
        found: dict[str, set[str]] = {}
        with self._translated(), self._engine.connect() as connection:
            for destination, uid in connection.execute(select(_held)):
                found.setdefault(destination, set()).add(uid)
        return found

    def drops(self) -> list[Drop]:
        """Return the drops that the journal has not been told of."""
        with self._translated(), self._engine.connect() as connection:
            rows = connection.execute(select(_drops).order_by(_drops.c.number))
            return [Drop(**row._mapping) for row in rows]

    def strike(self, drops: Sequence[Drop]) -> None:
        """Forget drops that the journal has been told of."""
        numbers = [drop.number for drop in drops]
        with self._translated(), self._engine.begin() as connection:
            connection.execute(delete(_drops).where(_drops.c.number.in_(numbers)))

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except (SQLAlchemyError, sqlite3.Error) as error:
            cause = getattr(error, "orig", None) or error
            said = " ".join(str(cause).split())[:200]
            problem = Problem("network.outbox.unusable", reason=said)
            raise ArchiveError(problem.at(file=str(self.folder / FILE))) from error


def _engine(path: Path) -> Engine:
    engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": _PATIENCE})

    @event.listens_for(engine, "connect")
    def _set_up(connection: sqlite3.Connection, _record: Any) -> None:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")

    return engine


def _moment(when: datetime) -> str:
    """Return a time as text that sorts: UTC, always with six digits of the second."""
    return when.astimezone(timezone.utc).isoformat(timespec="microseconds")


def _fresh(destination: str, one: Goods, now: datetime) -> Delivery:
    return Delivery(
        destination,
        one.sop_instance,
        one.sop_class,
        one.study,
        one.path,
        one.source_digest,
        State.QUEUED,
        None,
        0,
        now,
        "",
        "",
        False,
        now,
        now,
    )


def _row(shipment: Delivery) -> dict[str, Any]:
    values: dict[str, Any] = {f.name: getattr(shipment, f.name) for f in fields(Delivery)}
    values["state"] = shipment.state.value
    values["reason"] = packed(shipment.reason) if shipment.reason else ""
    for name in _TIMES:
        values[name] = _moment(values[name])
    return values


def _shipment(row: Any) -> Delivery:
    values = dict(row)
    values["state"] = State(values["state"])
    values["reason"] = unpacked(values["reason"]) if values["reason"] else None
    for name in _TIMES:
        values[name] = datetime.fromisoformat(values[name])
    return Delivery(**values)


def _dropped(connection: Connection, one: Delivery) -> bool:
    gone = connection.execute(
        delete(_shipments).where(
            _C.destination == one.destination,
            _C.sop_instance == one.sop_instance,
            _C.state != State.COMMITTED.value,
        )
    )
    if gone.rowcount and (one.state is State.SENT or one.attempts):
        # It is there, or may be; should it be amended, so must it be there.
        held = {"destination": one.destination, "sop_instance": one.sop_instance}
        connection.execute(_HOLD, [held])
    return bool(gone.rowcount)


def _drop_row(one: Delivery, who: str, now: datetime) -> dict[str, Any]:
    return {
        "destination": one.destination,
        "sop_instance": one.sop_instance,
        "study": one.study,
        "state": one.state.value,
        "who": who,
        "dropped_at": _moment(now),
    }
