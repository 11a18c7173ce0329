"""The version of what lasts on the disk, and how an older one becomes today's.

``FORMAT`` says the version of the folder, its objects and its journal, and the index has one of
its own (`archiver.archive.store.tables`). Everything else has a `Schema`: a name and a table of
steps, the n-th of which leads from version n to n + 1. What bears no mark is version 0. A file of
JSON, and each line of a file of lines, has its version under ``version``; a database has SQLite's
``user_version``.

A database is brought up in one transaction with its mark. A table of JSON is brought up when it
is read, and goes to the disk with its mark at its next change, by one rename. Lines are never
rewritten: the journal has digests of them. So a kill leaves the old version or the new one.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

from archiver.errors import ArchiveError, Problem
from archiver.wording import Text

T = TypeVar("T")
#: A table of JSON.
Fields = dict[str, Any]
KEY = "version"


@dataclass(frozen=True)
class Schema(Generic[T]):
    """How one thing on the disk is formed.

    Parameters
    ----------
    what
        Its name in a message.
    steps
        The n-th makes version n + 1 of version n; there are as many as this program's version.
    """

    what: Text
    steps: tuple[Callable[[T], T], ...]

    @property
    def version(self) -> int:
        """The version that this program writes."""
        return len(self.steps)

    def check(self, found: int, where: Path | str) -> int:
        """Return a version that this program knows.

        Raises
        ------
        ArchiveError
            If it is a newer one.
        """
        if found > self.version:
            raise ArchiveError(newer_version(self.what, found, self.version, where))
        return found

    def upgraded(self, given: T, found: int, where: Path | str) -> T:
        """Return what was found in a version as today's.

        Raises
        ------
        ArchiveError
            If it is a newer version.
        """
        for step in self.steps[self.check(found, where) :]:
            given = step(given)
        return given


def newer_version(what: Text, found: int, known: int, where: Path | str) -> Problem:
    """Return what is told of something that a later program has written."""
    return Problem("archive.schema.too_new", what=what, version=found, known=known).at(file=where)


def unchanged(given: T) -> T:
    """Lead from a version without a mark to the first with one."""
    return given


def version_of(table: Mapping[str, Any]) -> int:
    """Return the version that a table of JSON says; 0 where it says none."""
    found = table.get(KEY)
    return found if isinstance(found, int) and not isinstance(found, bool) else 0


def read_fields(schema: Schema[Fields], table: Mapping[str, Any], where: Path | str) -> Fields:
    """Return a table of JSON in today's form, without its mark.

    Raises
    ------
    ArchiveError
        If it is of a newer version.
    """
    found = version_of(table)
    given = {key: value for key, value in table.items() if key != KEY} if found else dict(table)
    return schema.upgraded(given, found, where)


def mark_fields(schema: Schema[Fields], table: Mapping[str, Any]) -> Fields:
    """Return a table of JSON with its mark."""
    return {KEY: schema.version, **table}


def existing_database(path: Path, patience: float = 10.0) -> sqlite3.Connection:
    """Open a database that is there, to read it.

    A transaction that a kill left half-written is rolled back by whoever opens the file next; a
    connection that may only read would refuse to (https://www.sqlite.org/rescode.html,
    SQLITE_READONLY_ROLLBACK). Where the file is write-protected, it is read all the same.

    Parameters
    ----------
    patience
        Seconds to wait for another process's commit.

    Raises
    ------
    sqlite3.Error
        If it cannot be opened.
    """
    where = f"{path.resolve().as_uri()}?mode=rw"
    database = sqlite3.connect(where, uri=True, timeout=patience)
    database.execute("PRAGMA query_only=ON")
    return database


def database_version(path: Path) -> int:
    """Return the version of a database without changing it; 0 where there is none.

    Raises
    ------
    sqlite3.Error
        If it cannot be read.
    """
    if not path.is_file() or not path.stat().st_size:
        return 0
    with closing(existing_database(path)) as database:
        return int(database.execute("PRAGMA user_version").fetchone()[0])


def upgrade_database(schema: Schema[sqlite3.Connection], path: Path, patience: float) -> None:
    """Make a database, or bring it up, in one transaction with its mark.

    Parameters
    ----------
    patience
        Seconds to wait for another process that does the same.

    Raises
    ------
    ArchiveError
        If it is of a newer version; it is not touched then.
    sqlite3.Error
        If it cannot be read or written.
    """
    if schema.check(database_version(path), path) == schema.version:
        return
    with closing(sqlite3.connect(path, timeout=patience, isolation_level=None)) as database:
        database.execute("BEGIN IMMEDIATE")
        # Another process may have been faster.
        found = int(database.execute("PRAGMA user_version").fetchone()[0])
        schema.upgraded(database, found, path)
        database.execute(f"PRAGMA user_version={schema.version}")
        database.execute("COMMIT")
