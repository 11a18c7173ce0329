"""One writer at a time.

The lock is taken from the operating system (flock, or msvcrt.locking on Windows) and not from a
file whose mere existence means "locked": the system frees it when a process dies, however it
dies, so a kill leaves nothing to clear away. Both calls are in the standard library, which is
why no package is used for twenty lines. flock and not lockf: it also keeps out a second writer
in the same process, and closing another handle of the file does not lose it.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from archiver.archive.store.durable import described_error
from archiver.errors import ArchiveError, Problem
from archiver.wording import Text

if sys.platform == "win32":
    import msvcrt

    def _take(handle: int) -> None:
        # Locks one byte far behind the text, so that other processes can still read the text.
        os.lseek(handle, 1 << 20, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        os.lseek(handle, 0, os.SEEK_SET)
else:
    import fcntl

    def _take(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


class WriterLock:
    """The right to write, held from the making of this object until `release`.

    Parameters
    ----------
    path
        The lock file; made if it is not there.

    Raises
    ------
    ArchiveError
        If another process, or another opening in this process, holds it.
    """

    def __init__(self, path: Path) -> None:
        try:
            self._handle: int | None = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise described_error(error, Text("archive.writer_lock.not_locked"), path) from error
        try:
            _take(self._handle)
        except OSError as error:
            said = os.read(self._handle, 80).decode("ascii", "replace")
            self.release()
            raise ArchiveError(_kept_out(said, str(path.parent))) from error
        self.say("")

    def say(self, what: str) -> None:
        """Tell whoever is kept out what holds the lock all the time; empty for what soon ends.

        Parameters
        ----------
        what
            The command, in ASCII.
        """
        assert self._handle is not None
        # Only for a message. A full disk may refuse even this; the lock holds all the same.
        try:
            os.ftruncate(self._handle, 0)
            os.lseek(self._handle, 0, os.SEEK_SET)
            os.write(self._handle, f"{os.getpid()} {what}".strip().encode("ascii") + b"\n")
        except OSError:
            pass

    def release(self) -> None:
        """Give the right back; harmless when it was given back before."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None


def _kept_out(said: str, where: str) -> Problem:
    """Return what is told to a second writer.

    Parameters
    ----------
    said
        What the first one wrote into its lock.
    """
    process, _, what = said.strip().partition(" ")
    if not process.isdigit():
        return Problem("archive.writer_lock.taken").at(file=where)
    if not what:
        return Problem("archive.writer_lock.taken_by", process=process).at(file=where)
    socket = f"{where}/control"
    told = {"process": process, "what": what, "socket": socket}
    return Problem("archive.writer_lock.in_service", **told).at(file=where)
