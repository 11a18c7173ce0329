"""Pages of other origins that may use the services (CORS, Fetch standard 3.2).

A browser asks before it sends what a form could not; that comes without credentials, so it is
answered here, before access is looked at. The node's own pages are never opened to others.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from starlette.middleware.cors import CORSMiddleware
from starlette.types import ASGIApp

from archiver.network.node.dicomweb.resources import ROOT

_TAKEN = ("Accept", "Authorization", "Content-Type")
_SHOWN = ("Content-Location", "Warning", "WWW-Authenticate", "Retry-After")


class CrossOrigin:
    """Lets pages of some origins use DICOMweb; it is put around an application.

    Parameters
    ----------
    application
        What answers.
    origins
        As browsers send them.
    """

    def __init__(self, application: ASGIApp, origins: Sequence[str]) -> None:
        self._application = application
        self._shared = CORSMiddleware(
            application,
            allow_origins=origins,
            allow_methods=("GET", "HEAD", "OPTIONS", "POST"),
            allow_headers=_TAKEN,
            expose_headers=_SHOWN,
        )

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Answer a request."""
        path = scope.get("path", "")
        shared = scope["type"] == "http" and (path == ROOT or path.startswith(ROOT + "/"))
        await (self._shared if shared else self._application)(scope, receive, send)
