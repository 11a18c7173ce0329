"""Who may use DICOMweb: bearer tokens and users from a file (RFC 6750, RFC 7617)."""

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
        empty ones are passed over. None where everybody is let in.

    Raises
    ------
    UsageError
        If the file cannot be read or understood.
    """

    def __init__(self, path: Path | None) -> None:
        self._tokens: dict[str, str] = {}
        self._users: dict[str, str] = {}
        self._open = path is None
        if path is not None:
            self._read(path)

    def _read(self, path: Path) -> None:
        try:
            lines = path.read_text("utf-8").splitlines()
        except (OSError, UnicodeDecodeError):
            raise UsageError(Problem("network.credentials.unreadable").at(file=str(path))) from None
        for number, line in enumerate(lines, start=1):
            if not line.strip() or line.startswith("#"):
                continue
            kind, _, rest = line.strip().partition(" ")
            name, _, secret = rest.strip().partition(" ")
            if kind not in _KINDS or not name or len(secret.strip()) < 8:
                problem = Problem("network.credentials.no_credential")
                raise UsageError(problem.at(file=str(path), line=number))
            (self._tokens if kind == "token" else self._users)[name] = secret.strip()

    def who(self, authorization: str) -> str | None:
        """Return the name behind an Authorization header, None where it opens nothing.

        All secrets are compared in full, so that the time taken tells nothing of them.
        """
        if self._open:
            return "anyone"
        kind, _, rest = authorization.partition(" ")
        if kind.lower() == "bearer":
            given = rest.strip().encode()
            found = None
            for name, secret in self._tokens.items():
                if hmac.compare_digest(secret.encode(), given):
                    found = name
            return found
        if kind.lower() == "basic":
            try:
                user, _, password = base64.b64decode(rest, validate=True).decode().partition(":")
            except (binascii.Error, UnicodeDecodeError):
                return None
            secret = self._users.get(user, "")
            same = hmac.compare_digest(secret.encode(), password.encode())
            return user if same and secret else None
        return None
