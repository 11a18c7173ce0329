"""Who may use the pages: names, roles, and argon2 hashes of passwords, in a file.

The file ``users.json`` lies in the folder ``pages`` of the archive, readable by its owner only. It
is written by ``archiver serve --add-user`` and read again by a running server when it has changed.
Whoever changes it holds ``users.lock`` beside it from reading to writing, so that two at once lose
nobody.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError

from archiver.archive.store import (
    Fields,
    Schema,
    WriterLock,
    flush_folder,
    mark_fields,
    read_fields,
    translated,
)
from archiver.errors import ArchiveError, Problem, UsageError
from archiver.wording import Text

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

FILE = "users.json"
#: Version 0 had the users at its top.
SCHEMA: Schema[Fields] = Schema(Text("archive.schema.users"), (lambda table: {"users": table},))
#: Fewer characters are no password (NIST SP 800-63B 5.1.1.2 asks for 8).
SHORTEST = 10
_LONGEST = 256
#: A hashing takes 64 MiB; a few at once are enough.
_A_FEW = threading.Semaphore(2)
#: Seconds for which a change waits for that of another process, and between two looks.
_PATIENCE, _LOOK_AGAIN = 30.0, 0.01


@cache
def roles() -> Mapping[str, frozenset[str]]:
    """Return what each role may do."""
    table = tomllib.loads(files(__package__).joinpath("roles.toml").read_text("utf-8"))
    return {role: frozenset(may) for role, may in table["roles"].items()}


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
    """

    def __init__(self, path: Path, changed: Callable[[list[str]], None] | None = None) -> None:
        self.path = path
        self._changed = changed
        self._hasher = PasswordHasher()
        self._guard = threading.Lock()
        self._stamp: tuple[int, int] | None = None
        self._users: dict[str, User] = {}
        # An unknown name costs the same time as a wrong password.
        self._nobody = self._hasher.hash("nobody has this password")

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

    def _notify(self, before: Mapping[str, User]) -> None:
        names = {*before, *self._users}
        touched = sorted(n for n in names if before.get(n) != self._users.get(n))
        if self._changed is not None and touched:
            self._changed(touched)

    def checked(self, name: str, password: str) -> User | None:
        """Return the user of that name and password, None where there is none."""
        user = self.all().get(name)
        wanted = user.hash if user else self._nobody
        with _A_FEW:
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
                problem = Problem("web.users.unknown_user", name=name)
                raise UsageError(problem.at(file=str(self.path)))
            self._write(users)

    @contextlib.contextmanager
    def _alone(self) -> Iterator[None]:
        """Keep others, also other processes, from changing users meanwhile."""
        with translated(Text("web.users.not_written"), self.path):
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
        with translated(Text("web.users.not_written"), self.path):
            with contextlib.suppress(FileNotFoundError):
                part.unlink()
            handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                json.dump(mark_fields(SCHEMA, {"users": listed}), file, indent=1, ensure_ascii=True)
                file.flush()
                os.fsync(file.fileno())
            part.replace(self.path)
            flush_folder(self.path.parent)


def users_of(root: Path, changed: Callable[[list[str]], None] | None = None) -> Users:
    """Return the users of the archive in a folder; see `Users`."""
    return Users(root / "pages" / FILE, changed)


def _read(path: Path) -> dict[str, User]:
    try:
        given = json.loads(path.read_text("utf-8"))
        table = read_fields(SCHEMA, given, path)["users"]
        return {
            str(name): User(str(name), frozenset(map(str, row["roles"])), str(row["hash"]))
            for name, row in table.items()
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        raise UsageError(Problem("web.users.unreadable").at(file=str(path))) from None


def _problems(name: str, given: frozenset[str], password: str) -> list[Problem]:
    problems = []
    if not 0 < len(name) <= 64 or not name.isprintable() or name != name.strip():
        problems.append(Problem("web.users.name", name=name[:70]))
    unknown = sorted(given - roles().keys())
    if unknown:
        problems.append(Problem("web.users.unknown_role", unknown=unknown, known=tuple(roles())))
    elif not given:
        problems.append(Problem("web.users.no_role", known=tuple(roles())))
    if not SHORTEST <= len(password) <= _LONGEST or name.casefold() in password.casefold():
        problems.append(Problem("web.users.password", shortest=SHORTEST))
    return problems
