"""How a request to the node's web services is let in: the front door is asked, a refusal told."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import Receive, Scope, Send

from archiver.access import ANYONE, Caller, FrontDoor, OfferedService, TurnedAway
from archiver.network.node.audit import MINOR, NODE_AUTHENTICATION, Event, Happening
from archiver.network.node.observability import Figures, Log
from archiver.wording import Text

if TYPE_CHECKING:
    from archiver.network.node.settings import NodeSettings


class Admission:
    """Asks the front door about requests.

    Parameters
    ----------
    door
        Decides.
    settings
        Of the node.
    watch
        Audit trail, log and figures.
    """

    def __init__(
        self,
        door: FrontDoor,
        settings: NodeSettings,
        watch: tuple[Callable[[Happening], None], Log, Figures],
    ) -> None:
        self._door, self._settings = door, settings
        self._tell, _, self._figures = watch

    async def why_not(self, request: Request, service: OfferedService) -> Response | None:
        """Return a refusal, None where a request may pass; who sends it is noted in its state."""
        if service is not OfferedService.PAGES:
            # The pages ask the door themselves: their people come in by log-in.
            found = await self._identified(request, service)
            if isinstance(found, TurnedAway):
                await asyncio.sleep(found.delay)
                return self.refusal(request, found)
            request.state.who, request.state.identity = found.name, found
            # How the settings name who asks where they give rights.
            request.state.caller = f"web:{found.name}" if found.name != ANYONE else ""
        length = request.headers.get("content-length", "0")
        most = self._settings.limits.request_bytes
        if length.isascii() and length.isdigit() and int(length) > most:
            return self.refusal(request, TurnedAway(413, Text("network.web.length")))
        return None

    async def _identified(self, request: Request, service: OfferedService) -> Caller | TurnedAway:
        address, headers = address_of(request), request.headers
        refused = self._door.request(service, request.method, request.url.scheme, address, headers)
        if refused is not None:
            return refused
        if service is OfferedService.HEALTH:
            return Caller(ANYONE, frozenset())
        given = headers.get("authorization", "")
        if given[:5].lower() == "basic":
            return await run_in_threadpool(self._door.identify, address, given)
        return self._door.identify(address, given)

    def refusal(self, request: Request, turned: TurnedAway) -> Response:
        """Return the answer to what is refused, and tell of it."""
        who = f"{turned.known}@{address_of(request)}" if turned.known else address_of(request)
        self.turned_away(who, f"HTTP {turned.status} {turned.why}")
        return PlainTextResponse(f"{turned.why}\n", turned.status, dict(turned.headers))

    def turned_away(self, who: str, why: str) -> None:
        """Tell of a connection or a request that is refused."""
        self._figures.turned_away.inc()
        title, kind = self._settings.title, NODE_AUTHENTICATION
        self._tell(Happening(Event.ALERT, who, title, MINOR, detail=why, kind=kind))

    def route(self, path: str, end: Callable[..., Any], method: str, needed: str) -> Route:
        """Make a route for those who may do what it needs."""
        return _PermittedRoute(self, path, end, method, needed)


class _PermittedRoute(Route):
    """A route for those who may do something."""

    def __init__(
        self, admission: Admission, path: str, end: Callable[..., Any], method: str, needed: str
    ) -> None:
        super().__init__(path, end, methods=[method])
        self._admission, self._needed = admission, needed

    async def handle(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve a request, or say that the credentials do not allow it."""
        request = Request(scope)
        answering: Any = super().handle
        identity: Caller = request.state.identity
        if not identity.may(self._needed):
            turned = TurnedAway(403, Text("access.not_permitted"), known=identity.name)
            answering = self._admission.refusal(request, turned)
        await answering(scope, receive, send)


def address_of(request: Request) -> str:
    """Return the address that a request comes from."""
    return request.client.host if request.client else ""
