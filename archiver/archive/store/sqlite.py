"""What is peculiar to SQLite: how a connection is set up, and how its file is swapped.

Everything else of the index is SQL that any database understands. Write-ahead logging lets
readers go on while a batch is written. ``synchronous=NORMAL`` does not flush at every commit;
that is enough here because the journal is flushed before the index is written, and what an
index lost is read from there again (https://www.sqlite.org/pragma.html#pragma_synchronous).
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from weakref import WeakSet

from sqlalchemy import Connection, Engine, QueuePool, Table, create_engine, event
from sqlalchemy.exc import DatabaseError

#: How long a connection waits for another one's commit (seconds).
_PATIENCE = 10.0
#: Bytes of the file read through the address space instead of being copied page by page.
_MAPPED = 1 << 28
_BESIDE = ("-wal", "-shm")
_OPEN = "open cursors"
_DAMAGED = ("SQLITE_NOTADB", "SQLITE_CORRUPT")


def _beside(path: Path) -> list[Path]:
    return [path.with_name(path.name + ending) for ending in _BESIDE]


def writing_engine(path: Path, *, mapped: bool = True) -> Engine:
    """Return an engine on the file, made if it is not there, for the one writer.

    Parameters
    ----------
    mapped
        Whether the file is read through the address space; who makes all of it anew does without,
        since pages that were read so count as memory.
    """
    engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": _PATIENCE})
    pragmas = "journal_mode=WAL", "synchronous=NORMAL", "foreign_keys=ON"
    return _set_up(engine, *pragmas, mapped=_MAPPED if mapped else 0)


def _set_up(engine: Engine, *pragmas: str, mapped: int = _MAPPED) -> Engine:
    """Have an engine set up each of its connections."""

    @event.listens_for(engine, "connect")
    def connected(connection: sqlite3.Connection, _record: Any) -> None:
        try:
            for pragma in (*pragmas, f"mmap_size={mapped}"):
                connection.execute(f"PRAGMA {pragma}")
        except sqlite3.Error:
            connection.close()  # the engine forgets it as it is; Python 3.13 warns of that
            raise

    # A result that is read in part keeps its snapshot open, a rollback notwithstanding. The next
    # to get the connection would see old rows, and could not write: "database is locked" at once.
    @event.listens_for(engine, "after_cursor_execute")
    def executed(connection: Connection, cursor: Any, *_: Any) -> None:
        if cursor.description is not None:
            connection.info.setdefault(_OPEN, WeakSet()).add(cursor)

    @event.listens_for(engine, "checkin")
    def given_back(_connection: Any, record: Any) -> None:
        for cursor in list(record.info.pop(_OPEN, ())):
            cursor.close()

    return engine


def reading_engine(path: Path, *, mapped: bool = True) -> Engine:
    """Return an engine that cannot change the file.

    A reader of a log needs to write beside it. Where the folder cannot be written to (a medium
    that is read-only) and no log is left, the file is taken as unchanging.

    Parameters
    ----------
    mapped
        Whether the file is read through the address space; who reads all of it once does without.
    """
    way = "mode=ro"
    if not os.access(path.parent, os.W_OK) and not _beside(path)[0].exists():
        way += "&immutable=1"

    def connect() -> sqlite3.Connection:
        return sqlite3.connect(
            f"{path.resolve().as_uri()}?{way}",
            uri=True,
            timeout=_PATIENCE,
            check_same_thread=False,
        )

    engine = create_engine("sqlite://", creator=connect, poolclass=QueuePool)
    return _set_up(engine, "query_only=ON", mapped=_MAPPED if mapped else 0)


def is_damage(error: DatabaseError) -> bool:
    """Return whether a database is no database, or a damaged one; not whether it is locked."""
    said = getattr(error.orig, "sqlite_errorname", "") or str(error.orig)
    # Python 3.10 has no names for them.
    return said in _DAMAGED or "malformed" in said or "not a database" in said


def set_aside(path: Path) -> Path:
    """Give a database that cannot be read, and its log, names that nothing else looks for."""
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    path.replace(aside)
    for old in _beside(path):
        old.unlink(missing_ok=True)
    return aside


def fresh_file(path: Path) -> Path:
    """Return the name under which a new index is built, with nothing there."""
    new = path.with_name(path.name + ".new")
    for old in (new, *_beside(new)):
        old.unlink(missing_ok=True)
    return new


def swap_in(new: Path, path: Path) -> None:
    """Put a new, closed index in the place of the one in use.

    The log of the old file must never meet the new file. So the old file goes first, then its
    log, then the new one comes; killed in between there is no index, and the next opening
    makes it again from the journal and the objects.
    """
    path.unlink(missing_ok=True)
    for old in _beside(path):
        old.unlink(missing_ok=True)
    new.replace(path)


def settle(engine: Engine) -> None:
    """Bring everything from the log into the file and stop logging, before a swap."""
    with engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.exec_driver_sql("PRAGMA journal_mode=DELETE")


def copy_rows(engine: Engine, made: Path, tables: Sequence[Table]) -> None:
    """Put the rows of another file in the place of all rows, in one transaction.

    Parameters
    ----------
    made
        A file that nobody has open, with the same tables.
    tables
        Each behind those that it refers to.
    """
    with engine.connect() as connection:
        connection.exec_driver_sql("ATTACH DATABASE ? AS made", (str(made),))
        try:
            for table in reversed(tables):
                connection.exec_driver_sql(f'DELETE FROM main."{table.name}"')
            for table in tables:
                columns = ", ".join(f'"{column.name}"' for column in table.columns)
                connection.exec_driver_sql(
                    f'INSERT INTO main."{table.name}" ({columns})'
                    f' SELECT {columns} FROM made."{table.name}"'
                )
            connection.commit()
        finally:
            connection.rollback()
            connection.exec_driver_sql("DETACH DATABASE made")
