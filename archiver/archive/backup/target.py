"""The folder that holds backups: its layout, and the backups that are complete."""

from __future__ import annotations

import hashlib
import json
import os
import stat
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

from archiver.archive.store import (
    START,
    Buffer,
    Fields,
    Position,
    Schema,
    Written,
    digest_file,
    flush_folder,
    holds_at,
    mark_fields,
    read_fields,
    unchanged,
    write_once,
    write_whole,
)
from archiver.errors import ArchiveError, Problem
from archiver.wording import Text

FORMAT = 1
_MARK = "archiver backup, format "
#: Backups that can be told apart; older ones are forgotten, their objects never.
KEPT = 2
STATE: Schema[Fields] = Schema(Text("archive.schema.backup_state"), (unchanged,))


@dataclass(frozen=True)
class BackedUpFile:
    """A file that is no object: its content, and the time of its last change in nanoseconds."""

    sha256: str
    size: int
    changed: int


@dataclass(frozen=True)
class LostObject:
    """An object that the journal promises and that could not be read as promised."""

    study: str
    series: str
    sop: str
    digest: str
    size: int


@dataclass(frozen=True)
class BackupState:
    """A backup that is complete.

    Parameters
    ----------
    number
        From 1.
    time
        When it began, ISO 8601.
    end
        How much of the journal belongs to it.
    objects
        How many objects the journal promises to there.
    files
        Everything else, by its path in the archive's folder.
    lost
        Objects that it lacks; the next backup tries again.
    """

    number: int = 0
    time: str = ""
    end: Position = START
    objects: int = 0
    files: Mapping[str, BackedUpFile] = field(default_factory=dict)
    lost: tuple[LostObject, ...] = ()


@dataclass(frozen=True)
class BackupTarget:
    """The paths of a target.

    Parameters
    ----------
    root
        Its folder.
    """

    root: Path

    @property
    def mark(self) -> Path:
        """Which layout this is, and of which archive."""
        return self.root / "BACKUP"

    @property
    def lock(self) -> Path:
        """Whose lock makes a process the only one that backs up."""
        return self.root / "lock"

    @property
    def journal(self) -> Path:
        """The archive's journal, to the last backup."""
        return self.root / "journal.jsonl"

    @property
    def objects(self) -> Path:
        """Objects by digest."""
        return self.root / "objects"

    @property
    def files(self) -> Path:
        """Other files by digest."""
        return self.root / "files"

    @property
    def states(self) -> Path:
        """The backups that are complete."""
        return self.root / "states"

    @property
    def temporary(self) -> Path:
        """What is being written."""
        return self.root / "tmp"

    def object(self, digest: str) -> Path:
        """Return where an object lies."""
        return self.objects / digest[:2] / f"{digest}.dcm"

    def file(self, digest: str) -> Path:
        """Return where another file lies."""
        return self.files / digest

    def identity(self) -> UUID:
        """Return which archive the backups are of.

        Raises
        ------
        ArchiveError
            If this is no target, or one of another layout.
        """
        try:
            head, _, identity = self.mark.read_text("ascii").strip().rpartition(" ")
            found = UUID(identity)
        except (OSError, ValueError):
            raise ArchiveError(
                Problem("archive.backup.no_target").at(file=str(self.root))
            ) from None
        if head != f"{_MARK}{FORMAT}":
            problem = Problem("archive.backup.other_layout", format=FORMAT)
            raise ArchiveError(problem.at(file=str(self.mark)))
        return found

    def prepare(self, identity: UUID) -> None:
        """Make the folders where they are missing, and clear what a kill left.

        Raises
        ------
        ArchiveError
            If the target is of another archive, or the folder holds other things.
        """
        if not self.mark.exists():
            if {one.name for one in self.root.iterdir()} - {"lock", "BACKUP.part", "lost+found"}:
                raise ArchiveError(Problem("archive.backup.other_things").at(file=str(self.root)))
            write_once(self.mark, f"{_MARK}{FORMAT} {identity}\n".encode("ascii"))
        if self.identity() != identity:
            raise ArchiveError(Problem("archive.backup.other_archive").at(file=str(self.root)))
        for folder in (self.objects, self.files, self.states, self.temporary):
            folder.mkdir(exist_ok=True)
        for left in self.temporary.iterdir():
            left.unlink()
        flush_folder(self.root)

    def last(self) -> BackupState:
        """Return the last complete backup that can be read; number 0 where there is none."""
        for path in sorted(self.states.glob("*.json"), reverse=True):
            state = _read(path)
            if state is not None and self.journal.exists():
                with suppress(OSError):
                    if holds_at(self.journal, state.end):
                        return state
        return BackupState()

    def complete(self, state: BackupState) -> None:
        """Make a backup count, and forget the oldest."""
        told = json.dumps(mark_fields(STATE, asdict(state)), sort_keys=True).encode("ascii")
        digest = hashlib.sha256(told).hexdigest()
        write_once(self.states / f"{state.number:08}-{digest}.json", told)
        kept = sorted(self.states.glob("*.json"), reverse=True)
        for old in kept[KEPT:]:
            old.unlink()
        read = [one for one in map(_read, kept[:KEPT]) if one is not None]
        wanted = {file.sha256 for one in read for file in one.files.values()}
        for path in self.files.iterdir():
            if path.name not in wanted:
                path.unlink()

    def keep(self, path: Path, parts: Iterable[Buffer], digest: str) -> bool:
        """Write a file that must have a digest; return whether it has."""
        aside = self.temporary / uuid4().hex
        written = write_whole(aside, parts)
        if written.sha256 != digest:
            aside.unlink()
            return False
        self._place(aside, path)
        return True

    def keep_any(self, parts: Iterable[Buffer]) -> Written:
        """Write a file of whatever content under its digest."""
        aside = self.temporary / uuid4().hex
        written = write_whole(aside, parts)
        self._place(aside, self.file(written.sha256))
        return written

    @staticmethod
    def _place(aside: Path, path: Path) -> None:
        if not path.parent.exists():
            path.parent.mkdir()
            flush_folder(path.parent.parent)
        aside.replace(path)
        flush_folder(path.parent)


