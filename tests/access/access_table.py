"""Who may do what: every route of every service with what it needs, as the program has them."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from datetime import datetime, timezone
from pathlib import Path

from archiver.access.front_door import FrontDoor
from archiver.access.roles import roles
from archiver.access.users import users_of
from archiver.archive.store.archive import Archive
from archiver.network.node.dicomweb.application import OPERATE
from archiver.network.node.dicomweb.openapi import PATH
from archiver.network.node.dicomweb.resources import RESOURCES, ROOT
from archiver.network.node.settings import NodeSettings
from archiver.web.app import PageRoute, Site


@dataclass(frozen=True)
class Row:
    """A route.

    Parameters
    ----------
    permission
        In the words of the roles; empty for whoever has come in, None for anybody.
    """

    service: str
    method: str
    path: str
    permission: str | None

    def lets_in(self, role: str) -> bool:
        """Whether it is open to a role."""
        return not self.permission or self.permission in roles()[role]


def rows() -> list[Row]:
    """Return every route of the node's web services."""
    found = [Row("health", "GET", "/health", None), Row("metrics", "GET", "/metrics", OPERATE)]
    found.append(Row("description", "GET", PATH, ""))
    found += [
        Row(one.action.service, one.method, ROOT + one.path, one.permission) for one in RESOURCES
    ]
    return [*found, *_pages()]


def _pages() -> list[Row]:
    with tempfile.TemporaryDirectory() as folder:
        root, settings = Path(folder) / "archive", NodeSettings()
        clock = lambda: datetime.now(timezone.utc)  # noqa: E731
        with Archive.open(root, clock=clock, actor="tests") as archive:
            door = FrontDoor(settings.doorstep, users_of(root), None)
            site = Site(archive, settings, clock, "tests", lambda _: None, door)
            found = []
            for route in site.routes:
                methods = sorted(getattr(route, "methods", None) or ())
                permission = route.permission if isinstance(route, PageRoute) else None
                path = str(getattr(route, "path", ""))
                found += [Row("pages", m, path, permission) for m in methods if m != "HEAD"]
            site.tasks.close()
    return found
