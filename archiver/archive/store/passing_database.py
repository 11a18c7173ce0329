"""A database for what is gathered for a while, so that memory does not grow with it.

It has no name: SQLite keeps it in memory while it is small and in the system's folder for temporary
files beyond; it ends with its connection (https://www.sqlite.org/inmemorydb.html#temp_db).
"""

from __future__ import annotations

import sqlite3


def unnamed_database(tables: str, *, cache: int) -> sqlite3.Connection:
    """Return a connection to a new one, for one thread at a time.

    Parameters
    ----------
    tables
        Statements that make its tables.
    cache
        What it keeps in memory, in KiB.
    """
    database = sqlite3.connect("", isolation_level=None, check_same_thread=False)
    # It is lost with its owner anyway: nothing needs to be flushed or undone.
    for pragma in ("journal_mode=OFF", "synchronous=OFF", f"cache_size=-{cache}"):
        database.execute(f"PRAGMA {pragma}")
    database.executescript(tables)
    return database
