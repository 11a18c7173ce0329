"""What of an archive's folder goes into a backup beside objects and journal, and how it is read."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import closing, suppress
from pathlib import Path
from time import time_ns

from archiver.archive.backup.target import BackedUpFile, BackupTarget, pieces, regular
from archiver.archive.store import Layout, existing_database
from archiver.errors import ArchiveError, Problem

#: Made again from what is kept: the index and what the validator found; or of this process alone.
_LEFT_OUT = {
    *("BACKUP", "FORMAT", "control", "control.part", "journal.jsonl", "lock", "objects"),
    *("restoring", "tmp"),
}
_MADE_AGAIN = ("index.sqlite", "findings.sqlite")
#: Begun, thrown away, or set aside as unreadable; and what SQLite has beside a database.
_ENDINGS = (".part", ".new", ".gone", ".lock", "-wal", "-shm", "-journal")
_DATABASE = ".sqlite"
#: A file that was changed within this time may change again without another date (nanoseconds).
_JUST_NOW = 3_000_000_000
_PATIENCE = 30.0


class Contents:
    """Takes files of an archive into a target.

    Parameters
    ----------
    layout
        Of the archive.
    target
        Where they go.
    before
        What the last backup had.

    Attributes
    ----------
    files
        What has been taken, by path in the archive's folder.
    """

    def __init__(
        self, layout: Layout, target: BackupTarget, before: Mapping[str, BackedUpFile]
    ) -> None:
        self._root = layout.root
        self._target = target
        self._before = before
        self.files: dict[str, BackedUpFile] = {}

    def take_what_changes(self) -> None:
        """Take folders and databases: to be called before the journal is read."""
        folders = [one for one in regular(self._root, _belongs) if one.parent != self._root]
        # A table stands on the disk behind the files that it tells of; so it is read before them,
        # and they are looked for once more.
        for path in [one for one in folders if one.suffix == ".json"]:
            self._take(path)
        for path in regular(self._root, _belongs):
            if path.parent != self._root or path.suffix in (_DATABASE, ".json"):
                self._take(path)

    def take_what_grows(self) -> None:
        """Take statements and what is made once: to be called after the journal was read."""
        here = [one for one in regular(self._root, _belongs) if one.parent == self._root]
        for path in sorted(here, key=lambda one: one.suffix != ".jsonl"):
            self._take(path)

    def cut(self, ends: Mapping[str, int]) -> None:
        """Leave out of files of statements what was written after the backup's moment.

        Parameters
        ----------
        ends
            Bytes of a file that belong to the backup, by its name.
        """
        for name, size in ends.items():
            taken = self.files.get(name)
            if taken is None or taken.size <= size:
                continue
            if size:
                written = self._target.keep_any(pieces(self._root / name, size))
                self.files[name] = BackedUpFile(written.sha256, written.size, 0)
            else:
                del self.files[name]

    def _take(self, path: Path) -> None:
        name = path.relative_to(self._root).as_posix()
        if name in self.files:
            return
        # What was removed since it was listed belongs to nothing any more.
        with suppress(FileNotFoundError):
            if path.suffix == _DATABASE:
                self.files[name] = self._database(path)
            else:
                self.files[name] = self._file(path, self._before.get(name))

    def _file(self, path: Path, before: BackedUpFile | None) -> BackedUpFile:
        about = path.stat()
        now = (about.st_size, about.st_mtime_ns)
        if before is not None and (before.size, before.changed) == now:
            kept = self._target.file(before.sha256)
            if kept.exists() and kept.stat().st_size == before.size:
                return before
        written = self._target.keep_any(pieces(path))
        fresh = time_ns() - about.st_mtime_ns < _JUST_NOW
        return BackedUpFile(written.sha256, written.size, 0 if fresh else about.st_mtime_ns)

    def _database(self, path: Path) -> BackedUpFile:
        """Take a database as it is between two transactions (https://sqlite.org/backup.html)."""
        copy = self._target.temporary / path.name
        try:
            with (
                closing(existing_database(path, _PATIENCE)) as one,
                closing(sqlite3.connect(copy)) as other,
            ):
                one.backup(other)
                other.execute("PRAGMA journal_mode=DELETE")
        except sqlite3.Error as error:
            problem = Problem("archive.backup.database", reason=str(error))
            raise ArchiveError(problem.at(file=path.name)) from error
        written = self._target.keep_any(pieces(copy))
        copy.unlink()
        return BackedUpFile(written.sha256, written.size, 0)


def _belongs(path: Path) -> bool:
    name = path.name
    made_again = name.startswith(_MADE_AGAIN) or ".damaged-" in name
    return name not in _LEFT_OUT and not made_again and not name.endswith(_ENDINGS)
