"""What every request passes before a page sees it: host, rate, headers of the answer.

Sources: the Host check keeps a page of elsewhere from reaching this server under a name that it
controls (DNS rebinding); Content-Security-Policy Level 3; Fetch Metadata; RFC 9111 for caching.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Callable, Iterable
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from archiver.web.auth.limits import Rate
from archiver.web.auth.visitor import address_of
from archiver.web.http_errors import Refused

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
SAFE = ("GET", "HEAD", "OPTIONS")


class Middleware:
    """Wraps the pages.

    Parameters
    ----------
    inner
        The pages.
    names
        Host names under which this server is reached, beside its addresses.
    rate
        How often an address may ask.
    refuse
        Makes the answer to what is refused here.
    on_loopback
        Whether only this machine can reach the server.
    secure
        Whether TLS is spoken.
    """

    def __init__(
        self,
        inner: ASGIApp,
        names: Iterable[str],
        rate: Rate,
        refuse: Callable[[Request, Refused], ASGIApp],
        *,
        on_loopback: bool,
        secure: bool,
    ) -> None:
        self._inner, self._rate, self._refuse = inner, rate, refuse
        self._names = {"localhost", *(name.lower().rstrip(".") for name in names)}
        self._on_loopback, self._secure = on_loopback, secure

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
        answer = self._inner if refused is None else self._refuse(request, refused)
        await answer(scope, receive, guarded)

    def _why_not(self, request: Request) -> Refused | None:
        if not self._is_our_name(request.headers):
            return Refused(421, "errors.wrong_host")
        wait = self._rate.wait(address_of(request))
        if wait:
            return Refused(429, "errors.too_often", {"Retry-After": str(round(wait))})
        return None

    def _is_our_name(self, headers: Headers) -> bool:
        """A name of ours, or an address: an address cannot be made to lead elsewhere."""
        hosts = headers.getlist("host")
        if len(hosts) != 1:
            return False
        name = host_name(hosts[0])
        if name in self._names:
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        return address.is_loopback or not self._on_loopback

    def _put_headers(self, headers: MutableHeaders) -> None:
        for name, value in _HEADERS.items():
            headers[name] = value
        if "cache-control" not in headers:
            headers["Cache-Control"] = _NO_STORE
        if self._secure:
            headers["Strict-Transport-Security"] = "max-age=31536000"


def host_name(host: str) -> str:
    """Return the name or address of a Host header, without its port."""
    host = host.strip().lower()
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.partition(":")[0].rstrip(".")


def check_source(request: Request) -> None:
    """Refuse what another site's page sends, or wants to embed; a link from there is no harm.

    Raises
    ------
    Refused
        403 where Origin or Fetch Metadata tell of another site.
    """
    site = request.headers.get("sec-fetch-site", "same-origin")
    if request.method in SAFE:
        mode = request.headers.get("sec-fetch-mode", "navigate")
        if site not in ("same-origin", "none") and mode != "navigate":
            raise Refused(403, "errors.other_site")
        return
    origin = request.headers.get("origin")
    ours = f"{request.url.scheme}://{request.headers.get('host', '')}".lower()
    if site not in ("same-origin", "none") or (origin is not None and origin.lower() != ours):
        raise Refused(403, "errors.other_site")


def is_wanted_as_json(request: Request) -> bool:
    """Return whether the answer is for a script rather than for a person."""
    accept: Any = request.headers.get("accept", "")
    return "application/json" in accept and "text/html" not in accept
