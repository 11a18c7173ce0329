"""The tables of the outbox's database."""

from __future__ import annotations

import sqlite3

from sqlalchemy import Boolean, Column, Index, Integer, MetaData, String, Table
from sqlalchemy.dialects import sqlite
from sqlalchemy.schema import CreateIndex, CreateTable

from archiver.archive.store import Schema
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


#: Version 0 had these tables, without a mark. Who changes a table writes out here the SQL of the
#: step before, and adds a step.
SCHEMA = Schema(Text("archive.schema.outbox"), (_made,))
