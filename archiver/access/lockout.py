"""Wrong passwords cost time: more with each, for that account from that address alone.

A neighbour on the same machine logs in with another account, and the owner of an account from
another machine, as if nothing had happened. NIST SP 800-63B 5.2.2 allows at most 100 wrong tries
in a row; with delays that double these take more than three days.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass

from archiver.access.addresses import neighbourhood
from archiver.access.elapsed import Seconds, elapsed

#: So many are forgiven: people mistype.
FREE = 8
#: The delay after one more (seconds), which doubles with each up to the longest.
FIRST, LONGEST = 30.0, 3600.0
#: After so long without another, all is forgotten (seconds).
_FORGOTTEN = 24 * 3600.0
#: Accounts that are remembered of one address, and addresses. Those with the fewest wrong tries
#: are forgotten first, so that inventing names wins nothing.
_ACCOUNTS, _ADDRESSES = 1000, 4096


@dataclass
class _Tries:
    """Wrong tries, and when the last was."""

    wrong: int
    last: float

    def wait(self, now: float) -> float:
        """Seconds until the next may come."""
        if self.wrong < FREE:
            return 0.0
        delay = min(LONGEST, FIRST * 2.0 ** min(self.wrong - FREE, 10))
        return max(0.0, self.last + delay - now)


class LockOut:
    """Counts wrong passwords.

    Parameters
    ----------
    clock
        Seconds that never go back.
    """

    def __init__(self, clock: Seconds = elapsed) -> None:
        self._clock = clock
        self._guard = threading.Lock()
        self._tries: dict[str, dict[str, _Tries]] = {}

    def wait(self, account: str, address: str) -> float:
        """Count a try as wrong, until `right` says otherwise, so that many at once win nothing.

        Returns
        -------
        float
            0, or the seconds until a try is looked at again; such a one is not counted.
        """
        now = self._clock()
        with self._guard:
            accounts = self._tries.setdefault(neighbourhood(address), {})
            tries = accounts.setdefault(account[:100], _Tries(0, now))
            if now - tries.last > _FORGOTTEN:
                tries.wrong = 0
            wait = tries.wait(now)
            if not wait:
                tries.wrong, tries.last = tries.wrong + 1, now
            self._forget(accounts)
        return wait

    def remaining(self, account: str, address: str) -> float:
        """Return the seconds until a try is looked at, without counting one."""
        with self._guard:
            tries = self._tries.get(neighbourhood(address), {}).get(account[:100])
            return tries.wait(self._clock()) if tries else 0.0

    def right(self, account: str, address: str) -> None:
        """Forget the wrong tries of an account at an address."""
        with self._guard:
            self._tries.get(neighbourhood(address), {}).pop(account[:100], None)

    def _forget(self, accounts: dict[str, _Tries]) -> None:
        if len(accounts) > _ACCOUNTS:
            del accounts[min(accounts, key=lambda one: accounts[one].wrong)]
        if len(self._tries) > _ADDRESSES:
            held = self._tries
            others = (one for one in held if held[one] is not accounts)
            del held[min(others, key=lambda one: sum(t.wrong for t in held[one].values()))]
