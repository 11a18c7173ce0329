"""Pictures that come into a draft by themselves: who receives, and what has come."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from archiver.errors import ArchiverError
from archiver.objects import readable_name
from archiver.vision import reads_codes
from archiver.web.audit import CHANGED
from archiver.web.bodies import json_of
from archiver.web.http_errors import Refused
from archiver.web.pages.take_in.card_gaps import AfterPause, after_pauses
from archiver.web.pages.take_in.draft_store import Open
from archiver.web.pages.take_in.drafts import OPEN, in_order
from archiver.web.pages.take_in.own_visit import move, own_visit, visit_of_entry
from archiver.web.pages.take_in.patient_choice import of_table
from archiver.web.pages.take_in.separators import Separated, code_of, separated
from archiver.web.pages.take_in.telephone import Telephone, qr_rows

if TYPE_CHECKING:
    from archiver.web.app import Site
    from archiver.web.pages.take_in.handlers import Drafting


class Arrivals:
    """Answers from where pictures may come, and tells of each that has come."""

    def __init__(self, site: Site, drafting: Drafting, telephone: Telephone) -> None:
        self._site, self._drafting, self._telephone = site, drafting, telephone
        self._is_closed = False
        site.endings.append(self._close)

    def _close(self) -> None:
        self._is_closed = True
        self._drafting.feeds.wake_all()

    async def state(self, request: Request) -> Response:
        """Tell from which folders pictures may come, and what lies there."""
        opened = self._drafting.opened(request)
        return self._site.answer(await asyncio.to_thread(self._describe, opened, counted=True))

    async def change(self, request: Request) -> Response:
        """Begin to receive from a folder, or end it."""
        opened = self._drafting.opened(request)
        asked = await json_of(request)
        if not isinstance(asked, dict):
            raise Refused(400, "errors.malformed")
        folders, draft = self._drafting.folders, opened.draft
        if asked.get("on") is not True:
            self._telephone.end(opened)
            await asyncio.to_thread(folders.end, draft.id)
            self._drafting.feeds.wake(draft.id)
        else:
            if draft.state != OPEN:
                raise Refused(409, "take_in.archived_already")
            try:
                await asyncio.to_thread(
                    folders.begin,
                    str(asked.get("folder", "")),
                    draft.id,
                    with_those_there=asked.get("with_those_there") is True,
                )
            except LookupError:
                raise Refused(422, "take_in.no_folder") from None
            self._site.note(request, CHANGED, detail="a draft receives pictures from a folder")
        return self._site.answer(await asyncio.to_thread(self._describe, opened, counted=True))

    async def split(self, request: Request) -> Response:
        """Take pictures of another day, or those after a separator, into their own visit."""
        opened = self._drafting.check_changeable(self._drafting.opened(request))
        asked = await json_of(request)
        if not isinstance(asked, dict):
            raise Refused(400, "errors.malformed")
        ways = {
            "separator": self._split_by_code,
            "pause": self._split_by_pause,
            "day": self._split_by_day,
        }
        how = next((key for key in ways if key in asked), "day")
        new = await asyncio.to_thread(ways[how], opened, str(asked.get(how)))
        self._site.note(request, CHANGED, detail="pictures of a draft into their own visit")
        for one in (opened, new):
            self._drafting.feeds.wake(one.draft.id)
        return self._site.answer({"where": f"/take-in/{new.draft.id}"})

    def _split_by_day(self, opened: Open, day: str) -> Open:
        digests = [d for d, photo in opened.photos.items() if photo.captured[:10] == day]
        if not day or not digests or len(digests) == len(opened.photos):
            raise Refused(422, "take_in.no_other_day")
        new = own_visit(self._drafting.drafts, opened, day, self._site.clock())
        move(opened, new, digests, self._site.clock())
        return new

    def _split_by_code(self, opened: Open, separator: str) -> Open:
        found = next((one for one in self._separated(opened) if one.separator == separator), None)
        if found is None or found.visit is None:
            raise Refused(422, "take_in.no_separator")
        new, now = self._drafting.check_changeable(found.visit), self._site.clock()
        if new is not opened:
            move(opened, new, found.digests, now)
        with opened.guard:
            opened.save(opened.draft.with_said({separator: {"left_out": True}}), now)
        return new

    def _split_by_pause(self, opened: Open, first: str) -> Open:
        found = next((one for one in self._paused(opened) if one.digests[0] == first), None)
        if found is None:
            raise Refused(422, "take_in.no_pause")
        day, now = opened.photos[first].captured[:10], self._site.clock()
        new = visit_of_entry(self._drafting.drafts, opened, found.visit, day, now)
        move(opened, new, found.digests, now)
        return new

    def _paused(self, opened: Open) -> list[AfterPause]:
        return after_pauses(in_order(opened.photos), self._scheduled)

    def _scheduled(self, when: datetime) -> list[dict[str, Any]]:
        """Return the visits of a day by the practice's own table; none where it cannot be read."""
        table, order = self._site.node.worklist, self._site.node.worklist_dates
        if table is None:
            return []
        try:
            return of_table(table, when.date(), order)[0]
        except ArchiverError:
            return []

    def pauses(self, opened: Open) -> list[dict[str, Any]]:
        """Return the pictures after each pause, as values that JSON has."""
        return [
            {
                "pause": one.digests[0],
                "n": len(one.digests),
                "minutes": int(one.pause.total_seconds() // 60),
                "whose": _named(one.visit["patient"]) if one.visit else "",
            }
            for one in self._paused(opened)
        ]

    def _separated(self, opened: Open) -> list[Separated]:
        return separated(opened, self._drafting.drafts, self._drafting.retakes)

    def separators(self, opened: Open) -> list[dict[str, Any]]:
        """Return the separator pictures of a draft, as values that JSON has."""
        return [
            {
                "separator": one.separator,
                "n": len(one.digests),
                "mine": one.visit is opened,
                "whose": _whose(one.visit) if one.visit is not None else "",
            }
            for one in self._separated(opened)
        ]

    def separator(self, request: Request) -> Response:
        """Return the QR code of a visit, to be photographed before its pictures."""
        opened = self._drafting.check_changeable(self._drafting.opened(request))
        if not reads_codes():
            raise Refused(422, "take_in.separator_no_extra")
        return self._site.answer({"code": qr_rows(code_of(opened))})

    async def events(self, request: Request) -> Response:
        """Tell, now and at every change, which pictures there are, and which to take again."""
        opened = self._drafting.opened(request)
        followed = self._drafting.feeds.of(opened.draft.id)

        def is_over() -> bool:
            return self._is_closed or opened.draft.state != OPEN or not opened.folder.exists()

        told = followed.stream(lambda: self._snapshot(opened), is_over)
        return StreamingResponse(told, media_type="text/event-stream")

    def _snapshot(self, opened: Open) -> dict[str, Any]:
        photos = in_order(opened.photos)
        again = {photo.digest: self._drafting.again(opened, photo) for photo in photos}
        return {"again": again, **self._describe(opened, counted=False)}

    def _describe(self, opened: Open, *, counted: bool) -> dict[str, Any]:
        folders = self._drafting.folders.state(opened.draft.id, counted=counted)
        return {
            "folders": folders,
            "telephone": self._telephone.state(opened),
            "separators": self.separators(opened),
            "pauses": self.pauses(opened),
        }


def _whose(visit: Open) -> str:
    return _named(visit.draft.patient) or visit.draft.created[:16].replace("T", " ")


def _named(patient: Mapping[str, str]) -> str:
    return readable_name(patient.get("name", "")) or patient.get("id", "")
