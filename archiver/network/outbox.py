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
    Boolean,
    Column,
    Engine,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    create_engine,
    delete,
    event,
    insert,
    select,
    update,
)
from sqlalchemy.exc import SQLAlchemyError

from archiver.archive.locking import WriterLock
from archiver.errors import ArchiveError, Problem
from archiver.network.shipping import Shipment, State

FILE = "outbox.sqlite"
#: How long one process waits for another's commit (seconds).
_PATIENCE = 30.0

_metadata = MetaData()
_shipments = Table(
    "shipments",
    _metadata,
    Column("destination", String, primary_key=True),
    Column("sop_instance", String(64), primary_key=True),
    Column("sop_class", String(64), nullable=False),
    Column("study", String(64), nullable=False),
    Column("path", String, nullable=False),
    Column("source_digest", String(64), nullable=False),
    Column("state", String(9), nullable=False),
    Column("reason", String, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("next_attempt", String(32), nullable=False),
    Column("transaction", String(64), nullable=False),
    Column("syntax", String(64), nullable=False),
    Column("recoded", Boolean, nullable=False),
    Column("queued_at", String(32), nullable=False),
    Column("changed_at", String(32), nullable=False),
    Index("shipments_due", "destination", "state", "next_attempt"),
    Index("shipments_of_source", "source_digest"),
)
_C = _shipments.c
_TIMES = ("next_attempt", "queued_at", "changed_at")


@dataclass(frozen=True)
class Goods:
    """An archived object that is to go to a peer; see `Shipment` for the fields."""

    sop_instance: str
    sop_class: str
    study: str
    path: str
    source_digest: str = ""


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
            If the folder is no archive, or the database cannot be opened.
        """
        if not (folder / "FORMAT").is_file():
            raise ArchiveError(Problem("no archive is here", str(folder), "a file FORMAT"))
        outbox = cls(folder)
        with outbox._translated():
            _metadata.create_all(outbox._engine)
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
            raise ArchiveError(
                Problem(f'another process sends to "{destination}"', str(self.folder))
            ) from None
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
            counts["new"] = len(fresh)
            if fresh:
                connection.execute(insert(_shipments), list(fresh.values()))
        return Queued(**counts)

    def shipments(
        self,
        destination: str | None = None,
        states: Sequence[State] = (),
        *,
        due: datetime | None = None,
        instances: Sequence[str] = (),
        sources: Sequence[str] = (),
    ) -> list[Shipment]:
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

    def save(self, before: Sequence[Shipment], after: Sequence[Shipment]) -> None:
        """Write changed shipments, in one transaction, flushed when this returns.

        A shipment that somebody else changed in between is left as they made it.
        """
        with self._translated(), self._engine.begin() as connection:
            for old, new in zip(before, after, strict=True):
                connection.execute(
                    update(_shipments)
                    .where(
                        _C.destination == old.destination,
                        _C.sop_instance == old.sop_instance,
                        _C.state == old.state.value,
                    )
                    .values(_row(new))
                )

    def drop(self, shipments: Sequence[Shipment]) -> None:
        """Take shipments out; those that are committed stay, so that they are not sent again."""
        with self._translated(), self._engine.begin() as connection:
            for one in shipments:
                connection.execute(
                    delete(_shipments).where(
                        _C.destination == one.destination,
                        _C.sop_instance == one.sop_instance,
                        _C.state != State.COMMITTED.value,
                    )
                )

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except SQLAlchemyError as error:
            cause = getattr(error, "orig", None) or error
            said = " ".join(str(cause).split())[:200]
            raise ArchiveError(
                Problem(f"the outbox cannot be used: {said}", str(self.folder / FILE))
            ) from error


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


def _fresh(destination: str, one: Goods, now: datetime) -> Shipment:
    return Shipment(
        destination,
        one.sop_instance,
        one.sop_class,
        one.study,
        one.path,
        one.source_digest,
        State.QUEUED,
        "",
        0,
        now,
        "",
        "",
        False,
        now,
        now,
    )


def _row(shipment: Shipment) -> dict[str, Any]:
    values: dict[str, Any] = {f.name: getattr(shipment, f.name) for f in fields(Shipment)}
    values["state"] = shipment.state.value
    for name in _TIMES:
        values[name] = _moment(values[name])
    return values


def _shipment(row: Any) -> Shipment:
    values = dict(row)
    values["state"] = State(values["state"])
    for name in _TIMES:
        values[name] = datetime.fromisoformat(values[name])
    return Shipment(**values)
