"""Folders into which a wireless card, a tethering program or a network share puts pictures.

One visit at a time receives from a folder, from when a person says so. What lay in the folder then
stays there, unless they take it too; the folder is only read. A file is taken once it is a whole
picture and has not grown for a moment. Which visit receives, and which files it has had or left,
is kept in ``pages/receiving.json``, so that a server that was killed goes on where it was: a file
that it had taken and not noted is the same picture of the same draft.
"""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import Any

from archiver.archive.store import Fields, Schema, mark_fields, read_fields, unchanged
from archiver.errors import ArchiverError, PhotoError, Problem
from archiver.photo import EXTENSIONS
from archiver.web.kept_json import write_json
from archiver.web.language import in_words
from archiver.wording import Text

RECEIVING: Schema[Fields] = Schema(Text("archive.schema.receiving"), (unchanged,))
#: Seconds for which a file must not have grown, and after which one that is no whole picture is
#: told as refused; milliseconds between looks where nothing tells of changes, as on network shares.
_STILL, _BROKEN, _LOOK = 0.2, 10.0, 400
#: A file as it was looked at: its path below the folder, its size, when it was last written.
Stamp = tuple[str, int, int]


class Taken(Enum):
    """What became of a file that was offered to a visit."""

    KEPT = "kept"
    LATER = "later"
    OVER = "over"


#: Takes a file into a draft; raises `PhotoError` where it is no picture.
Take = Callable[[str, Path], Taken]


@dataclass
class _Watch:
    """One folder: which draft receives, and what was had or left of it."""

    name: str
    path: Path
    draft: str = ""
    known: set[Stamp] = field(default_factory=set)
    waiting: tuple[str, ...] = ()
    refused: dict[str, tuple[Problem, ...]] = field(default_factory=dict)
    stop: threading.Event = field(default_factory=threading.Event)
    seen: dict[str, tuple[Stamp, float]] = field(default_factory=dict)

    def files(self) -> Iterator[tuple[Stamp, Path]]:
        """Yield the files that may be pictures; links are not followed."""
        for folder, folders, names in os.walk(self.path):
            folders[:] = sorted(one for one in folders if not one.startswith("."))
            for name in sorted(names):
                path = Path(folder) / name
                if name.startswith(".") or path.suffix.lower() not in EXTENSIONS:
                    continue
                with suppress(OSError):
                    told = path.lstat()
                    if path.is_file() and not path.is_symlink():
                        below = path.relative_to(self.path).as_posix()
                        yield (below, told.st_size, told.st_mtime_ns), path


