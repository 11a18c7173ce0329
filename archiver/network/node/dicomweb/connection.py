"""An HTTP connection within its limits: numbers, and the time in which a request has to come.

uvicorn bounds what it does at one time, not how long a peer may take to say what it wants; a few
hundred connections that say nothing would lock out everybody else.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

if TYPE_CHECKING:
    from archiver.network.node.limits import NodeLimits


class Doorway:
    """Counts connections by address and says whether one more may come in.

    Parameters
    ----------
    limits
        What a peer may take up.
    refused
        Told (address, reason) of connections that are turned away.
    """

    def __init__(self, limits: NodeLimits, refused: Callable[[str, str], None]) -> None:
        self.limits = limits
        self.refused = refused
        self._inside: Counter[str] = Counter()

    def enters(self, address: str) -> bool:
        """Count a connection, or turn it away; called in the thread of the server only."""
        if self._inside.total() >= self.limits.connections:
            self.refused(address, "too many connections")
            return False
        if self._inside[address] >= self.limits.connections_of_one_address:
            self.refused(address, "too many connections from this address")
            return False
        self._inside[address] += 1
        return True

    def leaves(self, address: str) -> None:
        """Count a connection no longer."""
        self._inside[address] -= 1
        if self._inside[address] <= 0:
            del self._inside[address]


class NodeProtocol(H11Protocol):
    """One connection.

    Parameters
    ----------
    doorway
        Lets it in.
    arguments
        As uvicorn gives them.
    """

    def __init__(self, doorway: Doorway, **arguments: Any) -> None:
        super().__init__(**arguments)
        self._doorway = doorway
        self._inside = False
        self._patience: asyncio.TimerHandle | None = None
        self._stuck: asyncio.TimerHandle | None = None

    @property
    def _address(self) -> str:
        return self.client[0] if self.client else ""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Let a connection in, or close it."""
        super().connection_made(transport)
        self._inside = self._doorway.enters(self._address)
        if not self._inside:
            transport.abort()
            return
        self._wait_for_head()

    def connection_lost(self, exc: Exception | None) -> None:
        """Clear up behind a connection."""
        for timer in (self._patience, self._stuck):
            if timer is not None:
                timer.cancel()
        if self._inside:
            self._inside = False
            self._doorway.leaves(self._address)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take bytes; a connection that talks nonsense inside an answer is closed."""
        if self.transport.is_closing():
            return
        try:
            super().data_received(data)
        except h11.ProtocolError:
            self.transport.close()
            return
        if self._is_answering():
            self._stop_waiting()
        elif self._patience is None:
            self._wait_for_head()

    def on_response_complete(self) -> None:
        """Wait for the next request."""
        self._stop_waiting()
        super().on_response_complete()

    def pause_writing(self) -> None:
        """Give up a peer that takes nothing of its answer."""
        super().pause_writing()
        if self._stuck is None:
            seconds = self._doorway.limits.network_seconds
            self._stuck = self.loop.call_later(seconds, self.transport.abort)

    def resume_writing(self) -> None:
        """Go on with a peer that takes its answer."""
        super().resume_writing()
        if self._stuck is not None:
            self._stuck.cancel()
            self._stuck = None

    def _is_answering(self) -> bool:
        return self.cycle is not None and not self.cycle.response_complete

    def _wait_for_head(self) -> None:
        seconds = self._doorway.limits.negotiation_seconds
        self._patience = self.loop.call_later(seconds, self.transport.abort)

    def _stop_waiting(self) -> None:
        if self._patience is not None:
            self._patience.cancel()
            self._patience = None
