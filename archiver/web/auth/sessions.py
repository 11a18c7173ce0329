"""Sessions: kept in the server's memory, found by a random token, ended by rest and by age."""

from __future__ import annotations

import hashlib
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from archiver.access import Seconds, elapsed

#: A session ends when nothing was asked for that long ...
IDLE = timedelta(minutes=30)
#: ... and in any case after a working day.
LONGEST = timedelta(hours=10)
#: More at one time end the oldest.
_MOST = 1000


@dataclass
class LoginSession:
    """One log-in.

    Parameters
    ----------
    key
        Digest of the token; the token itself is only in the browser.
    user
        Whose it is.
    stamp
        What the user was at log-in (hash of the password, roles); when that changes the session
        ends.
    used
        When something was last asked for, for people.
    begun_at, used_at
        Seconds that never go back.
    """

    key: str
    user: str
    stamp: str
    used: datetime
    begun_at: float
    used_at: float
    csrf: str = field(default_factory=lambda: secrets.token_urlsafe(32))


class Sessions:
    """All sessions of one server.

    Parameters
    ----------
    clock
        Gives the time.
    seconds
        Never go back, whatever is done to the clock.
    idle, longest
        After which time without use, and after which time at all, a session ends.
    """

    def __init__(
        self,
        clock: Callable[[], datetime],
        idle: timedelta = IDLE,
        longest: timedelta = LONGEST,
        seconds: Seconds = elapsed,
    ) -> None:
        self._clock, self._seconds = clock, seconds
        self.idle, self.longest = idle, longest
        self._guard = threading.Lock()
        self._sessions: dict[str, LoginSession] = {}

    def begin(self, user: str, stamp: str) -> tuple[str, LoginSession]:
        """Begin a session and return its token, which is kept nowhere here."""
        token = secrets.token_urlsafe(32)
        now = self._seconds()
        session = LoginSession(_key(token), user, stamp, self._clock(), now, now)
        with self._guard:
            self._sweep(now)
            while len(self._sessions) >= _MOST:
                del self._sessions[min(self._sessions.values(), key=lambda s: s.used_at).key]
            self._sessions[session.key] = session
        return token, session

    def find(self, token: str) -> LoginSession | None:
        """Return the session of a token and count this as use; None if there is none any more."""
        now = self._seconds()
        with self._guard:
            session = self._sessions.get(_key(token))
            if session is None:
                return None
            if self._is_over(session, now):
                del self._sessions[session.key]
                return None
            session.used, session.used_at = self._clock(), now
            return session

    def end(self, session: LoginSession) -> None:
        """End a session."""
        with self._guard:
            self._sessions.pop(session.key, None)

    def end_of(self, user: str) -> int:
        """End all sessions of a user and return how many there were."""
        with self._guard:
            mine = [s.key for s in self._sessions.values() if s.user == user]
            for key in mine:
                del self._sessions[key]
        return len(mine)

    def current(self) -> list[LoginSession]:
        """Return the sessions that go on, the latest used first."""
        with self._guard:
            self._sweep(self._seconds())
            return sorted(self._sessions.values(), key=lambda s: s.used_at, reverse=True)

    def _sweep(self, now: float) -> None:
        for key in [s.key for s in self._sessions.values() if self._is_over(s, now)]:
            del self._sessions[key]

    def _is_over(self, session: LoginSession, now: float) -> bool:
        rest, age = now - session.used_at, now - session.begun_at
        return rest > self.idle.total_seconds() or age > self.longest.total_seconds()


def _key(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
