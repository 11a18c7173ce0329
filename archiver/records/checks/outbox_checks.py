"""What waits to be sent to another archive, or to be taken charge of, for too long.

The outbox is a database file of its own beside the index (``outbox.sqlite``, table
``shipments``). It is read here through its columns and never written.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from archiver.archive.store import database_version, existing_database, newer_version
from archiver.errors import unpacked
from archiver.records.model import Concern, Instance, Said
from archiver.records.rules.rule_set import AuditLimits
from archiver.wording import Text

FILE = "outbox.sqlite"
#: The version of its tables that is read here.
VERSION = 2
_READ = "SELECT destination, sop_instance, state, reason, queued_at, changed_at FROM shipments"


@dataclass(frozen=True)
class Waiting:
    """An item of the outbox.

    Parameters
    ----------
    state
        ``queued``, ``sent``, ``committed`` or ``failed``.
    queued, changed
        When it was put in and when its state changed last, ISO 8601.
    """

    destination: str
    sop: str
    state: str
    reason: Said
    queued: str
    changed: str


def read_outbox(archive: Path) -> tuple[list[Waiting], Said]:
    """Read the outbox of an archive.

    Returns
    -------
    items, trouble
        Empty where there is no outbox; `trouble` says why one cannot be read.
    """
    path = archive / FILE
    if not path.is_file():
        return [], ""
    try:
        found = database_version(path)
        if found > VERSION:
            return [], newer_version(Text("archive.schema.outbox"), found, VERSION, FILE)
        with closing(existing_database(path)) as database:
            return [_waiting(row, found) for row in database.execute(_READ)], ""
    except sqlite3.Error as error:
        return [], Text("records.outbox.unreadable", error=str(error)[:120])


def _waiting(row: Sequence[str], version: int) -> Waiting:
    """Return an item; until version 2 its reason was a sentence."""
    destination, sop, state, reason, queued, changed = map(str, row)
    said = unpacked(reason) if version > 1 and reason else reason
    return Waiting(destination, sop, state, said, queued, changed)


def check_outbox(
    items: Sequence[Waiting],
    instances: Mapping[str, Instance],
    limits: AuditLimits,
    now: datetime,
) -> Iterator[Concern]:
    """Tell what was given up, what is overdue, and what nobody took charge of."""
    for item in items:
        if item.state == "failed":
            found = item.reason or Text("records.outbox.given_up")
            yield _concern("outbox-failed", item, instances, found)
        elif item.state == "queued" and _older(item.queued, now, limits.outbox_hours):
            expected = Text("records.outbox.sent_within", hours=limits.outbox_hours)
            found = Text("records.outbox.queued", when=item.queued[:16])
            yield _concern("outbox-overdue", item, instances, found, expected)
        elif item.state == "sent" and _older(item.changed, now, limits.commitment_hours):
            expected = Text("records.outbox.committed_within", hours=limits.commitment_hours)
            found = Text("records.outbox.sent", when=item.changed[:16])
            yield _concern("outbox-uncommitted", item, instances, found, expected)


def _older(text: str, now: datetime, hours: int) -> bool:
    try:
        then = datetime.fromisoformat(text)
    except ValueError:
        return True  # a time that cannot be read must not hide an item
    if then.tzinfo is None:
        then = then.replace(tzinfo=now.tzinfo)
    return now - then > timedelta(hours=hours)


def _concern(
    kind: str,
    item: Waiting,
    instances: Mapping[str, Instance],
    found: Said,
    expected: Text | str = "",
) -> Concern:
    one = instances.get(item.sop)
    return Concern(
        kind,
        Text("records.outbox.to", destination=item.destination, found=found),
        expected,
        patient=one.person.label if one else "",
        date=one.date if one else "",
        uids=(item.sop,),
        path=FILE,
    )
