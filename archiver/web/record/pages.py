"""The routes of this room."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.routing import BaseRoute

if TYPE_CHECKING:
    from archiver.web.site import Site


def routes(site: Site) -> list[BaseRoute]:
    """Return the routes of this room."""
    return [
        site.route("/record", lambda request: site.page(request, "record/start.html"), may="look"),
    ]
