"""The sockets that the node listens at."""

from __future__ import annotations

import os
import socket
import sys
from dataclasses import dataclass

#: Connections that the system keeps until they are taken.
_WAITING = 128


@dataclass(frozen=True)
class Address:
    """Where to listen.

    Parameters
    ----------
    host, port
        Port 0 is any free one.
    given
        Descriptor of a socket that somebody else listens at for us, in place of host and port.
    """

    host: str
    port: int
    given: int | None = None

    def open(self) -> socket.socket:
        """Listen.

        Raises
        ------
        OSError
            If the address is taken, or not ours.
        """
        if self.given is not None:
            # A copy: whoever listens anew finds the socket still open.
            return socket.socket(fileno=os.dup(self.given))
        family = socket.AF_INET6 if ":" in self.host else socket.AF_INET
        # With the protocol named, asyncio turns Nagle's algorithm off on what is accepted; an
        # answer of more than one segment would else wait for a delayed acknowledgement.
        listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        try:
            if sys.platform == "win32":
                # There SO_REUSEADDR would let another program take over a port that is in use.
                listener.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
            else:
                listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind((self.host, self.port))
            listener.listen(_WAITING)
        except OSError:
            listener.close()
            raise
        return listener
