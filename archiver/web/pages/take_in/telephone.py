"""Pictures from a telephone: a link for one visit, opened once, that can bring pictures alone.

The page of the visit shows it as a QR code. Whoever opens it first has a key in a cookie, with
which `archiver.access.FrontDoor.guest` lets them bring pictures into that visit for an hour; no
name is shown there, and nothing of the visit can be seen.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from archiver.access import is_loopback
from archiver.errors import PhotoError
from archiver.web.audit import CHANGED
from archiver.web.http_errors import Refused
from archiver.web.pages.take_in.draft_store import NoDraft, Open
from archiver.web.pages.take_in.drafts import OPEN

if TYPE_CHECKING:
    from archiver.web.app import Site
    from archiver.web.pages.take_in.handlers import Drafting


class Telephone:
    """Answers the page of a visit, and the telephone."""

    def __init__(self, site: Site, drafting: Drafting) -> None:
        self._site, self._drafting = site, drafting

    def link(self, request: Request) -> Response:
        """Make a link for a visit; the one before ends."""
        opened = self._drafting.opened(request)
        if opened.draft.state != OPEN:
            raise Refused(409, "take_in.archived_already")
        token = self._site.door.links.make(opened.draft.id)
        url = f"{request.base_url}telephone/{token}"
        self._site.note(request, CHANGED, detail="a link for a telephone made")
        here_only = is_loopback(request.url.hostname or "")
        return self._site.answer({"url": url, "code": qr_rows(url), "here_only": here_only})

    def page(self, request: Request) -> Response:
        """Open a link: whoever does so first may bring pictures."""
        links, token = self._site.door.links, str(request.path_params["token"])
        name = self._site.entering.guest_cookie(request)
        # Loaded again. A key of another link counts for nothing here: it leads into another visit.
        if links.is_of(request.cookies.get(name, ""), token):
            return self._page(request)
        key = links.open(token)
        if not key:
            raise Refused(410, "telephone.over")
        request.cookies[name] = key
        answer = self._page(request)
        self._site.note(request, CHANGED, detail="a link for a telephone opened")
        answer.set_cookie(name, key, httponly=True, secure=self._site.secure, samesite="strict")
        return answer

    def _page(self, request: Request) -> Response:
        request.state.visitor = self._site.entering.guest(request)
        return self._site.page(request, "take_in/telephone.html")

    async def bring(self, request: Request) -> Response:
        """Take one file into the visit of the link."""
        opened = self._of_link(request)
        try:
            photo = await self._drafting.photo_of(request, opened)
        except PhotoError as error:
            return self._drafting.refused(error)
        self._drafting.retakes.judge(opened, photo)
        self._drafting.feeds.wake(opened.draft.id)
        self._site.note(request, CHANGED, detail="picture of a telephone into a draft")
        return self._site.answer({}, 201)

    def _of_link(self, request: Request) -> Open:
        try:
            opened = self._drafting.drafts.get(str(request.state.subject))
        except NoDraft:
            raise Refused(403, "telephone.over") from None
        self._drafting.check_changeable(opened)
        return opened

    def state(self, opened: Open) -> bool:
        """Return whether a telephone may bring pictures into a visit."""
        return self._site.door.links.is_held(opened.draft.id)

    def end(self, opened: Open) -> None:
        """Let no telephone bring anything more."""
        self._site.door.links.end(opened.draft.id)


def qr_rows(text: str) -> list[str]:
    """Return a QR code (ISO/IEC 18004) as rows of 0 and 1, without the quiet zone."""
    import segno

    made: Any = segno.make(text, error="m", micro=False)
    return ["".join(str(int(dark)) for dark in row) for row in made.matrix]
