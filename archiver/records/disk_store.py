"""What an audit gathers, on disk, so that its memory does not grow with the archive.

Each lies in a database without a name (`archiver.archive.store.unnamed_database`), which ends with
what holds it.
"""

from __future__ import annotations

import copyreg
import marshal
import pickle
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, MutableMapping, Sequence
from dataclasses import fields
from itertools import islice
from operator import attrgetter
from typing import Generic, TypeVar, overload
from weakref import finalize

from archiver.archive.store import unnamed_database
from archiver.records.audit_memory import facts_of, text_of
from archiver.records.completeness import Demand
from archiver.records.instance_reader import InstanceMaker, InstanceRow
from archiver.records.kinds import all_kinds
from archiver.records.model import Concern, Instance, ObjectFacts

T = TypeVar("T")
#: Values written together.
_AT_ONCE = 500


def _reduced(kind: type[T]) -> None:
    """Have values of a frozen class pickled by their fields in order, which is far quicker."""
    values = attrgetter(*(one.name for one in fields(kind)))  # type: ignore[arg-type]
    copyreg.pickle(kind, lambda one: (kind, values(one)))


for _kind in (Concern, Demand):
    _reduced(_kind)


def _database(owner: object, tables: str) -> sqlite3.Connection:
    database = unnamed_database(tables, cache=8000)
    finalize(owner, database.close)
    return database


class StoredSequence(Sequence[T]):
    """Values that are read anew whenever they are asked for.

    Parameters
    ----------
    count
        How many there are.
    read
        Yields them, from one of them on.
    """

    def __init__(self, count: int, read: Callable[[int], Iterator[T]]) -> None:
        self._count = count
        self._read = read

    def __len__(self) -> int:
        return self._count

    def __iter__(self) -> Iterator[T]:
        return self._read(0)

    @overload
    def __getitem__(self, at: int) -> T: ...
    @overload
    def __getitem__(self, at: slice) -> list[T]: ...
    def __getitem__(self, at: int | slice) -> T | list[T]:
        if isinstance(at, slice):
            begin, end, step = at.indices(self._count)
            return list(islice(self._read(begin), 0, max(0, end - begin), step))
        if not -self._count <= at < self._count:
            raise IndexError(at)
        return next(self._read(at % self._count))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and list(self) == list(other)

    __hash__ = None  # type: ignore[assignment]


class InstanceStore:
    """Rows of instances in the order of their coming in, and what was read of their objects."""

    def __init__(self) -> None:
        self.database = _database(
            self,
            "CREATE TABLE instances (number INTEGER PRIMARY KEY, uid TEXT, row BLOB NOT NULL);"
            "CREATE TABLE facts (uid TEXT PRIMARY KEY, facts TEXT NOT NULL) WITHOUT ROWID;"
            "CREATE TABLE parts (part INTEGER, number INTEGER, PRIMARY KEY (part, number))"
            " WITHOUT ROWID",
        )
        self.facts = StoredFacts(self.database)
        self._count = 0

    def take(self, rows: Iterable[InstanceRow]) -> None:
        """Take rows as `archiver.records.instance_reader.read_rows` gives them."""
        rows, make = iter(rows), InstanceMaker()
        while some := list(islice(rows, _AT_ONCE)):
            # Each is made once here, so that a damaged row is told while the index is read.
            made = [
                (number, make(row).uid, marshal.dumps(row))
                for number, row in enumerate(some, self._count)
            ]
            self.database.execute("BEGIN")
            self.database.executemany("INSERT INTO instances VALUES (?, ?, ?)", made)
            self.database.execute("COMMIT")
            self._count += len(some)

    def forget(self) -> None:
        """Forget all instances."""
        self.database.execute("DELETE FROM instances")
        self._count = 0

    def known(self) -> Iterator[tuple[Instance, ObjectFacts | None]]:
        """Yield all instances with what was read of their objects."""
        make = InstanceMaker()
        read = "SELECT row, facts FROM instances LEFT JOIN facts USING (uid) ORDER BY number"
        for row, text in self.database.execute(read):
            yield make(marshal.loads(row)), facts_of(text) if text else None

    @property
    def instances(self) -> StoredSequence[Instance]:
        """All instances."""
        return StoredSequence(self._count, self._from)

    def _from(self, first: int) -> Iterator[Instance]:
        make = InstanceMaker()
        read = "SELECT row FROM instances WHERE number >= ? ORDER BY number"
        for (row,) in self.database.execute(read, (first,)):
            yield make(marshal.loads(row))

    def divide(self, parts: Iterable[int]) -> int:
        """Say to which part each instance belongs, in their order; return how many there are."""
        last = 0
        numbered = enumerate(parts)
        self.database.execute("DELETE FROM parts")
        while some := [(part, number) for number, part in islice(numbered, 10 * _AT_ONCE)]:
            last = max(last, *(part for part, _ in some))
            self.database.execute("BEGIN")
            self.database.executemany("INSERT INTO parts VALUES (?, ?)", some)
            self.database.execute("COMMIT")
        return last + 1

    def part(self, number: int) -> tuple[list[Instance], dict[str, ObjectFacts]]:
        """Return the instances of a part, in their order, and what was read of their objects."""
        make = InstanceMaker()
        within = "FROM parts JOIN instances USING (number)"
        read = f"SELECT row {within} WHERE part = ? ORDER BY number"
        instances = [make(marshal.loads(row)) for (row,) in self.database.execute(read, (number,))]
        read = f"SELECT uid, facts {within} JOIN facts USING (uid) WHERE part = ?"
        facts = {uid: facts_of(text) for uid, text in self.database.execute(read, (number,))}
        return instances, facts


