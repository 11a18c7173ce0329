"""Who may log in: names, roles, and argon2 hashes of passwords, in a file.

The file ``users.json`` lies in the folder ``pages`` of the archive, readable by its owner only. It
is written by ``archiver serve --add-user`` and read again by a running server when it has changed.
Whoever changes it holds ``users.lock`` beside it from reading to writing, so that two at once lose
nobody.

With the first user, the archive is closed to who has not logged in, and stays so when the last one
is removed or the file is lost: the file ``closed`` in the archive's own folder says so.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.access.roles import roles
from archiver.archive.store import (
    Fields,
    Schema,
    WriterLock,
    flush_folder,
    mark_fields,
    read_fields,
    translated,
    write_once,
)
from archiver.errors import ArchiveError, Problem, UsageError
from archiver.wording import Text

if TYPE_CHECKING:
    from argon2 import PasswordHasher

FILE = "users.json"
#: In the archive's folder: people log in here.
CLOSED = "closed"
#: Version 0 had the users at its top.
SCHEMA: Schema[Fields] = Schema(Text("archive.schema.users"), (lambda table: {"users": table},))
#: Fewer characters are no password (NIST SP 800-63B 5.1.1.2 asks for 8).
SHORTEST = 10
_LONGEST = 256
#: Seconds for which a change waits for that of another process, and between two looks.
_PATIENCE, _LOOK_AGAIN = 30.0, 0.01


@dataclass(frozen=True)
class User:
    """Somebody who may log in."""

    name: str
    roles: frozenset[str]
    hash: str


class Users:
    """The users of an archive's pages.

    Parameters
    ----------
    path
        Of their file; it need not exist.
    changed
        Called with the names of users that were made, changed or removed since they were read.
    mark
        The file that says that people log in; beside the users' own where left out.
    """

    def __init__(
        self,
        path: Path,
        changed: Callable[[list[str]], None] | None = None,
        mark: Path | None = None,
    ) -> None:
        self.path = path
        self.changed = changed
        self._guard = threading.Lock()
        self._stamp: tuple[int, int] | None = None
        self._users: dict[str, User] = {}
        self._mark = mark or path.with_name(CLOSED)
        self._demanded = False

    @cached_property
    def _hasher(self) -> PasswordHasher:
        # Only here: settings are read by every verb, and passwords by few.
        from argon2 import PasswordHasher

        return PasswordHasher()

    @cached_property
    def _nobody(self) -> str:
        """What an unknown name's password is held against: it takes as long as a wrong one."""
        return self._hasher.hash("nobody has this password")

    def all(self) -> dict[str, User]:
        """Return users by name.

        Raises
        ------
        UsageError
            If the file cannot be understood.
        ArchiveError
            If it is of a newer version.
        """
        with self._guard:
            try:
                found = self.path.stat()
                stamp = (found.st_mtime_ns, found.st_ino)
            except FileNotFoundError:
                stamp = (0, 0)
            if stamp != self._stamp:
                before, is_first = self._users, self._stamp is None
                self._users = _read(self.path) if any(stamp) else {}
                self._stamp = stamp
                if not is_first:
                    self._notify(before)
            return dict(self._users)

    @property
    def are_demanded(self) -> bool:
        """Whether people log in here: there are users, or ever were some."""
        self._demanded = self._demanded or self._mark.exists() or self.path.exists()
        return self._demanded

    def keep_closed(self) -> None:
        """See to it that those of an earlier version have their mark, too."""
        if self.path.exists():
            with contextlib.suppress(OSError):  # a disk that refuses it harms nobody yet
                self._close()

    def _close(self) -> None:
        """Let nobody in without log-in from now on, whatever becomes of the users."""
        if not self._mark.exists():
            write_once(self._mark, b"1\n")

    def _notify(self, before: Mapping[str, User]) -> None:
        names = {*before, *self._users}
        touched = sorted(n for n in names if before.get(n) != self._users.get(n))
        if self.changed is not None and touched:
            self.changed(touched)

    def checked(self, name: str, password: str) -> User | None:
        """Return the user of that name and password, None where there is none."""
        from argon2.exceptions import Argon2Error, InvalidHashError

        # Made at the first log-in, whoever that is, so that its time tells nobody a name.
        unknown = self._nobody
        user = self.all().get(name)
        wanted = user.hash if user else unknown
        try:
            self._hasher.verify(wanted, password[:_LONGEST])
        except (Argon2Error, InvalidHashError):
            return None
        return user

    def add(self, name: str, given: frozenset[str], password: str) -> None:
        """Add a user, or give a user other roles and password.

        Raises
        ------
        UsageError
            If name, roles or password cannot be used.
        ArchiveError
            If the disk refuses, or another process does not end its change.
        """
        problems = _problems(name, given, password)
        if problems:
            raise UsageError(*problems)
        user = User(name, given, self._hasher.hash(password))
        with self._alone():
            with translated(Text("access.users.not_written"), self._mark):
                self._close()
            self._write({**self.all(), name: user})

    def remove(self, name: str) -> None:
        """Remove a user.

        Raises
        ------
        UsageError
            If there is none of that name.
        ArchiveError
            As for `add`.
        """
        with self._alone():
            users = self.all()
            if users.pop(name, None) is None:
                problem = Problem("access.users.unknown_user", name=name)
                raise UsageError(problem.at(file=str(self.path)))
            self._write(users)

    @contextlib.contextmanager
    def _alone(self) -> Iterator[None]:
        """Keep others, also other processes, from changing users meanwhile."""
        with translated(Text("access.users.not_written"), self.path):
            self.path.parent.mkdir(parents=True, exist_ok=True)
        latest = time.monotonic() + _PATIENCE
        while True:
            try:
                lock = WriterLock(self.path.with_suffix(".lock"))
                break
            except ArchiveError:
                if time.monotonic() > latest:
                    raise
                time.sleep(_LOOK_AGAIN)
        try:
            yield
        finally:
            lock.release()

    def _write(self, users: Mapping[str, User]) -> None:
        listed = {u.name: {"roles": sorted(u.roles), "hash": u.hash} for u in users.values()}
        part = self.path.with_suffix(".part")
        with translated(Text("access.users.not_written"), self.path):
            with contextlib.suppress(FileNotFoundError):
                part.unlink()
            handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                json.dump(mark_fields(SCHEMA, {"users": listed}), file, indent=1, ensure_ascii=True)
                file.flush()
                os.fsync(file.fileno())
            part.replace(self.path)
            flush_folder(self.path.parent)


def users_of(root: Path) -> Users:
    """Return the users of the archive in a folder."""
    return Users(root / "pages" / FILE, mark=root / CLOSED)


def _read(path: Path) -> dict[str, User]:
    try:
        given = json.loads(path.read_text("utf-8"))
        table = read_fields(SCHEMA, given, path)["users"]
        return {
            str(name): User(str(name), frozenset(map(str, row["roles"])), str(row["hash"]))
            for name, row in table.items()
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        raise UsageError(Problem("access.users.unreadable").at(file=str(path))) from None


def _problems(name: str, given: frozenset[str], password: str) -> list[Problem]:
    problems = []
    if not 0 < len(name) <= 64 or not name.isprintable() or name != name.strip():
        problems.append(Problem("access.users.name", name=name[:70]))
    unknown = sorted(given - roles().keys())
    if unknown:
        problems.append(Problem("access.users.unknown_role", unknown=unknown, known=tuple(roles())))
    elif not given:
        problems.append(Problem("access.users.no_role", known=tuple(roles())))
    if not SHORTEST <= len(password) <= _LONGEST or name.casefold() in password.casefold():
        problems.append(Problem("access.users.password", shortest=SHORTEST))
    return problems
