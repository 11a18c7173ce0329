"""What every part of the pages shares: archive, settings, clock, words, log and audit trail."""

from __future__ import annotations

import traceback
from abc import ABC, abstractmethod
from collections.abc import Awaitable, Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from archiver.access import FrontDoor
from archiver.archive.store import Archive
from archiver.network.node import DONE, NODE_AUTHENTICATION, Event, Happening, Log
from archiver.web.auth.visitor import Visitor, address_of
from archiver.web.http_errors import Refused
from archiver.web.language import ChosenLanguages, page_words
from archiver.web.settings import PagesSettings
from archiver.wording import Words

if TYPE_CHECKING:
    from archiver.network.node import NodeSettings

#: Gives the time, with its offset from UTC.
Clock = Callable[[], datetime]
Endpoint = Callable[[Request], Response | Awaitable[Response]]


class SiteContext(ABC):
    """The pages as their parts see them.

    Parameters
    ----------
    archive
        Open for writing.
    node
        How the node listens.
    clock
        Gives the time, with its offset from UTC.
    audit
        Writes to the audit trail.
    door
        Says who comes in.
    settings
        Of the pages.
    """

    def __init__(
        self,
        archive: Archive,
        node: NodeSettings,
        clock: Clock,
        audit: Callable[[Happening], None],
        door: FrontDoor,
        settings: PagesSettings,
    ) -> None:
        self.archive, self.node, self.clock, self.settings = archive, node, clock, settings
        self.door = door
        self._audit = audit
        self.log = Log(clock)
        self.languages = ChosenLanguages(self.folder("people") / "languages.json")

    @abstractmethod
    def route(
        self,
        path: str,
        endpoint: Endpoint,
        *,
        may: str = "",
        methods: list[str] | None = None,
        anybody: bool = False,
    ) -> Route:
        """Make a route that lets only those in who may."""

    @abstractmethod
    def refusal(self, request: Request, refused: Refused) -> Response:
        """Return what tells of a refusal, as a page or as JSON."""

    @property
    def t(self) -> Words:
        """The words of the pages, in the language of what is answered now."""
        return page_words()

    @property
    def secure(self) -> bool:
        """Whether TLS is spoken."""
        return self.node.is_secure

    def folder(self, name: str) -> Path:
        """Return a folder of the pages' own in the archive's folder; made when missing."""
        folder = self.archive.layout.root / "pages" / name
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        return folder

    def answer(self, values: Any, status: int = 200) -> Response:
        """Return JSON."""
        return JSONResponse(values, status)

    def note(
        self,
        request: Request,
        event: Event,
        *,
        studies: Mapping[str, int] | None = None,
        detail: str = "",
        outcome: int = DONE,
    ) -> None:
        """Write an event to the audit trail; nothing in it may identify a patient.

        Parameters
        ----------
        studies
            Study Instance UIDs and how many instances of each were looked at.
        detail
            What was done, in a few words.
        """
        visitor: Visitor | None = getattr(request.state, "visitor", None)
        name = visitor.name if visitor else "anyone"
        # Refusals of strangers are counted.
        kind = NODE_AUTHENTICATION if visitor is None and event is Event.ALERT else ""
        self.note_of(f"{name}@{address_of(request)}", event, studies, detail, outcome, kind)

    def note_of(
        self,
        who: str,
        event: Event,
        studies: Mapping[str, int] | None = None,
        detail: str = "",
        outcome: int = DONE,
        kind: str = "",
    ) -> None:
        """Write an event of somebody whose request is over, such as long work that has ended."""
        words = f"pages: {detail}" if detail else "pages"
        self._audit(Happening(event, who, self.node.title, outcome, studies, words, kind))

    def log_failure(self, error: Exception) -> None:
        """Say where something unexpected went wrong; its text may hold what no log should."""
        frames = traceback.extract_tb(error.__traceback__)
        where = [f"{Path(frame.filename).name}:{frame.lineno}" for frame in frames[-4:]]
        self.log("page failed", error=type(error).__name__, where=" ".join(where))
