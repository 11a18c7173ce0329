"""An object on its way in: written to its file as it arrives, and on its way to the disk.

What came is kept byte for byte behind our own file meta information (PS3.10 7.1). While bytes
arrive, the system is asked to begin writing them out, so that the flush at the end, which must
be done before success is answered, finds little left to do.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import functools
import hashlib
import os
import sys
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any, cast

from pydicom.dataset import FileMetaDataset
from pydicom.filewriter import write_file_meta_info
from pydicom.uid import UID

from archiver.archive.store import Aside, Buffer, Written
from archiver.objects import IMPLEMENTATION_CLASS_UID, IMPLEMENTATION_VERSION_NAME

#: Bytes after which the system is asked to begin writing out.
_STRETCH = 2 << 20
#: SYNC_FILE_RANGE_WRITE of Linux: begin, and do not wait.
_BEGIN = 2
_PIECE = 1 << 20
_BINARY = getattr(os, "O_BINARY", 0)


class TooLargeError(Exception):
    """More bytes came than an object may have."""


def file_head(sop_class: str, sop_instance: str, transfer_syntax: str, source: str = "") -> bytes:
    """Return preamble, prefix and file meta information (PS3.10 7.1) for what comes behind.

    Parameters
    ----------
    source
        Application Entity Title of the sender, for (0002,0016); left out where empty.
    """
    meta = FileMetaDataset()
    meta.FileMetaInformationVersion = b"\x00\x01"
    meta.MediaStorageSOPClassUID = UID(sop_class)
    meta.MediaStorageSOPInstanceUID = UID(sop_instance)
    meta.TransferSyntaxUID = UID(transfer_syntax)
    meta.ImplementationClassUID = UID(IMPLEMENTATION_CLASS_UID)
    meta.ImplementationVersionName = IMPLEMENTATION_VERSION_NAME
    if source:
        meta.SourceApplicationEntityTitle = source
    buffer = BytesIO()
    buffer.write(b"\0" * 128 + b"DICM")
    write_file_meta_info(cast(Any, buffer), meta)
    return buffer.getvalue()


@functools.cache
def _range_writer() -> Callable[[int, int, int, int], int] | None:
    """Return Linux's sync_file_range, None elsewhere."""
    if not sys.platform.startswith("linux"):
        return None
    function = getattr(ctypes.CDLL(None), "sync_file_range", None)
    if function is None:
        return None
    function.argtypes = [ctypes.c_int, ctypes.c_int64, ctypes.c_int64, ctypes.c_uint]
    found: Callable[[int, int, int, int], int] = function
    return found


@dataclass(frozen=True)
class Stretch:
    """Some bytes of a file: one part of a body among others.

    Parameters
    ----------
    path
        The file.
    begin, size
        In bytes.
    """

    path: Path
    begin: int
    size: int

    def read(self) -> bytes:
        """Return them."""
        return b"".join(self.pieces())

    def pieces(self) -> Iterator[bytes]:
        """Yield them without having all of them in memory."""
        left = self.size
        with self.path.open("rb") as file:
            file.seek(self.begin)
            while left and (piece := file.read(min(left, _PIECE))):
                left -= len(piece)
                yield piece


class IncomingFile:
    """The file of one object that is arriving.

    Parameters
    ----------
    folder
        The archive's folder of temporary files.
    limit
        Bytes that the file may have at most.
    mark
        Put before the file's name, so that it is found again.
    """

    def __init__(self, folder: Path, limit: int, mark: str = "") -> None:
        self.path = folder / f"{mark}{uuid.uuid4().hex}.received"
        self._limit = limit
        self._digest = hashlib.sha256()
        self._size = 0
        self._begun = 0
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | _BINARY
        self._handle: int | None = os.open(self.path, flags, 0o644)

    @property
    def size(self) -> int:
        """Bytes so far."""
        return self._size

    def write(self, part: Buffer) -> None:
        """Append bytes.

        Raises
        ------
        TooLargeError
            If the file would be larger than it may be; nothing of the part is kept.
        OSError
            As the system raised it.
        """
        view = memoryview(part)
        if self._handle is None or self._size + len(view) > self._limit:
            raise TooLargeError
        self._digest.update(view)
        self._size += len(view)
        while view:
            view = view[os.write(self._handle, view) :]
        begin = _range_writer()
        if begin is not None and self._size - self._begun >= _STRETCH:
            begin(self._handle, self._begun, self._size - self._begun, _BEGIN)
            self._begun = self._size

    def flush(self) -> Aside:
        """Flush what was written and close the file.

        Raises
        ------
        OSError
            As the system raised it.
        """
        assert self._handle is not None
        os.fsync(self._handle)
        self._close()
        return Aside(self.path, Written(self._digest.hexdigest(), self._size))

    def discard(self) -> None:
        """Close and remove the file where it is still there; never raises OSError."""
        try:
            self._close()
            self.path.unlink(missing_ok=True)
        except OSError:
            # Removed when the archive is next opened.
            pass

    def _close(self) -> None:
        if self._handle is not None:
            handle, self._handle = self._handle, None
            os.close(handle)
