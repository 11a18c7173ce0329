"""What every request passes before a page sees it: the front door, and headers of the answer.

Sources: Content-Security-Policy Level 3; RFC 9111 for caching.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from archiver.access import FrontDoor, OfferedService
from archiver.web.auth.visitor import address_of
from archiver.web.http_errors import Refused
from archiver.web.language import asked_for, speaking

#: Nothing is allowed but what comes from here as a file of its own; and, as a picture, what a page
#: has in memory: the camera's small picture, cut out of a file that the server has not got yet.
POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "worker-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob:",
        "connect-src 'self'",
        "frame-ancestors 'none'",
        "base-uri 'none'",
        "form-action 'self'",
    )
)
_HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # Not "no-referrer": browsers would then send `Origin: null` with our own forms.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
_NO_STORE = "no-store"
#: How the pages tell what the door says.
_WORDS = {
    "access.address": "errors.address",
    "access.host": "errors.wrong_host",
    "access.two_lengths": "errors.malformed",
    "access.other_site": "errors.other_site",
    "access.busy": "errors.too_often",
    "access.too_often": "errors.too_often",
}


class Middleware:
    """Wraps the pages.

    Parameters
    ----------
    inner
        The pages.
    door
        Says who comes in.
    refuse
        Makes the answer to what is refused here.
    secure
        Whether TLS is spoken.
    """

    def __init__(
        self,
        inner: ASGIApp,
        door: FrontDoor,
        refuse: Callable[[Request, Refused], ASGIApp],
        *,
        secure: bool,
    ) -> None:
        self._inner, self._door, self._refuse, self._secure = inner, door, refuse, secure

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in or refuse it."""
        if scope["type"] != "http":
            await self._inner(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                self._put_headers(MutableHeaders(scope=message))
            await send(message)

        request = Request(scope)
        refused = self._why_not(request)
        with speaking(asked_for(request.headers.get("accept-language", ""))):
            answer = self._inner if refused is None else self._refuse(request, refused)
            await answer(scope, receive, guarded)

    def _why_not(self, request: Request) -> Refused | None:
        turned = self._door.request(
            OfferedService.PAGES,
            request.method,
            request.url.scheme,
            address_of(request),
            request.headers,
        )
        if turned is None:
            return None
        return Refused(turned.status, _WORDS[turned.why.code], dict(turned.headers))

    def _put_headers(self, headers: MutableHeaders) -> None:
        for name, value in _HEADERS.items():
            headers[name] = value
        if "cache-control" not in headers:
            headers["Cache-Control"] = _NO_STORE
        if self._secure:
            headers["Strict-Transport-Security"] = "max-age=31536000"


def is_wanted_as_json(request: Request) -> bool:
    """Return whether the answer is for a script rather than for a person."""
    accept: Any = request.headers.get("accept", "")
    return "application/json" in accept and "text/html" not in accept
