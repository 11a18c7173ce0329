"""Drafts on the disk: every change is there before it is answered, and whole or not at all.

::

    <archive>/pages/drafts/<random id>/
        draft.json               what was said, and the steps by which changes are taken back and
                                 made again; written aside, flushed and renamed
        files/<SHA-256><ending>  a camera file, as it came
        files/<SHA-256>.json     what it is; written after the file, and counts as its arrival
        small/<SHA-256>.jpg      small pictures; can be made again
        doubts/<SHA-256>.json    what speaks against what is said of one; can be weighed again
        session/sheet.toml       the sheet of the last archiving, beside links to the files

One process, the one that holds the archive's lock, writes; so what it remembers is what is there.
A draft that cannot be read is listed as such and stays as it is. One that is thrown away is renamed
first, to ``<random id>.gone``.
"""

from __future__ import annotations

import json
import re
import secrets
import shutil
import threading
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path

from archiver.archive.store import (
    Fields,
    Schema,
    flush_folder,
    mark_fields,
    read_fields,
    translated,
    unchanged,
    version_of,
)
from archiver.errors import ArchiveError
from archiver.web.kept_json import write_json
from archiver.web.pages.take_in.drafts import ARCHIVED, Draft, Photo
from archiver.web.pages.take_in.undo import MOST, Step, read_steps, says_something, step, stepped
from archiver.wording import Text

DRAFT: Schema[Fields] = Schema(Text("archive.schema.draft"), (unchanged,))
PHOTO: Schema[Fields] = Schema(Text("archive.schema.draft_picture"), (unchanged,))
_TABLE = "draft.json"
_GONE = ".gone"
#: States of a draft that are remembered, to tell a window that is behind what it would undo.
_EARLIER = 200
_ID = re.compile(r"[0-9a-f]{32}")
#: How long a draft that is archived in full stays to be looked at.
_SHOWN_FOR = timedelta(days=1)


@dataclass(frozen=True)
class UnreadableDraft:
    """A draft that cannot be read.

    Parameters
    ----------
    folder
        Name of its folder.
    file
        What in it cannot be read.
    version
        Of that file, where it is newer than this program; else 0.
    """

    folder: str
    file: str
    version: int = 0


class _Unreadable(Exception):
    def __init__(self, draft: UnreadableDraft) -> None:
        super().__init__(draft.file)
        self.draft = draft


class NoDraft(LookupError):
    """There is no such draft."""


@dataclass
class Open:
    """A draft in memory, with its folder and the lock that its changes take."""

    folder: Path
    draft: Draft
    photos: dict[str, Photo]
    guard: threading.RLock = field(default_factory=threading.RLock)
    undoable: list[Step] = field(default_factory=list)
    redoable: list[Step] = field(default_factory=list)
    earlier: deque[Draft] = field(default_factory=lambda: deque(maxlen=_EARLIER))

    def at(self, revision: object) -> Draft | None:
        """Return the draft as it was at a revision; None where that is not known any more."""
        return next((one for one in self.earlier if one.revision == revision), None)

    @property
    def files(self) -> Path:
        """Folder of the camera files."""
        return self.folder / "files"

    @property
    def small(self) -> Path:
        """Folder of the small pictures."""
        return self.folder / "small"

    @property
    def doubts(self) -> Path:
        """Folder of what speaks against what is said; not there before anything was weighed."""
        return self.folder / "doubts"

    def path_of(self, photo: Photo) -> Path:
        """Return where a camera file lies."""
        return self.files / photo.file

    def save(self, draft: Draft, now: datetime) -> Draft:
        """Keep a changed draft for good; the caller holds the guard."""
        return self._keep(draft, now, self.undoable, self.redoable)

    def change(self, draft: Draft, now: datetime) -> Draft:
        """Keep what a person changed, so that it can be undone."""
        back = step(draft, self.draft)
        if not says_something(back):
            return self._keep(draft, now, self.undoable, self.redoable)
        undoable = [*self.undoable[1 - MOST :], back]
        return self._keep(draft, now, undoable, [])

    def undo(self, now: datetime, *, again: bool = False) -> Draft:
        """Take the last change back, or make it again; harmless where there is none."""
        source, other = (self.redoable, self.undoable) if again else (self.undoable, self.redoable)
        if not source:
            return self.draft
        wanted = stepped(self.draft, source[-1])
        lists = (source[:-1], [*other, step(wanted, self.draft)])
        return self._keep(wanted, now, *(reversed(lists) if again else lists))

    def _keep(
        self, draft: Draft, now: datetime, undoable: list[Step], redoable: list[Step]
    ) -> Draft:
        kept = replace(draft, revision=self.draft.revision + 1, changed=now.isoformat())
        steps = {"undoable": undoable, "redoable": redoable}
        write_json(self.folder / _TABLE, mark_fields(DRAFT, {**kept.to_json(), **steps}))
        self.earlier.append(self.draft)
        self.draft, self.undoable, self.redoable = kept, undoable, redoable
        return kept

    def add(self, photo: Photo, part: Path) -> Photo:
        """Keep a camera file that lies flushed at `part`; one that is there already stays.

        Raises
        ------
        ArchiveError
            If the disk refuses.
        """
        with self.guard:
            there = self.photos.get(photo.digest)
            if there is not None:
                part.unlink(missing_ok=True)
                return there
            photo = replace(photo, arrived=len(self.photos) + 1)
            with translated(Text("web.take_in.picture_not_kept"), self.folder.name):
                part.replace(self.path_of(photo))
            facts = mark_fields(PHOTO, photo.to_json())
            write_json(self.files / f"{photo.digest}.json", facts)
            # Another one, since others may be going through what there was.
            self.photos = {**self.photos, photo.digest: photo}
            return photo

    def remove(self, digest: str) -> None:
        """Forget a camera file, its facts first."""
        with self.guard, translated(Text("web.take_in.picture_not_removed"), self.folder.name):
            photo = self.photos[digest]
            self.photos = {key: one for key, one in self.photos.items() if key != digest}
            (self.files / f"{digest}.json").unlink(missing_ok=True)
            self.path_of(photo).unlink(missing_ok=True)
            for made in (*self.small.glob(f"{digest}*"), *self.doubts.glob(f"{digest}*")):
                made.unlink(missing_ok=True)


