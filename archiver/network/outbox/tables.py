"""The tables of the outbox's database."""

from __future__ import annotations

import sqlite3

from sqlalchemy import Boolean, Column, Index, Integer, MetaData, String, Table
from sqlalchemy.dialects import sqlite
from sqlalchemy.schema import CreateIndex, CreateTable

from archiver.archive.store import Schema
from archiver.errors import packed
from archiver.network.outbox.delivery_state import STORED, THEN, State
from archiver.wording import Text

METADATA = MetaData()
SHIPMENTS = Table(
    "shipments",
    METADATA,
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
#: Drops that the archive's journal has not been told of yet.
DROPS = Table(
    "drops",
    METADATA,
    Column("number", Integer, primary_key=True),
    Column("destination", String, nullable=False),
    Column("sop_instance", String(64), nullable=False),
    Column("study", String(64), nullable=False),
    Column("state", String(9), nullable=False),
    Column("who", String, nullable=False),
    Column("dropped_at", String(32), nullable=False),
)
#: What peers have that is in no shipment: fetched from them, moved to them, or dropped when sent.
HELD = Table(
    "held",
    METADATA,
    Column("destination", String, primary_key=True),
    Column("sop_instance", String(64), primary_key=True),
)


def _made(database: sqlite3.Connection) -> sqlite3.Connection:
    dialect = sqlite.dialect()
    for table in METADATA.sorted_tables:
        database.execute(str(CreateTable(table, if_not_exists=True).compile(dialect=dialect)))
        for index in table.indexes:
            database.execute(str(CreateIndex(index, if_not_exists=True).compile(dialect=dialect)))
    return database


#: What reasons of version 1 were, word for word.
_SENTENCES = {
    "stored": STORED,
    "the peer has no storage commitment, so keep the picture on the card": Text(
        "network.outbox.no_commitment"
    ),
    "read back from the peer, the same as it was sent": Text("network.outbox.read_back"),
    "the peer gives it back changed, so keep the picture on the card": Text(
        "network.outbox.changed"
    ),
    "the peer has not yet reported that it took charge": Text("network.outbox.no_report"),
}


def _coded(database: sqlite3.Connection) -> sqlite3.Connection:
    rows = database.execute("SELECT rowid, state, reason FROM shipments WHERE reason != ''")
    for row, state, sentence in rows.fetchall():
        # What the peer said of a sent one stood in front.
        said, then, since = sentence.partition("; ")
        if then and state == State.SENT.value:
            reason = Text(THEN, standing=_earlier(said), reason=_earlier(since))
        else:
            reason = _earlier(sentence)
        database.execute("UPDATE shipments SET reason=? WHERE rowid=?", (packed(reason), row))
    return database


def _earlier(sentence: str) -> Text:
    return _SENTENCES.get(sentence) or Text("network.outbox.earlier", sentence=sentence)


#: Version 0 had these tables, without a mark; until version 2 reasons were sentences. Who changes a
#: table writes out here the SQL of the step before, and adds a step; so does who renames a code.
SCHEMA = Schema(Text("archive.schema.outbox"), (_made, _coded))
