"""Headers of other archives' objects, kept so that they are fetched once.

Keyed by SOP Instance UID, which is never used twice (PS3.5 9), and bounded: what was not asked
for longest goes first. Headers name patients, so the file is for its owner's eyes only.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable
from contextlib import suppress
from io import BytesIO
from pathlib import Path

from pydicom import Dataset
from pynetdicom.dsutils import decode, encode

from archiver.archive.store import Schema, upgrade_database
from archiver.errors import ArchiverError, Problem
from archiver.wording import Text

FILE = "headers.sqlite"
#: Bounds of the cache.
MOST_BYTES = 64 << 20
#: No value longer than this is kept (bytes): profiles and the like are no meaning.
_LONGEST_VALUE = 4096
_PIXELS = 0x7FE00000
_PATIENCE = 10.0


def _made(database: sqlite3.Connection) -> sqlite3.Connection:
    database.execute(
        "CREATE TABLE IF NOT EXISTS headers (uid TEXT PRIMARY KEY, used INTEGER NOT NULL,"
        " size INTEGER NOT NULL, header BLOB NOT NULL) WITHOUT ROWID"
    )
    database.execute("CREATE INDEX IF NOT EXISTS by_use ON headers (used)")
    return database


#: Version 0 was the same without a mark.
SCHEMA = Schema(Text("archive.schema.header_cache"), (_made,))


class HeaderCache:
    """A cache in a folder; made where there is none.

    Parameters
    ----------
    folder
        Where.
    most_bytes
        Headers are let go when they take more than this together.

    Raises
    ------
    ArchiverError
        If it cannot be opened, or is of a newer version.
    """

    def __init__(self, folder: Path, *, most_bytes: int = MOST_BYTES) -> None:
        self._most = most_bytes
        self._path = folder / FILE
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            os.close(os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600))
            upgrade_database(SCHEMA, self._path, _PATIENCE)
            self._database = sqlite3.connect(self._path, timeout=_PATIENCE, isolation_level=None)
            # A lost cache is read anew; no flush is worth its time here.
            self._database.execute("PRAGMA synchronous=OFF")
        except (OSError, sqlite3.Error) as error:
            raise ArchiverError(
                Problem("network.header_cache.not_opened", reason=str(error)).at(
                    file=str(self._path)
                )
            ) from error

    def close(self) -> None:
        """Close the file."""
        self._database.close()

    def __enter__(self) -> HeaderCache:
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()

    def get(self, uids: Iterable[str]) -> dict[str, Dataset]:
        """Return the headers that are there; damaged ones are taken as missing."""
        found: dict[str, Dataset] = {}
        for uid in uids:
            with suppress(sqlite3.Error, Exception):
                row = self._database.execute(
                    "SELECT header FROM headers WHERE uid = ?", (uid,)
                ).fetchone()
                if row is not None:
                    header = decode(BytesIO(row[0]), False, True)
                    if header.SOPInstanceUID == uid:
                        found[uid] = header
                        self._touch(uid)
        return found

    def _touch(self, uid: str) -> None:
        self._database.execute(
            "UPDATE headers SET used = (SELECT coalesce(max(used), 0) + 1 FROM headers)"
            " WHERE uid = ?",
            (uid,),
        )

    def put(self, headers: Iterable[Dataset]) -> None:
        """Keep headers, and let go what was not asked for longest."""
        with suppress(sqlite3.Error):
            for header in headers:
                encoded = encode(slim(header), False, True)
                if encoded:
                    self._database.execute(
                        "INSERT OR REPLACE INTO headers VALUES (?,"
                        " (SELECT coalesce(max(used), 0) + 1 FROM headers), ?, ?)",
                        (str(header.SOPInstanceUID), len(encoded), encoded),
                    )
            self._let_go()

    def _let_go(self) -> None:
        while self.size() > self._most:
            self._database.execute(
                "DELETE FROM headers WHERE uid IN (SELECT uid FROM headers ORDER BY used LIMIT 64)"
            )

    def size(self) -> int:
        """Return the bytes of all headers together."""
        row = self._database.execute("SELECT coalesce(sum(size), 0) FROM headers").fetchone()
        return int(row[0])


def slim(header: Dataset) -> Dataset:
    """Return a header without pixels, private elements and long values."""
    kept = Dataset()
    for tag in list(header.keys()):
        if tag.group == 2 or tag.is_private or int(tag) >= _PIXELS:
            continue
        element = header[tag]
        value = element.value
        if isinstance(value, bytes | str) and len(value) > _LONGEST_VALUE:
            continue
        kept.add(element)
    return kept
