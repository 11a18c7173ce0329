"""The command reference as a page; ``python -m tests.cli.reference`` makes it from the commands."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute

if TYPE_CHECKING:
    from archiver.web.app import Site

_REFERENCE = Path(__file__).with_name("reference.json")


def routes(site: Site) -> list[BaseRoute]:
    """Return the routes of this room."""
    verbs = json.loads(_REFERENCE.read_text("utf-8"))

    def show(request: Request) -> Response:
        return site.page(request, "help/reference.html", verbs=verbs)

    return [site.route("/help", show)]
