"""The pages as one ASGI application: log-in, roles, routes, templates, audit trail."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from importlib import import_module
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from archiver.access import SAFE, FrontDoor, OfferedService, Rate
from archiver.archive.store import Archive
from archiver.errors import ArchiverError
from archiver.network.node import MINOR, Event, Happening
from archiver.web.auth.login import LogIn
from archiver.web.auth.visitor import Visitor
from archiver.web.bodies import FORM, Form, read_form
from archiver.web.files import static_route, words_route
from archiver.web.http_errors import Refused
from archiver.web.language import go_on_in, in_words
from archiver.web.middleware import Middleware, is_wanted_as_json
from archiver.web.pictures import Pictures
from archiver.web.settings import PagesSettings
from archiver.web.site_context import Clock, Endpoint, SiteContext
from archiver.web.tasks import Tasks
from archiver.web.templating import Templates

if TYPE_CHECKING:
    from archiver.network.node import NodeSettings

#: The rooms of the pages, in the order of the navigation.
ROOMS = ("entrance", "take_in", "find", "compare", "record", "help")


class PageRoute(Route):
    """A route that says what it needs.

    Parameters
    ----------
    path, endpoint, methods
        As for `Route`.
    permission
        In the words of ``roles.toml``; empty for whoever has logged in, None for anybody.
    fields
        Of a body of JSON, each with its type in JSON Schema.
    """

    def __init__(
        self,
        path: str,
        endpoint: Endpoint,
        methods: list[str],
        permission: str | None,
        fields: Mapping[str, str],
    ) -> None:
        super().__init__(path, endpoint, methods=methods)
        self.permission, self.fields = permission, fields


class Site(SiteContext):
    """The pages.

    Parameters
    ----------
    archive
        Open for writing.
    node
        How the node listens.
    clock
        Gives the time, with its offset from UTC.
    local
        Name of the person who works at this machine, used where nobody has to log in.
    audit
        Writes to the audit trail.
    door
        Says who comes in.
    settings
        Of the pages.
    practice
        The practice's other settings (`archiver.cli.settings.PracticeSettings`), for the rooms
        that need peers, defaults or limits of quality; None in tests.

    `endings` are called when the server stops.
    """

    def __init__(
        self,
        archive: Archive,
        node: NodeSettings,
        clock: Clock,
        local: str,
        audit: Callable[[Happening], None],
        door: FrontDoor,
        settings: PagesSettings | None = None,
        practice: Any = None,
    ) -> None:
        super().__init__(archive, node, clock, audit, door, settings or PagesSettings())
        self.practice = practice
        self.entering = LogIn(self, local)
        self.templates = Templates(self.entering, self.languages)
        self.pictures = Pictures(self)
        self.tasks = Tasks(self)
        self.endings: list[Callable[[], None]] = []
        routes: list[BaseRoute] = [
            static_route(ROOMS),
            words_route(self.speak),
            *self.pictures.routes(),
            *self.tasks.routes(),
        ]
        for room in ROOMS:
            routes += import_module(f"archiver.web.pages.{room}.pages").routes(self)
        self.routes = routes
        door.limit(OfferedService.PAGES, Rate(self.settings.at_once, self.settings.a_second))
        self._gate = Middleware(
            Starlette(routes=routes, exception_handlers={404: self._missing, 405: self._missing}),
            door,
            self._turned_away,
            secure=self.secure,
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request."""
        await self._gate(scope, receive, send)

    def route(
        self,
        path: str,
        endpoint: Endpoint,
        *,
        may: str = "",
        methods: list[str] | None = None,
        anybody: bool = False,
        guest: bool = False,
        fields: Mapping[str, str] = MappingProxyType({}),
    ) -> Route:
        """Make a route that lets only those in who may.

        Parameters
        ----------
        may
            What the visitor's role has to allow, in the words of ``roles.toml``; empty for
            whoever has logged in.
        anybody
            Serve visitors who have not logged in, too.
        guest
            Serve those alone who have come by a one-time link.
        fields
            Of a body of JSON, each with its type in JSON Schema.
        """

        async def guarded(request: Request) -> Response:
            try:
                request.state.visitor = visitor = self._visitor(request, guest=guest)
                self._go_on_for(visitor)
                if visitor is None and not anybody:
                    return self.entering.ask(request)
                if visitor is not None and not visitor.may(may):
                    raise Refused(403, "errors.role")
                await self._check_token(request, visitor)
                answer = await _called(endpoint, request)
            except Refused as refused:
                self._audit_refusal(request, refused)
                answer = self.refusal(request, refused)
            except ArchiverError as error:
                answer = self._failed(request, error)
            except Exception as error:
                self.log_failure(error)
                answer = self.refusal(request, Refused(500, "errors.unexpected"))
            self.entering.keep(request, answer)
            return answer

        permission = None if anybody else may
        return PageRoute(path, guarded, methods or ["GET"], permission, fields)

    def speak(self, request: Request) -> None:
        """Answer a request that needs no log-in in the language of whoever has logged in."""
        self._go_on_for(self.entering.visitor(request))

    def _go_on_for(self, visitor: Visitor | None) -> None:
        """Answer in the language that somebody has chosen, if any."""
        chosen = self.languages.of(visitor.name) if visitor is not None else ""
        if chosen:
            go_on_in(chosen)

    def _visitor(self, request: Request, *, guest: bool) -> Visitor | None:
        if not guest:
            return self.entering.visitor(request)
        found = self.entering.guest(request)
        if found is None:
            raise Refused(403, "telephone.over")
        return found

    def page(self, request: Request, template: str, status: int = 200, **values: Any) -> Response:
        """Return a page made from a template."""
        return self.templates.page(request, template, status, values)

    def refusal(self, request: Request, refused: Refused) -> Response:
        """Return what tells of a refusal, as a page or as JSON."""
        words = self.t(refused.key, **refused.values)
        return self._problems_response(request, refused.status, [words], refused.headers)

    async def _check_token(self, request: Request, visitor: Visitor | None) -> None:
        """Refuse a change that does not carry the session's token (or no session's, if none)."""
        if request.method in SAFE:
            return
        given = request.headers.get("x-csrf-token", "")
        kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        if not given and kind == FORM:
            fields = await read_form(request)
            request.state.form = Form(fields)
            given = fields.get("csrf", [""])[0]
        if not self.entering.is_token(request, visitor, given):
            raise Refused(403, "errors.token", {"X-Session": "ended"})

    def _failed(self, request: Request, error: ArchiverError) -> Response:
        return self._problems_response(
            request, 400, [in_words(problem) for problem in error.problems], {}
        )

    def _problems_response(
        self, request: Request, status: int, lines: list[str], headers: Mapping[str, str]
    ) -> Response:
        if is_wanted_as_json(request):
            answer: Response = JSONResponse({"problems": lines}, status)
        else:
            answer = self.page(request, "error.html", status, lines=lines, code=status)
        for name, value in headers.items():
            answer.headers[name] = value
        return answer

    def _missing(self, request: Request, error: Exception) -> Response:
        status = getattr(error, "status_code", 404)
        request.state.visitor = self.entering.visitor(request)
        self._go_on_for(request.state.visitor)
        key = "errors.missing" if status == 404 else "errors.method"
        return self.refusal(request, Refused(status, key))

    def _turned_away(self, request: Request, refused: Refused) -> Response:
        self._audit_refusal(request, refused)
        return self.refusal(request, refused)

    def _audit_refusal(self, request: Request, refused: Refused) -> None:
        if refused.status in (400, 401, 403, 421, 429):
            self.note(request, Event.ALERT, detail=f"HTTP {refused.status}", outcome=MINOR)


async def _called(endpoint: Endpoint, request: Request) -> Response:
    if inspect.iscoroutinefunction(endpoint):
        answer: Response = await endpoint(request)
        return answer
    found = await run_in_threadpool(endpoint, request)
    if inspect.isawaitable(found):
        found = await found
    return found


class SiteMaker:
    """Makes the pages once the audit trail is there: what `Node` takes as its pages.

    Parameters
    ----------
    archive, node, clock, local, settings, practice
        As for `Site`.
    """

    def __init__(
        self,
        archive: Archive,
        node: NodeSettings,
        clock: Clock,
        local: str,
        settings: PagesSettings,
        practice: Any = None,
    ) -> None:
        self._given = (archive, node, clock, local)
        self._more = (settings, practice)
        self.site: Site | None = None

    def __call__(self, audit: Callable[[Happening], None], door: FrontDoor) -> ASGIApp:
        """Return the application."""
        self.site = Site(*self._given, audit, door, *self._more)
        return self.site

    def close(self) -> None:
        """End long work, before the node stops listening."""
        if self.site is not None:
            self.site.tasks.close()
            for end in self.site.endings:
                end()