class WatchedFolders:
    """The folders that the settings name.

    Parameters
    ----------
    folders
        By the names under which people know them.
    file
        Where it is kept which visit receives.
    take
        Takes a file into a draft.
    tell
        Told of the draft of whatever has changed.
    failed
        Told of what nobody foresaw.
    """

    def __init__(
        self,
        folders: Mapping[str, Path],
        file: Path,
        take: Take,
        wake: Callable[[str], None],
        failed: Callable[[Exception], None],
    ) -> None:
        self._file, self._take, self._wake, self._failed = file, take, wake, failed
        self._guard = threading.RLock()
        self._all = {name: _Watch(name, path) for name, path in folders.items()}
        self._closed = False
        self._read()
        for one in self._all.values():
            if one.draft:
                self._start(one)

    def state(self, draft: str, *, counted: bool = False) -> list[dict[str, Any]]:
        """Return how the folders stand to a draft, as values that JSON has.

        Parameters
        ----------
        counted
            Whether to count what lies there and no visit has had, which takes a look at all of it.
        """
        return [self._describe(one, draft, counted=counted) for one in self._all.values()]

    def receives(self, draft: str) -> bool:
        """Return whether pictures may come into a draft by themselves."""
        return any(one.draft == draft for one in self._all.values())

    def _describe(self, one: _Watch, draft: str, *, counted: bool) -> dict[str, Any]:
        mine = one.draft == draft
        found = one.files() if counted and not mine else ()
        there = sum(stamp not in one.known for stamp, _ in found)
        return {
            "name": one.name,
            "on": mine,
            "elsewhere": bool(one.draft) and not mine,
            "missing": not one.path.is_dir(),
            "there": there,
            "waiting": list(one.waiting) if mine else [],
            "refused": [
                {"name": name, "words": " ".join(map(in_words, problems))}
                for name, problems in (one.refused.items() if mine else ())
            ],
        }

    def begin(self, name: str, draft: str, *, with_those_there: bool) -> None:
        """Let a draft receive from a folder from now on, and no other draft any more.

        Raises
        ------
        LookupError
            If there is no such folder.
        ArchiveError
            If the disk refuses.
        """
        one = self._all[name]
        with self._guard:
            before = one.draft
            self._end(one)
            there = {stamp for stamp, _ in one.files()}
            one.known = one.known & there if with_those_there else there
            one.draft = draft
            self._write()
            self._start(one)
        if before and before != draft:
            self._wake(before)
        self._wake(draft)

    def end(self, draft: str) -> None:
        """Let nothing come into a draft any more.

        Raises
        ------
        ArchiveError
            If the disk refuses.
        """
        with self._guard:
            mine = [one for one in self._all.values() if one.draft == draft]
            for one in mine:
                self._end(one)
            if mine:
                self._write()
        if mine:
            self._wake(draft)

    def close(self) -> None:
        """Look no more; who receives stays so for the next start."""
        with self._guard:
            self._closed = True
            for one in self._all.values():
                one.stop.set()

    # -- within

    def _end(self, one: _Watch) -> None:
        one.stop.set()
        one.draft = ""
        one.waiting, one.refused, one.seen = (), {}, {}

    def _start(self, one: _Watch) -> None:
        one.stop = threading.Event()
        name = f"pictures from {one.name}"
        threading.Thread(target=self._run, args=(one, one.stop), name=name, daemon=True).start()

    def _run(self, one: _Watch, stop: threading.Event) -> None:
        while not stop.is_set():
            try:
                self._watch(one, stop)
            except Exception as error:
                self._failed(error)
            stop.wait(1.0)  # a card that is not in, a share that is away

    def _watch(self, one: _Watch, stop: threading.Event) -> None:
        from watchfiles import watch

        if not one.path.is_dir():
            return
        told = watch(
            one.path,
            stop_event=stop,
            yield_on_timeout=True,
            rust_timeout=_LOOK,
            debounce=200,
            raise_interrupt=False,
            ignore_permission_denied=True,
        )
        for _ in told:
            while self._look(one, stop) and not stop.wait(_STILL):
                pass
            if stop.is_set() or not one.path.is_dir():
                return

    def _look(self, one: _Watch, stop: threading.Event) -> bool:
        """Take what is whole; return whether something is still being written."""
        there = [(stamp, path) for stamp, path in one.files() if stamp not in one.known]
        waiting = []
        for stamp, path in there:
            if stop.is_set():
                return False
            if not self._offered(one, stop, stamp, path):
                waiting.append(stamp[0])
        if tuple(waiting) != one.waiting:
            one.waiting = tuple(waiting)
            self._wake(one.draft)
        return bool(waiting)

    def _offered(self, one: _Watch, stop: threading.Event, stamp: Stamp, path: Path) -> bool:
        """Offer a file to the draft; return whether it is done with."""
        before, since = one.seen.get(stamp[0], (None, 0.0))
        now = time.monotonic()
        if before != stamp:
            one.seen[stamp[0]] = stamp, now
            return False
        try:
            taken = self._take(one.draft, path)
        except PhotoError as error:
            if now - since < _BROKEN:
                return False  # whole, perhaps, when the next piece has come
            one.refused[stamp[0]] = error.problems
            taken = Taken.KEPT
        except (ArchiverError, OSError):
            return False  # a full disk, a share that went away: it is tried again
        if taken is Taken.OVER:
            self.end(one.draft)
            return True
        if taken is Taken.LATER or _stamp_of(path, one.path) != stamp:
            return False
        with self._guard:
            if not stop.is_set():
                one.known.add(stamp)
                one.seen.pop(stamp[0], None)
                self._write()
        self._wake(one.draft)
        return True

    def _write(self) -> None:
        told = {
            one.name: {"draft": one.draft, "known": sorted(one.known)} for one in self._all.values()
        }
        write_json(self._file, mark_fields(RECEIVING, {"folders": told}))

    def _read(self) -> None:
        """Read who receives; where that cannot be read nobody does, and a person begins anew."""
        try:
            table = json.loads(self._file.read_bytes())
            kept = read_fields(RECEIVING, table, self._file.name)["folders"]
            for name, told in kept.items():
                if name in self._all:
                    one = self._all[name]
                    one.known = {(str(p), int(s), int(m)) for p, s, m in told["known"]}
                    one.draft = str(told["draft"])
        except (OSError, ValueError, KeyError, TypeError, AttributeError, ArchiverError):
            return


def _stamp_of(path: Path, folder: Path) -> Stamp | None:
    try:
        told = path.lstat()
    except OSError:
        return None
    return path.relative_to(folder).as_posix(), told.st_size, told.st_mtime_ns
