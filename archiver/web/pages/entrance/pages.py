"""Log-in, start page, colours of the screen, language of the pages."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute

from archiver.web.audit import QUERY
from archiver.web.auth.login import path_within
from archiver.web.auth.visitor import visitor_of
from archiver.web.bodies import form_of
from archiver.web.http_errors import Refused
from archiver.web.pages.entrance import server
from archiver.web.templating import THEMES
from archiver.web.visits import PhotographedDay, latest_visits

if TYPE_CHECKING:
    from archiver.web.app import Site

#: Visits on the start page.
_RECENT = 8
_YEAR = 365 * 24 * 3600


def routes(site: Site) -> list[BaseRoute]:
    """Return the routes of this room."""
    return [
        site.route("/", lambda request: _start(site, request)),
        site.route("/login", lambda request: _form(site, request), anybody=True),
        site.route(
            "/login", lambda request: _log_in(site, request), anybody=True, methods=["POST"]
        ),
        site.route("/logout", lambda request: _log_out(site, request), methods=["POST"]),
        site.route("/session", lambda request: _session(site, request)),
        *server.routes(site),
        site.route("/language", lambda request: _language(site, request), methods=["POST"]),
        site.route("/theme", _theme, methods=["POST"], anybody=True),
    ]


def _start(site: Site, request: Request) -> Response:
    visitor = visitor_of(request)
    visits: list[PhotographedDay] = []
    if visitor.may("look"):
        visits = latest_visits(site.archive, _RECENT)
        site.note(request, QUERY, detail=f"latest visits; found: {len(visits)}")
    return site.page(request, "entrance/start.html", visits=visits)


def _form(site: Site, request: Request) -> Response:
    if request.state.visitor is not None:
        return RedirectResponse(path_within(request.query_params.get("to", "/")), 303)
    return _asked(site, request, request.query_params.get("to", "/"), "", 200)


def _asked(site: Site, request: Request, to: str, problem: str, status: int) -> Response:
    return site.page(
        request,
        "entrance/login.html",
        status,
        to=path_within(to),
        problem=problem,
        ended="ended" in request.query_params,
    )


def _log_in(site: Site, request: Request) -> Response:
    form = form_of(request)
    try:
        site.entering.log_in(request, form.get("name"), form.raw("password"))
    except Refused as refused:
        answer = _asked(site, request, form.get("to", "/"), refused.key, refused.status)
        answer.headers.update(refused.headers)
        return answer
    return RedirectResponse(path_within(form.get("to", "/")), 303)


def _log_out(site: Site, request: Request) -> Response:
    site.entering.log_out(request, visitor_of(request))
    answer = RedirectResponse("/login?ended", 303)
    # Pictures that the browser kept are nobody's business any more.
    answer.headers["Clear-Site-Data"] = '"cache"'
    return answer


def _session(site: Site, request: Request) -> Response:
    visitor = visitor_of(request)
    return site.answer({"csrf": visitor.session.csrf, "name": visitor.name})


def _language(site: Site, request: Request) -> Response:
    form = form_of(request)
    site.languages.choose(visitor_of(request).name, form.get("language"))
    return RedirectResponse(path_within(form.get("to", "/")), 303)


def _theme(request: Request) -> Response:
    form = form_of(request)
    answer = RedirectResponse(path_within(form.get("to", "/")), 303)
    theme = form.get("theme")
    if theme in THEMES:
        answer.set_cookie("archiver-theme", theme, max_age=_YEAR, httponly=True, samesite="strict")
    return answer
