"""What a server tells the one who supervises it, and the sockets that it was given.

systemd hands over sockets that it listens at (sd_listen_fds(3)) and is told by datagrams when the
server is ready, reloads, is alive and ends (sd_notify(3)). Without systemd nothing is told.
"""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress

#: The first descriptor that is handed over (sd_listen_fds(3)).
_FIRST = 3


def given_sockets(environment: Mapping[str, str] = os.environ) -> dict[str, int]:
    """Return the descriptors of the sockets that were handed over, by their names."""
    if environment.get("LISTEN_PID") != str(os.getpid()):
        return {}
    count = int(environment.get("LISTEN_FDS", "0"))
    names = environment.get("LISTEN_FDNAMES", "").split(":")
    for number in range(_FIRST, _FIRST + count):
        os.set_inheritable(number, False)
    return {name: _FIRST + place for place, name in enumerate(names[:count])}


class Supervisor:
    """Is told how the server fares.

    Parameters
    ----------
    environment
        Of the process.
    """

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        mine = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        self._every = int(environment.get("WATCHDOG_USEC", "0")) / 2e6 if mine else 0.0
        self._ending = threading.Event()

    def ready(self) -> None:
        """Tell that it serves."""
        self._notify("READY=1")

    def reloading(self) -> None:
        """Tell that it reads its settings again; `ready` ends that."""
        moment = time.clock_gettime(time.CLOCK_MONOTONIC) if hasattr(time, "clock_gettime") else 0
        self._notify(f"RELOADING=1\nMONOTONIC_USEC={int(moment * 1e6)}")

    def stopping(self) -> None:
        """Tell that it ends."""
        self._ending.set()
        self._notify("STOPPING=1")

    def watch(self, is_alive: Callable[[], bool]) -> None:
        """Tell twice within the time that systemd waits that it is alive, as long as it is.

        Parameters
        ----------
        is_alive
            Says so; one that does not return says the opposite.
        """
        if not self._every or not self._address:
            return

        def telling() -> None:
            while not self._ending.wait(self._every):
                if is_alive():
                    self._notify("WATCHDOG=1")

        threading.Thread(target=telling, name="watchdog", daemon=True).start()

    def _notify(self, what: str) -> None:
        if not self._address:
            return
        # An address that begins with @ is of Linux's abstract names.
        address = "\0" + self._address[1:] if self._address[0] == "@" else self._address
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
            one.sendto(what.encode("ascii"), address)