def _read(path: Path) -> BackupState | None:
    """Return a backup as its file tells of it, None where the file is damaged."""
    try:
        told = path.read_bytes()
        if hashlib.sha256(told).hexdigest() != path.stem.partition("-")[2]:
            return None
        given: dict[str, Any] = read_fields(STATE, json.loads(told), path)
        given["end"] = Position(**given["end"])
        given["files"] = {name: BackedUpFile(**one) for name, one in given["files"].items()}
        given["lost"] = tuple(LostObject(**one) for one in given["lost"])
        return BackupState(**given)
    except (OSError, ValueError, TypeError, KeyError):
        return None


@contextmanager
def for_the_owner_alone() -> Iterator[None]:
    """Make files that nobody else can read, whatever the user's own habit is."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


def is_sound(path: Path, digest: str) -> bool:
    """Return whether a file is there with its content."""
    try:
        return digest_file(path).sha256 == digest
    except OSError:
        return False


def pieces(path: Path, size: int | None = None) -> Iterator[bytes]:
    """Yield the content of a file, or its first bytes."""
    left = size
    with path.open("rb") as file:
        while piece := file.read(1 << 20 if left is None else min(left, 1 << 20)):
            yield piece
            left = None if left is None else left - len(piece)


def regular(folder: Path, wanted: Callable[[Path], bool]) -> list[Path]:
    """Return the regular files below a folder that somebody wants, in the order of their names."""
    found: list[Path] = []
    with suppress(FileNotFoundError):
        for path in sorted(folder.iterdir()):
            with suppress(FileNotFoundError):
                mode = path.lstat().st_mode
                if not wanted(path):
                    continue
                if stat.S_ISDIR(mode):
                    found += regular(path, wanted)
                elif stat.S_ISREG(mode):
                    found.append(path)
    return found
