"""Where a package grows until it is whole: a folder aside, or a ZIP file aside; then one rename."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import threading
import zipfile
from abc import ABC, abstractmethod
from collections.abc import Iterable
from pathlib import Path

from archiver.archive.store import Buffer, Written, flush_folder, translated, write_whole
from archiver.wording import Text

#: In a ZIP every file has this time (the earliest that it can hold): none tells of the clinic.
_NO_TIME = (1980, 1, 1, 0, 0, 0)
_DOING = Text("handover.sink.not_made")


class Sink(ABC):
    """A package that is being made; `add` may be called from several threads.

    Parameters
    ----------
    target
        Where the package is to appear.
    """

    def __init__(self, target: Path) -> None:
        self.target = target
        self.written: dict[str, Written] = {}

    @abstractmethod
    def add(self, name: str, parts: Iterable[Buffer]) -> Written:
        """Add a file from parts, which follow each other."""

    @abstractmethod
    def appear(self) -> None:
        """Let the package appear under its name, whole and on the disk."""

    @abstractmethod
    def discard(self) -> None:
        """Remove what there is of it."""


def open_sink(target: Path, *, zipped: bool) -> Sink:
    """Open a package to be made; what a killed run left of one of this name goes.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    with translated(_DOING, target):
        target.parent.mkdir(parents=True, exist_ok=True)
        for left in target.parent.glob(f".{target.name}.part-*"):
            shutil.rmtree(left) if left.is_dir() else left.unlink()
        return _Zip(target) if zipped else _Folder(target)


class _Folder(Sink):
    def __init__(self, target: Path) -> None:
        super().__init__(target)
        self._aside = Path(tempfile.mkdtemp(prefix=f".{target.name}.part-", dir=target.parent))

    def add(self, name: str, parts: Iterable[Buffer]) -> Written:
        with translated(_DOING, self.target):
            written = write_whole(self._aside / name, parts)
        self.written[name] = written
        return written

    def appear(self) -> None:
        with translated(_DOING, self.target):
            flush_folder(self._aside)
            # Takes the place of an empty folder, and of nothing else.
            self._aside.replace(self.target)
            flush_folder(self.target.parent)

    def discard(self) -> None:
        shutil.rmtree(self._aside, ignore_errors=True)


class _Zip(Sink):
    def __init__(self, target: Path) -> None:
        super().__init__(target)
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.part-", dir=target.parent)
        self._aside = Path(name)
        self._file = os.fdopen(handle, "wb")
        self._zip = zipfile.ZipFile(self._file, "w", zipfile.ZIP_STORED)
        self._guard = threading.Lock()

    def add(self, name: str, parts: Iterable[Buffer]) -> Written:
        entry = zipfile.ZipInfo(name, _NO_TIME)
        entry.create_system = 3
        entry.external_attr = 0o100644 << 16
        digest, size = hashlib.sha256(), 0
        # One file after the other; pictures have been compressed already.
        with self._guard, translated(_DOING, self.target), self._zip.open(entry, "w") as out:
            for part in parts:
                digest.update(part)
                size += memoryview(part).nbytes
                out.write(part)
        written = self.written[name] = Written(digest.hexdigest(), size)
        return written

    def appear(self) -> None:
        with translated(_DOING, self.target):
            self._zip.close()
            self._file.flush()
            os.fsync(self._file.fileno())
            self._file.close()
            # That nothing is there has been looked at, and one process hands over at a time.
            self._aside.replace(self.target)
            flush_folder(self.target.parent)

    def discard(self) -> None:
        self._file.close()
        self._aside.unlink(missing_ok=True)
