"""Pictures that come into a draft by themselves: who receives, and what has come."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from archiver.web.audit import CHANGED
from archiver.web.bodies import json_of
from archiver.web.http_errors import Refused
from archiver.web.pages.take_in.draft_store import Open
from archiver.web.pages.take_in.drafts import OPEN, in_order

if TYPE_CHECKING:
    from archiver.web.app import Site
    from archiver.web.pages.take_in.handlers import Drafting


class Arrivals:
    """Answers from where pictures may come, and tells of each that has come."""

    def __init__(self, site: Site, drafting: Drafting) -> None:
        self._site, self._drafting = site, drafting
        self._is_closed = False
        site.endings.append(self._close)

    def _close(self) -> None:
        self._is_closed = True
        self._drafting.wake_all()

    async def state(self, request: Request) -> Response:
        """Tell from which folders pictures may come, and what lies there."""
        opened = self._drafting.opened(request)
        return self._site.answer(await asyncio.to_thread(self._told, opened, counted=True))

    async def change(self, request: Request) -> Response:
        """Begin to receive from a folder, or end it."""
        opened = self._drafting.opened(request)
        asked = await json_of(request)
        if not isinstance(asked, dict):
            raise Refused(400, "errors.malformed")
        folders, draft = self._drafting.folders, opened.draft
        if asked.get("on") is not True:
            await asyncio.to_thread(folders.end, draft.id)
        else:
            if draft.state != OPEN:
                raise Refused(409, "take_in.archived_already")
            try:
                await asyncio.to_thread(
                    folders.begin,
                    str(asked.get("folder", "")),
                    draft.id,
                    draft.owner,
                    with_those_there=asked.get("with_those_there") is True,
                )
            except LookupError:
                raise Refused(422, "take_in.no_folder") from None
            self._site.note(request, CHANGED, detail="a draft receives pictures from a folder")
        return self._site.answer(await asyncio.to_thread(self._told, opened, counted=True))

    async def events(self, request: Request) -> Response:
        """Tell, now and at every change, which pictures there are, and which to take again."""
        opened = self._drafting.opened(request)
        followed = self._drafting.followed(opened.draft.id)

        def is_over() -> bool:
            return self._is_closed or opened.draft.state != OPEN or not opened.folder.exists()

        told = followed.stream(lambda: self._snapshot(opened), is_over)
        return StreamingResponse(told, media_type="text/event-stream")

    def _snapshot(self, opened: Open) -> dict[str, Any]:
        photos = in_order(opened.photos)
        again = {photo.digest: self._drafting.again(opened, photo) for photo in photos}
        return {"again": again, **self._told(opened, counted=False)}

    def _told(self, opened: Open, *, counted: bool) -> dict[str, Any]:
        return {"folders": self._drafting.folders.state(opened.draft.id, counted=counted)}
