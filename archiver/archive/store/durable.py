"""Writing so that what was written is still there after the power fails.

A rename is atomic on every file system that this program meets, but neither the bytes of a file
nor its name are on the disk before they are flushed (POSIX fsync; the name belongs to the
folder). So: write, flush the file, rename, flush the folder.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from archiver.errors import ArchiveError, Problem
from archiver.wording import Text

Buffer = bytes | bytearray | memoryview

#: Buffers handed to one call of writev at most; POSIX guarantees 16, Linux takes 1024.
_GATHER = 64
#: Bytes gathered before a write, so that a streamed file never sits in memory whole.
_GATHER_BYTES = 4 << 20
_CHUNK = 1 << 20
#: Files that `Flushing` flushes at one time.
_FLUSHES = 4
_CAN_GATHER = hasattr(os, "writev")
_CAN_FLUSH_FOLDERS = os.name == "posix"
_BINARY = getattr(os, "O_BINARY", 0)

_REASONS = {
    errno.ENOSPC: Text("archive.durable.disk_full"),
    errno.EDQUOT: Text("archive.durable.quota_used_up"),
    errno.EFBIG: Text("archive.durable.file_too_large"),
    errno.EROFS: Text("archive.durable.read_only"),
    errno.EACCES: Text("archive.durable.denied"),
    errno.EPERM: Text("archive.durable.denied"),
    errno.EIO: Text("archive.durable.disk_error"),
}


@dataclass(frozen=True)
class Written:
    """What went to the disk: SHA-256 in lower-case hexadecimal, and size in bytes."""

    sha256: str
    size: int


def described_error(error: OSError, doing: Text, where: Path | str) -> ArchiveError:
    """Translate an error of the operating system into one clear line.

    Parameters
    ----------
    error
        What the system raised.
    doing
        What was not done, such as "nothing was stored".
    where
        The archive or file.
    """
    reason = _REASONS.get(error.errno or 0) or (error.strerror or str(error)).lower()
    full = error.errno in (errno.ENOSPC, errno.EDQUOT)
    code = "archive.durable.no_room" if full else "archive.durable.failed"
    return ArchiveError(Problem(code, reason=reason, doing=doing).at(file=where))


@contextmanager
def translated(doing: Text, where: Path | str) -> Iterator[None]:
    """Turn any OSError of the block into an ArchiveError."""
    try:
        yield
    except OSError as error:
        raise described_error(error, doing, where) from error


def _write_views(handle: int, views: list[memoryview]) -> None:
    """Write all of the views, however often the system takes only a part."""
    while views:
        count = os.writev(handle, views) if _CAN_GATHER else os.write(handle, views[0])
        while views and count >= len(views[0]):
            count -= len(views.pop(0))
        if count:
            views[0] = views[0][count:]


class Flushing:
    """Flushes files in threads while others are written, for whom one waiting at the end is enough.

    An instance is called with the descriptor of a file, which may be closed afterwards.
    """

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(_FLUSHES, "flush")
        self._under_way: list[Future[None]] = []

    def __call__(self, handle: int) -> None:
        """Have a file flushed."""
        self._under_way.append(self._pool.submit(_flush_and_close, os.dup(handle)))

    def finish(self) -> None:
        """Wait until all is on the disk.

        Raises
        ------
        OSError
            As the system raised it for one of them.
        """
        try:
            for one in self._under_way:
                one.result()
        finally:
            self._pool.shutdown()


def _flush_and_close(handle: int) -> None:
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_whole(
    path: Path, parts: Iterable[Buffer], flush: Callable[[int], None] = os.fsync
) -> Written:
    """Write a new file from parts and flush it; the parts are neither joined nor copied.

    On any error the file is removed again.

    Parameters
    ----------
    path
        Must not exist.
    parts
        Contiguous buffers that follow each other in the file.
    flush
        Brings the file of a descriptor to the disk: at once, or as `Flushing` does.

    Raises
    ------
    OSError
        As the system raised it.
    """
    digest = hashlib.sha256()
    size = 0
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o644)
    try:
        try:
            gathered: list[memoryview] = []
            waiting = 0
            for part in parts:
                view = memoryview(part)
                if not view.nbytes:
                    continue
                view = view.cast("B")
                digest.update(view)
                size += len(view)
                waiting += len(view)
                gathered.append(view)
                if len(gathered) >= _GATHER or waiting >= _GATHER_BYTES:
                    _write_views(handle, gathered)
                    waiting = 0
            _write_views(handle, gathered)
            flush(handle)
        finally:
            os.close(handle)
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return Written(digest.hexdigest(), size)


def write_once(path: Path, content: bytes, *, mode: int = 0o644) -> None:
    """Make a small file that is there whole, or not there.

    Raises
    ------
    OSError
        As the system raised it.
    """
    part = path.with_name(f"{path.name}.part")
    part.unlink(missing_ok=True)
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, mode)
    try:
        os.write(handle, content)
        os.fsync(handle)
    finally:
        os.close(handle)
    part.replace(path)
    flush_folder(path.parent)


def digest_parts(parts: Iterable[Buffer]) -> Written:
    """Return digest and size of what the parts would make."""
    digest = hashlib.sha256()
    size = 0
    for part in parts:
        digest.update(part)
        size += memoryview(part).nbytes
    return Written(digest.hexdigest(), size)


def digest_file(path: Path) -> Written:
    """Return digest and size of a file, read in pieces."""
    with path.open("rb") as file:
        return digest_parts(iter(lambda: file.read(_CHUNK), b""))


def flush_folder(folder: Path) -> None:
    """Flush the names in a folder, where the system can (Windows keeps them by itself)."""
    if not _CAN_FLUSH_FOLDERS:
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def move(source: Path, target: Path) -> None:
    """Move a file; where the target is on another file system, a flushed copy takes its place.

    Raises
    ------
    OSError
        As the system raised it.
    """
    try:
        source.replace(target)
        return
    except OSError as error:
        if error.errno != errno.EXDEV:
            raise
    part = target.with_name(f".{target.name}.part")
    try:
        with source.open("rb") as one, part.open("wb") as other:
            shutil.copyfileobj(one, other, _CHUNK)
            other.flush()
            os.fsync(other.fileno())
        part.replace(target)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    source.unlink()