class StoredTexts(MutableMapping[str, str]):
    """A text for each SOP Instance UID, in no order."""

    def __init__(self) -> None:
        self._database = _database(
            self, "CREATE TABLE texts (uid TEXT PRIMARY KEY, text TEXT NOT NULL) WITHOUT ROWID"
        )

    def __setitem__(self, uid: str, text: str) -> None:
        self._database.execute("INSERT OR REPLACE INTO texts VALUES (?, ?)", (uid, text))

    def __getitem__(self, uid: str) -> str:
        found = self._database.execute("SELECT text FROM texts WHERE uid = ?", (uid,)).fetchone()
        if found is None:
            raise KeyError(uid)
        return str(found[0])

    def __delitem__(self, uid: str) -> None:
        if not self._database.execute("DELETE FROM texts WHERE uid = ?", (uid,)).rowcount:
            raise KeyError(uid)

    def __iter__(self) -> Iterator[str]:
        for (uid,) in self._database.execute("SELECT uid FROM texts"):
            yield uid

    def __len__(self) -> int:
        return int(self._database.execute("SELECT count(*) FROM texts").fetchone()[0])


class StoredFacts(MutableMapping[str, ObjectFacts]):
    """What was read of objects, by SOP Instance UID."""

    def __init__(self, database: sqlite3.Connection) -> None:
        self._database = database

    def __setitem__(self, uid: str, facts: ObjectFacts) -> None:
        self._database.execute("INSERT OR REPLACE INTO facts VALUES (?, ?)", (uid, text_of(facts)))

    def __getitem__(self, uid: str) -> ObjectFacts:
        found = self._database.execute("SELECT facts FROM facts WHERE uid = ?", (uid,)).fetchone()
        if found is None:
            raise KeyError(uid)
        return facts_of(found[0])

    def __delitem__(self, uid: str) -> None:
        self._database.execute("DELETE FROM facts WHERE uid = ?", (uid,))

    def __iter__(self) -> Iterator[str]:
        for (uid,) in self._database.execute("SELECT uid FROM facts ORDER BY uid"):
            yield uid

    def __len__(self) -> int:
        return int(self._database.execute("SELECT count(*) FROM facts").fetchone()[0])


class StoredValues(Generic[T]):
    """Values kept in the order in which they came."""

    def __init__(self) -> None:
        self._database = _database(
            self, "CREATE TABLE kept (first INTEGER PRIMARY KEY, some BLOB NOT NULL)"
        )
        self._waiting: list[T] = []
        self._count = 0

    def take(self, values: Iterable[T]) -> None:
        """Take more of them."""
        for value in values:
            self._waiting.append(value)
            if len(self._waiting) == _AT_ONCE:
                self._write()

    def _write(self) -> None:
        if self._waiting:
            some = pickle.dumps(self._waiting, pickle.HIGHEST_PROTOCOL)
            self._database.execute("INSERT INTO kept VALUES (?, ?)", (self._count, some))
            self._count += len(self._waiting)
            self._waiting = []

    def all(self) -> StoredSequence[T]:
        """Return all that came."""
        self._write()
        return StoredSequence(self._count, self._from)

    def _from(self, first: int) -> Iterator[T]:
        read = "SELECT first, some FROM kept WHERE first > ? ORDER BY first"
        for begin, some in self._database.execute(read, (first - _AT_ONCE,)):
            # Only made here, by this process.
            yield from pickle.loads(some)[max(0, first - begin) :]


class StoredConcerns:
    """Concerns, the worst first: severity, whose record it is, then kind, patient, date."""

    def __init__(self) -> None:
        self._database = _database(
            self,
            "CREATE TABLE concerns (kind TEXT, patient TEXT, date TEXT, uids TEXT, path TEXT,"
            " value BLOB NOT NULL);"
            "CREATE INDEX worst_first ON concerns (kind, patient, date, uids, path)",
        )
        self.counts: Counter[str] = Counter()

    def take(self, concerns: Iterable[Concern]) -> None:
        """Take more of them."""
        concerns = iter(concerns)
        while some := list(islice(concerns, _AT_ONCE)):
            self.counts.update(one.kind for one in some)
            self._database.execute("BEGIN")
            self._database.executemany(
                "INSERT INTO concerns VALUES (?, ?, ?, ?, ?, ?)",
                (
                    (c.kind, c.patient, c.date, " ".join(c.uids), c.path, pickle.dumps(c, 5))
                    for c in some
                ),
            )
            self._database.execute("COMMIT")

    def kinds(self) -> list[str]:
        """Return the kinds that there are, the worst first."""
        known = all_kinds()
        return sorted(self.counts, key=lambda k: (known[k].rank, not known[k].heads, k))

    def of_kind(self, kind: str) -> StoredSequence[Concern]:
        """Return those of one kind."""
        read = (
            "SELECT value FROM concerns WHERE kind = ?"
            " ORDER BY patient, date, uids, path LIMIT -1 OFFSET ?"
        )

        def values(first: int) -> Iterator[Concern]:
            for (value,) in self._database.execute(read, (kind, first)):
                # Only made here, by this process.
                yield pickle.loads(value)

        return StoredSequence(self.counts[kind], values)

    def __len__(self) -> int:
        return self.counts.total()

    def __iter__(self) -> Iterator[Concern]:
        for kind in self.kinds():
            yield from self.of_kind(kind)