class Drafts:
    """All drafts of an archive.

    Parameters
    ----------
    folder
        Where they lie; it exists.
    clock
        Gives the time, aware of its offset.
    """

    def __init__(self, folder: Path, clock: Callable[[], datetime]) -> None:
        self._folder, self._clock = folder, clock
        self._guard = threading.Lock()
        self._open: dict[str, Open] = {}
        for left in folder.iterdir():
            # Begun and not made, or thrown away and not removed, when a process ended.
            begun = not (left / _TABLE).exists() and not _pictures(left)
            if left.name.endswith(_GONE) or begun:
                shutil.rmtree(left, ignore_errors=True)

    def create(self, owner: str) -> Open:
        """Make an empty draft that somebody begins.

        Raises
        ------
        ArchiveError
            If the disk refuses.
        """
        now = self._clock().isoformat()
        draft = Draft(secrets.token_hex(16), owner, now, now)
        folder = self._folder / draft.id
        with translated(Text("web.take_in.draft_not_made"), folder):
            for name in ("files", "small"):
                (folder / name).mkdir(parents=True)
        write_json(folder / _TABLE, mark_fields(DRAFT, draft.to_json()))
        flush_folder(self._folder)
        opened = Open(folder, draft, {})
        with self._guard:
            self._open[draft.id] = opened
        return opened

    def get(self, identity: str) -> Open:
        """Return a draft.

        Raises
        ------
        NoDraft
            If there is none of that name.
        """
        if not _ID.fullmatch(identity):
            raise NoDraft(identity)
        with self._guard:
            opened = self._open.get(identity)
            if opened is None:
                try:
                    opened = _read(self._folder / identity)
                except _Unreadable:
                    raise NoDraft(identity) from None
                self._open[identity] = opened
        return opened

    def all(self) -> list[Open]:
        """Return the drafts, the one changed last first; remove those long done with."""
        found = list(self._all())
        now = self._clock()
        for opened in found:
            draft = opened.draft
            age = now - datetime.fromisoformat(draft.changed)
            if draft.state == ARCHIVED and age > _SHOWN_FOR:
                self.discard(opened)
        kept = [one for one in found if one.folder.exists()]
        return sorted(kept, key=lambda one: one.draft.changed, reverse=True)

    def _all(self) -> Iterator[Open]:
        for folder in self._folder.iterdir():
            try:
                yield self.get(folder.name)
            except NoDraft:
                continue

    def unreadable(self) -> list[UnreadableDraft]:
        """Return the drafts that cannot be read."""
        found = []
        for folder in sorted(self._folder.iterdir()):
            if not _ID.fullmatch(folder.name) or not folder.is_dir():
                continue
            with self._guard:
                if folder.name in self._open:
                    continue
                try:
                    _read(folder)
                except _Unreadable as error:
                    found.append(error.draft)
        return found

    def discard(self, opened: Open) -> None:
        """Remove a draft, by a rename first, so that no half of it is found again."""
        with opened.guard, translated(Text("web.take_in.draft_not_removed"), opened.folder.name):
            gone = opened.folder.with_name(opened.draft.id + _GONE)
            opened.folder.replace(gone)
            flush_folder(self._folder)
            shutil.rmtree(gone)
        with self._guard:
            self._open.pop(opened.draft.id, None)


def _read(folder: Path) -> Open:
    """Read a draft; remove what an ended process left half done in it."""
    table = _table(folder, _TABLE, DRAFT)
    undoable, redoable = (read_steps(table.pop(key, [])) for key in ("undoable", "redoable"))
    try:
        draft = Draft.of(table)
        datetime.fromisoformat(draft.changed)
    except (KeyError, TypeError, ValueError):
        raise _unreadable(folder, _TABLE) from None
    photos: dict[str, Photo] = {}
    for path in sorted((folder / "files").glob("*.json")):
        name = f"files/{path.name}"
        try:
            photo = Photo.of(_table(folder, name, PHOTO))
        except (KeyError, TypeError):
            raise _unreadable(folder, name) from None
        if (folder / "files" / photo.file).is_file():
            photos[photo.digest] = photo
    for part in folder.rglob("*.part"):
        part.unlink(missing_ok=True)
    return Open(folder, draft, photos, undoable=undoable, redoable=redoable)


def _table(folder: Path, name: str, schema: Schema[Fields]) -> Fields:
    try:
        table = json.loads((folder / name).read_bytes().decode("utf-8", "surrogatepass"))
        if not isinstance(table, dict):
            raise ValueError
    except (OSError, ValueError, RecursionError):
        raise _unreadable(folder, name) from None
    try:
        return read_fields(schema, table, name)
    except ArchiveError:
        raise _unreadable(folder, name, version_of(table)) from None


def _unreadable(folder: Path, name: str, version: int = 0) -> _Unreadable:
    return _Unreadable(UnreadableDraft(folder.name, name, version))


def _pictures(folder: Path) -> bool:
    """Return whether camera files, or pieces of them, lie in a folder of a draft."""
    return any((folder / "files").glob("*"))
