"""What browsers follow by server-sent events: something that changes, told whenever it has."""

from __future__ import annotations

import asyncio
import json
import threading
import time
from collections.abc import AsyncIterator, Callable
from typing import Any

#: A stream of events ends after that many seconds; the browser asks again.
_STREAM = 20.0
#: Milliseconds until it does.
_RETRY = 400


class ChangeFeed:
    """Counts changes and wakes whoever follows, from any thread."""

    def __init__(self) -> None:
        self.version = 0
        self._guard = threading.Lock()
        self._listeners: list[tuple[asyncio.AbstractEventLoop, asyncio.Event]] = []

    def changed(self) -> None:
        """Wake whoever follows."""
        with self._guard:
            self.version += 1
            for loop, event in self._listeners:
                try:
                    loop.call_soon_threadsafe(event.set)
                except RuntimeError:  # the server has stopped
                    continue

    async def stream(
        self, tell: Callable[[], dict[str, Any]], is_over: Callable[[], bool]
    ) -> AsyncIterator[str]:
        """Yield what is to be told, now and after every change, until it is over."""
        until = time.monotonic() + _STREAM
        entry = (asyncio.get_running_loop(), asyncio.Event())
        with self._guard:
            self._listeners.append(entry)
        seen = -1
        try:
            yield f"retry: {_RETRY}\n\n"
            while True:
                entry[1].clear()
                over = is_over()
                if self.version != seen:
                    seen = self.version
                    yield f"data: {json.dumps(tell())}\n\n"
                left = until - time.monotonic()
                if (over and self.version == seen) or left <= 0:
                    return
                try:
                    await asyncio.wait_for(entry[1].wait(), left)
                except asyncio.TimeoutError:
                    return
        finally:
            with self._guard:
                self._listeners.remove(entry)
