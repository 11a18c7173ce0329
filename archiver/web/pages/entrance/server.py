"""The page of the server: how it fares, who may log in, and who has."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute

from archiver import __version__
from archiver.web.audit import LOGGED
from archiver.web.auth.visitor import visitor_of
from archiver.web.bodies import form_of

if TYPE_CHECKING:
    from archiver.web.app import Site


def routes(site: Site) -> list[BaseRoute]:
    """Return the routes of the page."""
    return [
        site.route("/server", lambda request: _show(site, request), may="operate"),
        site.route(
            "/server/end", lambda request: _end(site, request), may="operate", methods=["POST"]
        ),
    ]


def _show(site: Site, request: Request) -> Response:
    disk = shutil.disk_usage(site.archive.layout.root)
    sessions = site.entering.sessions.current()
    return site.page(
        request,
        "entrance/server.html",
        version=__version__,
        instances=len(site.archive),
        free=disk.free / 1e9,
        share=100 * disk.free / disk.total,
        low=disk.free < 0.1 * disk.total,
        users=sorted(site.entering.users.all().values(), key=lambda user: user.name),
        sessions={s.user: s for s in reversed(sessions)},
        mine=visitor_of(request).name,
    )


def _end(site: Site, request: Request) -> Response:
    name = form_of(request).get("user")
    count = site.entering.sessions.end_of(name) if name != visitor_of(request).name else 0
    if count:
        site.note(request, LOGGED, detail=f"another user logged out; sessions: {count}")
    return RedirectResponse("/server", 303)
