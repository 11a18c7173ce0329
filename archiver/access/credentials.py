"""Secrets of other software, from a file: bearer tokens and users (RFC 6750, RFC 7617)."""

from __future__ import annotations

import base64
import binascii
import hmac
from pathlib import Path

from archiver.errors import Problem, UsageError

_KINDS = ("token", "user")


class Credentials:
    """Secrets that open the node, each with a name for the audit trail.

    Parameters
    ----------
    path
        Lines of ``token NAME SECRET`` or ``user NAME PASSWORD``; lines that start with ``#`` and
        empty ones are passed over. None where there are no such secrets.

    Raises
    ------
    UsageError
        If the file cannot be read or understood.
    """

    def __init__(self, path: Path | None) -> None:
        self._tokens: dict[str, str] = {}
        self._users: dict[str, str] = {}
        if path is not None:
            self._read(path)

    def _read(self, path: Path) -> None:
        try:
            lines = path.read_text("utf-8").splitlines()
        except (OSError, UnicodeDecodeError):
            raise UsageError(
                Problem("access.credentials_file.unreadable").at(file=str(path))
            ) from None
        for number, line in enumerate(lines, start=1):
            if not line.strip() or line.startswith("#"):
                continue
            kind, _, rest = line.strip().partition(" ")
            name, _, secret = rest.strip().partition(" ")
            if kind not in _KINDS or not name or len(secret.strip()) < 8:
                problem = Problem("access.credentials_file.no_credential")
                raise UsageError(problem.at(file=str(path), line=number))
            (self._tokens if kind == "token" else self._users)[name] = secret.strip()

    @property
    def names(self) -> tuple[str, ...]:
        """Whose secrets they are."""
        return (*self._tokens, *self._users)

    def of_token(self, token: str) -> str | None:
        """Return the name behind a token.

        All are compared in full, so that the time taken tells nothing of them.
        """
        found = None
        for name, secret in self._tokens.items():
            if hmac.compare_digest(secret.encode(), token.encode("utf-8", "replace")):
                found = name
        return found

    def is_password(self, name: str, password: str) -> bool:
        """Return whether that is the password of a user of the file."""
        secret = self._users.get(name, "")
        same = hmac.compare_digest(secret.encode(), password.encode("utf-8", "replace"))
        return same and bool(secret)


def basic(value: str) -> tuple[str, str] | None:
    """Return name and password of a header, None where it holds none (RFC 7617 2)."""
    try:
        name, colon, password = base64.b64decode(value, validate=True).decode().partition(":")
    except (binascii.Error, UnicodeDecodeError, ValueError):
        return None
    return (name, password) if colon else None
