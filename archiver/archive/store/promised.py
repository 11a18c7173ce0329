"""The line of the journal that told of each object that is kept now, on disk, however many.

The database is one without a name (`unnamed_database`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from operator import attrgetter
from types import TracebackType

from archiver.archive.store.journal_lines import DELETED, KEEPING, JournalEntry
from archiver.archive.store.passing_database import unnamed_database

#: Variables in one statement at most; SQLite before 3.32 takes 999.
_AT_ONCE = 900
_TABLE = """
CREATE TABLE promised (
    sop TEXT PRIMARY KEY, action TEXT, study TEXT, series TEXT, digest TEXT, size INTEGER,
    source TEXT, note TEXT, who TEXT, seq INTEGER, time TEXT, seen INTEGER NOT NULL DEFAULT 0
) WITHOUT ROWID
"""
_COLUMNS = ("sop", "action", "study", "series", "digest", "size", "source", "note", "who", "seq",
            "time")  # fmt: skip
_TAKE = (
    f"INSERT INTO promised ({', '.join(_COLUMNS)}) VALUES ({', '.join('?' * len(_COLUMNS))})"
    f" ON CONFLICT(sop) DO UPDATE SET {', '.join(f'{c}=excluded.{c}' for c in _COLUMNS)}, seen=0"
    f" WHERE digest <> excluded.digest OR '{DELETED}' IN (action, excluded.action)"
)
_row = attrgetter(*_COLUMNS)
_READ = f"SELECT {', '.join(_COLUMNS)} FROM promised"
_STANDING = f"FROM promised WHERE action <> '{DELETED}'"
_UNSEEN = f"{_READ} WHERE seen=0 AND action <> '{DELETED}'"
_TAKEN = (*KEEPING, DELETED)


class Promised:
    """What the journal promises: for each instance, the line that first told of its object.

    Of one that was deleted it is the tombstone, which promises nothing. Entries come without their
    place in the chain, which nobody asks of them.
    """

    def __init__(self) -> None:
        self._database = unnamed_database(_TABLE, cache=16000)

    def __enter__(self) -> Promised:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._database.close()

    def __len__(self) -> int:
        return int(self._database.execute(f"SELECT count(*) {_STANDING}").fetchone()[0])

    def take(self, entries: Iterable[JournalEntry]) -> None:
        """Take further lines, in their order; those that keep nothing are passed over."""
        keeping = (_row(entry) for entry in entries if entry.action in _TAKEN)
        while some := list(islice(keeping, _AT_ONCE)):
            self._database.execute("BEGIN")
            self._database.executemany(_TAKE, some)
            self._database.execute("COMMIT")

    def some(self, sops: Sequence[str]) -> dict[str, JournalEntry]:
        """Return the lines of those of some instances that there are."""
        found: dict[str, JournalEntry] = {}
        for begin in range(0, len(sops), _AT_ONCE):
            wanted = sops[begin : begin + _AT_ONCE]
            marks = ",".join("?" * len(wanted))
            for row in self._database.execute(f"{_READ} WHERE sop IN ({marks})", list(wanted)):
                found[row[0]] = _entry(row)
        return found

    def one(self, sop: str) -> JournalEntry | None:
        """Return the line of an instance; None where there is none."""
        return self.some([sop]).get(sop)

    def since(self, seq: int) -> Iterator[JournalEntry]:
        """Yield those lines that come after one, in the order of the journal."""
        read = f"{_READ} WHERE seq > ? ORDER BY seq"
        yield from map(_entry, self._database.execute(read, (seq,)))

    def forget(self) -> None:
        """Forget all lines."""
        self._database.execute("DELETE FROM promised")

    def see(self, sops: Iterable[str]) -> None:
        """Mark instances whose objects are in their places."""
        self._database.execute("BEGIN")
        self._database.executemany(
            "UPDATE promised SET seen=1 WHERE sop=?", ((sop,) for sop in sops)
        )
        self._database.execute("COMMIT")

    def unseen(self) -> Iterator[JournalEntry]:
        """Yield the lines of those that were not marked, in the order of the journal."""
        yield from map(_entry, self._database.execute(f"{_UNSEEN} ORDER BY seq"))


def _entry(row: tuple[object, ...]) -> JournalEntry:
    return JournalEntry(**dict(zip(_COLUMNS, row, strict=True)))  # type: ignore[arg-type]
