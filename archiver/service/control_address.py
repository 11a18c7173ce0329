"""Where the writer of an archive is reached from other processes of the same machine.

A Unix socket, ``<archive>/control``; who may connect follows from the folder: its owner, and its
group where the group may write to the folder. On Windows a named pipe, which lets in who made it
and administrators. The socket says nothing about whether somebody serves: the archive's lock does.
One that a killed process left behind is in nobody's way, and gives way to the next.
"""

from __future__ import annotations

import hashlib
import os
import socket
import stat
import struct
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Protocol

if sys.platform == "win32":
    from multiprocessing.connection import Client, Listener, PipeConnection

    Line = PipeConnection
else:
    from multiprocessing.connection import Connection

    Line = Connection

FILE = "control"
#: What `sun_path` holds on every system (macOS: 104 with its end).
_LONGEST = 100
_WAITING = 64


class Door(Protocol):
    """Where callers come in."""

    def accept(self) -> Line:
        """Wait for the next caller; OSError when closed."""

    def close(self) -> None:
        """Let nobody in any more."""


if sys.platform == "win32":

    def _pipe(root: Path) -> str:
        name = hashlib.sha256(os.fsencode(root.resolve())).hexdigest()[:32]
        return rf"\\.\pipe\archiver-{name}"

    def open_door(root: Path) -> Door:
        """Open the pipe of an archive; the caller holds its writer lock."""
        return Listener(_pipe(root), "AF_PIPE", backlog=_WAITING)

    def knock(root: Path) -> Line:
        """Connect to who serves an archive; OSError where nobody does."""
        return Client(_pipe(root), "AF_PIPE")

    def caller(connection: Line) -> str:
        """Return who is at the other end; empty where the system does not tell."""
        return ""
else:

    class _UnixDoor:
        def __init__(self, root: Path) -> None:
            self._path = root / FILE
            folder = root.stat()
            part = root / f"{FILE}.part"
            part.unlink(missing_ok=True)
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            try:
                with _short(part) as address:
                    self._socket.bind(address)
                # Nobody listens yet; and the name that others know comes last.
                part.chmod(0o600)
                if folder.st_mode & stat.S_IWGRP:
                    with suppress(PermissionError):  # of a group that we are not in
                        os.chown(part, -1, folder.st_gid)
                        part.chmod(0o660)
                self._socket.listen(_WAITING)
                part.replace(self._path)
            except BaseException:
                self._socket.close()
                part.unlink(missing_ok=True)
                raise

        def accept(self) -> Line:
            one, _ = self._socket.accept()
            return Line(one.detach())

        def close(self) -> None:
            self._path.unlink(missing_ok=True)
            # Wakes who waits for a caller.
            with suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)
            self._socket.close()

    @contextmanager
    def _short(path: Path) -> Iterator[str]:
        """Give a name of a socket that the system takes, however deep its folder lies."""
        if len(os.fsencode(path)) <= _LONGEST:
            yield str(path)
            return
        with tempfile.TemporaryDirectory(prefix="archiver-") as folder:
            link = Path(folder, "a")
            link.symlink_to(path.parent)
            yield str(link / path.name)

    def open_door(root: Path) -> Door:
        """Open the socket of an archive; the caller holds its writer lock.

        Raises
        ------
        OSError
            Where the folder takes no socket.
        """
        return _UnixDoor(root)

    def knock(root: Path) -> Line:
        """Connect to who serves an archive; OSError where nobody does."""
        one = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            with _short(root / FILE) as address:
                one.connect(address)
        except BaseException:
            one.close()
            raise
        return Line(one.detach())

    def caller(connection: Line) -> str:
        """Return who is at the other end; empty where the system does not tell."""
        import pwd

        if not hasattr(socket, "SO_PEERCRED"):
            return ""
        with socket.socket(fileno=os.dup(connection.fileno())) as one:
            told = one.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
        _, uid, _ = struct.unpack("3i", told)
        try:
            return pwd.getpwuid(uid).pw_name
        except KeyError:
            return f"user {uid}"
