"""Where a package grows until it is whole: a folder or a file aside; then one rename."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import threading
import zipfile
from abc import ABC, abstractmethod
from collections.abc import Iterable
from contextlib import closing, suppress
from pathlib import Path, PurePosixPath

from archiver.archive.store import (
    Buffer,
    Flushing,
    Written,
    flush_folder,
    translated,
    write_whole,
)
from archiver.errors import Problem, UsageError
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

    @property
    def files(self) -> dict[str, tuple[str, int]]:
        """Names of what was added, with SHA-256 and size in bytes."""
        return {name: (one.sha256, one.size) for name, one in sorted(self.written.items())}

    def sums(self) -> bytes:
        """Return what ``sha256sum -c`` reads, of what was added."""
        lines = (f"{sha256}  {name}\n" for name, (sha256, _) in self.files.items())
        return "".join(lines).encode("ascii")

    @abstractmethod
    def add(self, name: str, parts: Iterable[Buffer]) -> Written:
        """Add a file from parts, which follow each other; slashes in its name part folders."""

    @abstractmethod
    def settle(self) -> None:
        """Bring all that was added to the disk; nothing is added afterwards."""

    @abstractmethod
    def appear(self) -> None:
        """Let the package appear under its name, whole and on the disk."""

    @abstractmethod
    def discard(self) -> None:
        """Remove what there is of it."""


def open_sink(target: Path, *, zipped: bool = False, image: bool = False) -> Sink:
    """Open a package to be made; what a killed run left of one of this name goes.

    Parameters
    ----------
    zipped, image
        Whether it is one ZIP file, or one image of a disc (ISO 9660), instead of a folder.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    UsageError
        If images of discs need an extra that is not installed.
    """
    with translated(_DOING, target):
        target.parent.mkdir(parents=True, exist_ok=True)
        for left in target.parent.glob(f".{target.name}.part-*"):
            shutil.rmtree(left) if left.is_dir() else left.unlink()
        if image:
            return _Image(target)
        return _Zip(target) if zipped else _Folder(target)


class _Folder(Sink):
    def __init__(self, target: Path) -> None:
        super().__init__(target)
        self._aside = Path(tempfile.mkdtemp(prefix=f".{target.name}.part-", dir=target.parent))
        self._flushing = Flushing()

    def add(self, name: str, parts: Iterable[Buffer]) -> Written:
        with translated(_DOING, self.target):
            file = self._aside / name
            file.parent.mkdir(parents=True, exist_ok=True)
            written = write_whole(file, parts, self._flushing)
        self.written[name] = written
        return written

    def settle(self) -> None:
        with translated(_DOING, self.target):
            self._flushing.finish()

    def appear(self) -> None:
        self.settle()
        with translated(_DOING, self.target):
            for folder in {(self._aside / name).parent for name in self.written}:
                flush_folder(folder)
            flush_folder(self._aside)
            # Takes the place of an empty folder, and of nothing else.
            self._aside.replace(self.target)
            flush_folder(self.target.parent)

    def discard(self) -> None:
        with suppress(OSError):  # nobody is told of what is thrown away
            self._flushing.finish()
        shutil.rmtree(self._aside, ignore_errors=True)


class _Image(_Folder):
    """An image of a disc: ISO 9660 at level 1, which PS3.12 asks for on CD and DVD."""

    def __init__(self, target: Path) -> None:
        try:
            from pycdlib.pycdlib import PyCdlib
        except ImportError:
            raise UsageError(Problem("handover.sink.no_extra")) from None
        super().__init__(target)
        self._image = PyCdlib
        self._whole = self._aside.with_name(f"{self._aside.name}.iso")

    def settle(self) -> None:
        super().settle()
        image = self._image()
        image.new(interchange_level=1)
        with translated(_DOING, self.target), closing(image):
            for folder in _folders(self.written):
                image.add_directory(f"/{folder}")
            for name in self.files:
                image.add_file(str(self._aside / name), f"/{_disc_name(name)};1")
            image.write(str(self._whole))
            with self._whole.open("rb") as file:
                os.fsync(file.fileno())

    def appear(self) -> None:
        with translated(_DOING, self.target):
            self._whole.replace(self.target)
            flush_folder(self.target.parent)
        self.discard()

    def discard(self) -> None:
        super().discard()
        self._whole.unlink(missing_ok=True)


def _folders(names: Iterable[str]) -> list[str]:
    """Return the folders of files, each behind the one that holds it."""
    parents = {str(one) for name in names for one in PurePosixPath(name).parents}
    return sorted(parents - {"."})


def _disc_name(name: str) -> str:
    """Return a name as ISO 9660 has it: with a dot also where nothing follows."""
    return name if "." in PurePosixPath(name).name else f"{name}."


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

    def settle(self) -> None:
        with translated(_DOING, self.target):
            self._zip.close()
            if not self._file.closed:
                self._file.flush()
                os.fsync(self._file.fileno())
                self._file.close()

    def appear(self) -> None:
        self.settle()
        with translated(_DOING, self.target):
            # That nothing is there has been looked at, and one process hands over at a time.
            self._aside.replace(self.target)
            flush_folder(self.target.parent)

    def discard(self) -> None:
        self._file.close()
        self._aside.unlink(missing_ok=True)
