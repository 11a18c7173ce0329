"""Links that let whoever opens them first do one thing, for a while, without a log-in."""

from __future__ import annotations

import hashlib
import secrets
import threading

from cachetools import TTLCache

from archiver.access.elapsed import Seconds, elapsed

#: Seconds within which a link has to be opened, and for which it then holds.
OPENED_WITHIN, HOLDS_FOR = 600.0, 3600.0
_MOST = 1000


class OneTimeLinks:
    """All links of one server; in memory alone, and each token only by its digest.

    Parameters
    ----------
    seconds
        Never go back, whatever is done to the clock.
    """

    def __init__(self, seconds: Seconds = elapsed) -> None:
        self._guard = threading.Lock()
        self._links: TTLCache[str, str] = TTLCache(_MOST, OPENED_WITHIN, seconds)
        #: Of each key, for what it holds and by which link it was had.
        self._keys: TTLCache[str, tuple[str, str]] = TTLCache(_MOST, HOLDS_FOR, seconds)

    def make(self, subject: str) -> str:
        """Return the token of a new link for a subject; what was made for it before ends."""
        self.end(subject)
        token = secrets.token_urlsafe(24)
        with self._guard:
            self._links[_digest(token)] = subject
        return token

    def open(self, token: str) -> str:
        """Return the key of who opens a link, which that uses up; empty where it does not hold."""
        key = secrets.token_urlsafe(32)
        with self._guard:
            subject = self._links.pop(_digest(token), None)
            if subject is None:
                return ""
            self._keys[_digest(key)] = subject, _digest(token)
        return key

    def is_of(self, key: str, token: str) -> bool:
        """Return whether a key that still holds was had by opening this link, and no other."""
        with self._guard:
            return self._keys.get(_digest(key), ("", ""))[1] == _digest(token)

    def subject(self, key: str) -> str | None:
        """Return for what somebody holds a key; None where for nothing."""
        with self._guard:
            found = self._keys.get(_digest(key))
            return found[0] if found is not None else None

    def is_held(self, subject: str) -> bool:
        """Return whether somebody has opened a link for a subject."""
        with self._guard:
            return any(of == subject for of, _ in self._keys.values())

    def end(self, subject: str) -> None:
        """Let nobody in for a subject any more."""
        with self._guard:
            for one in [digest for digest, of in self._links.items() if of == subject]:
                del self._links[one]
            for one in [digest for digest, (of, _) in self._keys.items() if of == subject]:
                del self._keys[one]


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
