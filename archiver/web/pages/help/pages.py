"""Help: a short manual of the pages, and the command reference.

``python -m tests.cli.reference`` makes the reference from the commands.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute

from archiver.web.pages.take_in.shot_card import example_shots

if TYPE_CHECKING:
    from archiver.web.app import Site

_REFERENCE = Path(__file__).with_name("reference.json")
#: Parts of the manual and their sentences, by keys of the catalogue.
_PARTS = {
    "chair": ("patient", "arrive", "look", "say", "archive"),
    "side": ("mirror", "yes", "no", "doubt"),
    "again": (),
    "shots": (),
    "after": ("find", "correct", "consent"),
}
#: What a tile may say, in the order of `archiver.vision.judge`.
_AGAIN = (
    *("soft", "moved", "fog", "fog_beside", "dark", "bright", "highlights", "unevenness"),
    *("glare", "cast", "no_teeth", "view"),
)


def routes(site: Site) -> list[BaseRoute]:
    """Return the routes of this room."""
    verbs = json.loads(_REFERENCE.read_text("utf-8"))

    def manual(request: Request) -> Response:
        habits = site.practice.defaults if site.practice is not None else {}
        shots = example_shots(habits, site.settings.camera)
        return site.page(request, "help/manual.html", parts=_PARTS, again=_AGAIN, shots=shots)

    def reference(request: Request) -> Response:
        return site.page(request, "help/reference.html", verbs=verbs)

    return [site.route("/help", manual), site.route("/help/commands", reference)]
