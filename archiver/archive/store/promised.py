"""The line of the journal that told of each object that is kept now, on disk, however many.

A database of its own without a name, which SQLite keeps in memory while it is small and in the
system's folder for temporary files beyond; it ends with the process
(https://www.sqlite.org/inmemorydb.html#temp_db).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from types import TracebackType

from archiver.archive.store.journal_lines import KEEPING, JournalEntry

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
    " WHERE digest <> excluded.digest"
)
_READ = f"SELECT {', '.join(_COLUMNS)} FROM promised"


class Promised:
    """What the journal promises: for each instance, the line that first told of its object.

    Entries come without their place in the chain, which nobody asks of them.
    """

    def __init__(self, entries: Iterable[JournalEntry] = ()) -> None:
        self._database = sqlite3.connect("", isolation_level=None, check_same_thread=False)
        # It is lost with the process anyway: nothing needs to be flushed or undone.
        for pragma in ("journal_mode=OFF", "synchronous=OFF", "cache_size=-16000"):
            self._database.execute(f"PRAGMA {pragma}")
        self._database.execute(_TABLE)
        self.take(entries)

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
        return int(self._database.execute("SELECT count(*) FROM promised").fetchone()[0])

    def __iter__(self) -> Iterator[JournalEntry]:
        """Yield them by their instances."""
        yield from map(_entry, self._database.execute(f"{_READ} ORDER BY sop"))

    def take(self, entries: Iterable[JournalEntry]) -> None:
        """Take further lines, in their order; those that keep nothing are passed over."""
        keeping = (_row(entry) for entry in entries if entry.action in KEEPING)
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

    def see(self, sops: Iterable[str]) -> None:
        """Mark instances whose objects are in their places."""
        self._database.execute("BEGIN")
        self._database.executemany(
            "UPDATE promised SET seen=1 WHERE sop=?", ((sop,) for sop in sops)
        )
        self._database.execute("COMMIT")

    def unseen(self) -> Iterator[JournalEntry]:
        """Yield the lines of those that were not marked, in the order of the journal."""
        yield from map(_entry, self._database.execute(f"{_READ} WHERE seen=0 ORDER BY seq"))


def _row(entry: JournalEntry) -> tuple[object, ...]:
    return (
        entry.sop,
        entry.action,
        entry.study,
        entry.series,
        entry.digest,
        entry.size,
        entry.source,
        entry.note,
        entry.who,
        entry.seq,
        entry.time,
    )


def _entry(row: tuple[object, ...]) -> JournalEntry:
    return JournalEntry(**dict(zip(_COLUMNS, row, strict=True)))  # type: ignore[arg-type]
