"""What an audit remembers for the next one, so that only what changed is read again.

A database beside the report. It can be thrown away: the next audit then reads everything. It is
no proof of anything; ``--full`` reads all again, whatever is remembered.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from archiver import __version__
from archiver.archive.store import START, JournalEntry, Position, newer_version
from archiver.errors import ArchiveError, restored
from archiver.records.examination import Depth
from archiver.records.model import Look, ObjectFacts, ValidatorFinding
from archiver.wording import Text

FILE = "audit-memory.sqlite"
_VERSION = 8
_FORMAT = f"{_VERSION} {__version__}"
_TOLD = "CREATE TABLE IF NOT EXISTS told (name TEXT PRIMARY KEY, value TEXT NOT NULL)"
_TABLES = """
CREATE TABLE IF NOT EXISTS objects (
    path TEXT PRIMARY KEY, uid TEXT NOT NULL, size INTEGER NOT NULL, changed INTEGER NOT NULL,
    depth INTEGER NOT NULL, facts TEXT NOT NULL, seen TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS promises (sop TEXT PRIMARY KEY, entry TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS statements (seq INTEGER PRIMARY KEY, entry TEXT NOT NULL);
"""


@dataclass(frozen=True, slots=True)
class RememberedObject:
    """An object as an earlier audit saw it.

    Parameters
    ----------
    size, changed
        Bytes, and nanoseconds of the last change, by the file system.
    seen
        When it was read, ISO 8601.
    """

    path: str
    uid: str
    size: int
    changed: int
    depth: Depth
    facts: ObjectFacts
    seen: str


class Memory:
    """The memory of the audits of one archive.

    Parameters
    ----------
    path
        Of the database; None for one without a name, which ends with it.
    archive
        Whose memory it is; that of another archive, or of an earlier version of this program, is
        emptied.

    Raises
    ------
    ArchiveError
        If a later program remembers in it.
    """

    def __init__(self, path: Path | None, archive: str) -> None:
        try:
            self._open(path, archive)
        except sqlite3.DatabaseError:
            # A damaged memory is worth nothing; it is made anew.
            if path is not None:
                self._connection.close()
                path.unlink(missing_ok=True)
            self._open(path, archive)

    def _open(self, path: Path | None, archive: str) -> None:
        self._connection = sqlite3.connect(str(path) if path else "")
        if path is None:
            # What would undo it is kept in memory, and nobody undoes anything.
            self._connection.execute("PRAGMA journal_mode=OFF")
        self._connection.execute(_TOLD)
        known = self._value("format").partition(" ")[0]
        if known.isdigit() and int(known) > _VERSION:
            self._connection.close()
            assert path is not None
            raise ArchiveError(
                newer_version(Text("archive.schema.audit_memory"), int(known), _VERSION, path)
            )
        self._connection.executescript(_TABLES)
        if (self._value("format"), self._value("archive")) != (_FORMAT, archive):
            self.forget()
            self._set_value("format", _FORMAT)
            self._set_value("archive", archive)

    def close(self) -> None:
        """Keep what was remembered, and close."""
        self._connection.commit()
        self._connection.close()

    def forget(self) -> None:
        """Forget everything."""
        for table in ("told", "objects", "promises", "statements"):
            self._connection.execute(f"DELETE FROM {table}")

    def _value(self, name: str) -> str:
        with closing(self._connection.execute("SELECT value FROM told WHERE name=?", (name,))) as c:
            row = c.fetchone()
        return str(row[0]) if row else ""

    def _set_value(self, name: str, value: str) -> None:
        self._connection.execute("INSERT OR REPLACE INTO told VALUES (?, ?)", (name, value))

    @property
    def position(self) -> Position:
        """How far into the journal an earlier audit came."""
        text = self._value("position")
        return Position(**json.loads(text)) if text else START

    @position.setter
    def position(self, position: Position) -> None:
        self._set_value("position", json.dumps(asdict(position)))

    def promises(self) -> Iterator[JournalEntry]:
        """Yield the journal's promises up to `position`, one for each instance."""
        for (entry,) in self._connection.execute("SELECT entry FROM promises"):
            yield JournalEntry(**json.loads(entry))

    def keep_promises(self, entries: Iterable[JournalEntry]) -> None:
        """Remember promises."""
        rows = ((entry.sop, json.dumps(asdict(entry))) for entry in entries)
        self._connection.executemany("INSERT OR REPLACE INTO promises VALUES (?, ?)", rows)

    def statements(self) -> list[JournalEntry]:
        """Return the journal's lines about statements up to `position`, in their order."""
        rows = self._connection.execute("SELECT entry FROM statements ORDER BY seq")
        return [JournalEntry(**json.loads(entry)) for (entry,) in rows]

    def keep_statements(self, entries: Iterable[JournalEntry]) -> None:
        """Remember lines about statements."""
        rows = ((entry.seq, json.dumps(asdict(entry))) for entry in entries)
        self._connection.executemany("INSERT OR REPLACE INTO statements VALUES (?, ?)", rows)

    def object(self, path: str) -> RememberedObject | None:
        """Return the object remembered at a path; None where there is none."""
        row = self._connection.execute(
            "SELECT uid, size, changed, depth, facts, seen FROM objects WHERE path=?", (path,)
        ).fetchone()
        if row is None:
            return None
        uid, size, changed, depth, facts, seen = row
        return RememberedObject(path, uid, size, changed, Depth(depth), facts_of(facts), seen)

    def begin(self) -> None:
        """Begin to be told which objects there are."""
        self._connection.executescript(
            "DROP TABLE IF EXISTS temp.present;"
            "CREATE TEMP TABLE present (path TEXT PRIMARY KEY) WITHOUT ROWID"
        )

    def note_present(self, path: str) -> None:
        """Note that there is an object at a path."""
        self._connection.execute("INSERT OR IGNORE INTO temp.present VALUES (?)", (path,))

    def drop_absent(self) -> None:
        """Forget the objects of which `note_present` was not told since `begin`."""
        self._connection.execute(
            "DELETE FROM objects WHERE path NOT IN (SELECT path FROM temp.present)"
        )

    def keep(self, one: RememberedObject) -> None:
        """Remember an object."""
        self._connection.execute(
            "INSERT OR REPLACE INTO objects VALUES (?, ?, ?, ?, ?, ?, ?)",
            (
                one.path,
                one.uid,
                one.size,
                one.changed,
                int(one.depth),
                text_of(one.facts),
                one.seen,
            ),
        )

    def drop(self, paths: Iterable[str]) -> None:
        """Forget objects that are gone or in doubt."""
        self._connection.executemany("DELETE FROM objects WHERE path=?", ((p,) for p in paths))


def text_of(facts: ObjectFacts) -> str:
    """Return facts as text."""
    return json.dumps(asdict(facts), ensure_ascii=False, separators=(",", ":"))


def facts_of(text: str) -> ObjectFacts:
    """Return facts from their text."""
    given: dict[str, Any] = json.loads(text)
    look = given["look"]
    given["validator_findings"] = tuple(
        ValidatorFinding(**{name: restored(value) for name, value in one.items()})
        for one in given["validator_findings"]
    )
    given["sources"] = tuple(given["sources"])
    given["rejects"] = tuple(given["rejects"])
    given["look"] = Look(**{**look, "hashes": tuple(look["hashes"])}) if look else None
    return ObjectFacts(**given)
