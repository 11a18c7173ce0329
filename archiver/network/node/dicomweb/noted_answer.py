"""An answer that leaves once the audit trail has what it tells, and else not at all."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from concurrent.futures import Future

from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.types import Message, Send

from archiver.wording import Text


class NotedAnswer:
    """What takes the messages of an answer in the place of the server.

    Parameters
    ----------
    request
        What is answered.
    send
        Sends.
    lines
        Of the audit trail, which have to be on the disk before anything leaves.
    """

    def __init__(self, request: Request, send: Send, lines: Sequence[Future[None]]) -> None:
        self._request, self._send, self._lines = request, send, lines
        self._is_withheld = False

    async def __call__(self, message: Message) -> None:
        """Send a message, or 503 in the place of the whole answer."""
        if self._is_withheld:
            return
        if message["type"] == "http.response.start" and not await self._is_noted():
            self._is_withheld = True
            headers = {"Retry-After": "60", "Cache-Control": "no-store"}
            withheld = PlainTextResponse(f"{Text('network.web.not_noted')}\n", 503, headers)
            await withheld(self._request.scope, self._request.receive, self._send)
            return
        await self._send(message)

    async def _is_noted(self) -> bool:
        try:
            for line in self._lines:
                await asyncio.wrap_future(line)
        except Exception:
            # The writer has reported it.
            return False
        return True
