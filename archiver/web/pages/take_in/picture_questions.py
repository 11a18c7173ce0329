"""What a person who is asked about a picture is told: what is shown, what speaks against it, and
an earlier picture to hold beside it."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from archiver.dentition import numbering_of
from archiver.errors import ArchiverError, MeaningError
from archiver.objects import Person
from archiver.priors import KnownPictures
from archiver.web.auth.visitor import visitor_of
from archiver.web.bodies import json_of
from archiver.web.http_errors import Refused
from archiver.web.language import in_words
from archiver.web.pages.take_in.draft_changes import spoken
from archiver.web.pages.take_in.draft_doubts import Weighable, doubt_rows
from archiver.web.pages.take_in.draft_store import Open
from archiver.web.pages.take_in.drafts import Draft, Photo, in_order
from archiver.web.pages.take_in.examined_sides import examined_of
from archiver.web.pages.take_in.photo_entry import teeth_of
from archiver.web.pages.take_in.turn_table import readings

if TYPE_CHECKING:
    from archiver.web.app import Site
    from archiver.web.pages.take_in.arrivals import Arrivals
    from archiver.web.pages.take_in.handlers import Drafting

#: Seconds that an answer waits for what is being weighed; the page asks again.
_PATIENCE, _PAUSE = 2.0, 0.2


class PictureQuestions:
    """Answers what the page asks before it asks a person."""

    def __init__(self, site: Site, drafting: Drafting, arrivals: Arrivals) -> None:
        self._site, self._drafting, self._arrivals = site, drafting, arrivals

    def readings(self, request: Request) -> Response:
        """Return how pictures of some teeth may be turned."""
        asked = request.query_params
        try:
            teeth = teeth_of(
                asked.get("teeth", "")[:400], numbering_of(asked.get("numbering", "iso"))
            )
        except MeaningError as error:
            return self._drafting.refused(error)
        names = [{"iso": t.iso, "universal": t.universal, "name": in_words(t.text)} for t in teeth]
        return self._site.answer({"teeth": names, "views": readings(teeth)})

    async def shown(self, request: Request) -> Response:
        """Tell what would be shown of pictures after a change that is not made."""
        opened, change = await asked_change(self._drafting, request)
        try:
            draft = spoken(opened.draft, opened.photos, change, self._drafting.author(""))
        except MeaningError as error:
            return self._drafting.refused(error)
        author, sees = self._drafting.author(""), visitor_of(request).may("look")

        def answer() -> dict[str, Any]:
            found = {d: examined_of(draft, opened.photos[d], author) for d in change["pictures"]}
            earlier = {d: self._earlier(opened, draft, opened.photos[d]) for d in found if sees}
            seen = {d: one.to_json() if one is not None else None for d, one in found.items()}
            return {"revision": draft.revision, "pictures": seen, "earlier": earlier}

        return self._site.answer(await asyncio.to_thread(answer))

    def _earlier(self, opened: Open, draft: Draft, photo: Photo) -> dict[str, Any] | None:
        """Return the label of the patient's picture of the same teeth and view, or of the arch."""
        one = Weighable.of(opened, draft, photo, self._drafting.habits)
        if one is None or not one.patient_id:
            return None
        known = KnownPictures.of(self._site.archive.query, one.patient_id, one.issuer)
        found = known.counterparts(one.plan.sight, photo.digest)
        # One that the archive has under another's name is not shown as this patient's.
        whose = Person(draft.patient.get("name", ""))
        for record in (*found.same, *found.arch):
            if Person(record.patient_name).contradicts(whose):
                continue
            try:
                return self._site.pictures.label(record).to_json()
            except ArchiverError:
                continue
        return None

    async def weigh(self, request: Request) -> Response:
        """Tell what speaks against pictures being what a change that is not made says of them."""
        opened, change = await asked_change(self._drafting, request)
        try:
            draft = spoken(opened.draft, opened.photos, change, self._drafting.author(""))
        except MeaningError as error:
            return self._drafting.refused(error)
        habits, doubts = self._drafting.habits, self._drafting.doubts
        found: dict[str, Any] = {}
        for digest in change["pictures"]:
            one = Weighable.of(opened, draft, opened.photos[digest], habits)
            if one is None:
                found[digest] = []
                continue
            # What is asked about next waits behind what somebody looks at.
            is_looked_at = change.get("ahead") is not True
            weighing = asyncio.wrap_future(doubts.weigh(one, is_looked_at=is_looked_at))
            weighed = await asyncio.shield(weighing)
            found[digest] = doubt_rows(weighed, draft.of_photo(digest), habits)
        return self._site.answer({"pictures": found})

    async def doubts(self, request: Request) -> Response:
        """Tell the doubts of all pictures, and which had better be taken again; after a moment,
        where some are still being weighed or judged."""
        opened = self._drafting.opened(request)
        habits, doubts = self._drafting.habits, self._drafting.doubts
        draft = opened.draft
        ones = {
            digest: Weighable.of(opened, draft, photo, habits)
            for digest, photo in opened.photos.items()
        }
        going: list[asyncio.Future[Any]] = [
            asyncio.wrap_future(doubts.weigh(one))
            for one in ones.values()
            if one is not None and doubts.known(one) is None
        ]
        going += [
            asyncio.wrap_future(judging)
            for photo in in_order(opened.photos)
            if self._drafting.retakes.known(opened, photo) is None
            and (judging := self._drafting.retakes.judge(opened, photo)) is not None
        ]
        if going:
            await asyncio.wait(going, timeout=_PATIENCE, return_when=asyncio.FIRST_COMPLETED)
            await asyncio.sleep(_PAUSE)
        found: dict[str, Any] = {}
        for digest, one in ones.items():
            weighed = doubts.known(one) if one is not None else ()
            found[digest] = (
                doubt_rows(weighed, draft.of_photo(digest), habits) if weighed is not None else None
            )
        again = {d: self._drafting.again(opened, photo) for d, photo in opened.photos.items()}
        told_of = {"revision": draft.revision, "pictures": found, "again": again}
        told_of["separators"] = self._arrivals.separators(opened)
        told_of["pauses"] = self._arrivals.pauses(opened)
        return self._site.answer(told_of)


async def asked_change(drafting: Drafting, request: Request) -> tuple[Open, Mapping[str, Any]]:
    """Return the draft, and a change that is not made but asked about."""
    opened = drafting.opened(request)
    change = await json_of(request, 1 << 20)
    if not isinstance(change, dict) or not isinstance(change.get("pictures"), dict):
        raise Refused(400, "errors.malformed")
    return opened, change
