"""A picture of a draft beside the prior of the same teeth and view, and crops that are proposed.

Nothing is decided and nothing kept here: the page shows how the framing differs, lays the prior
over the picture, and offers a crop, which a press takes.
"""

from __future__ import annotations

import asyncio
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from cachetools import LRUCache
from numpy.typing import NDArray
from starlette.requests import Request
from starlette.responses import Response

from archiver.archive import Record
from archiver.errors import ArchiverError, MeaningError
from archiver.objects import Person
from archiver.photo import read_camera_bytes, reduced, turned
from archiver.priors import KnownPictures
from archiver.web.auth.visitor import visitor_of
from archiver.web.pages.take_in.draft_changes import spoken
from archiver.web.pages.take_in.draft_doubts import Weighable
from archiver.web.pages.take_in.draft_store import Open
from archiver.web.pages.take_in.drafts import Photo
from archiver.web.pages.take_in.photo_entry import judged
from archiver.web.pages.take_in.picture_questions import asked_change

if TYPE_CHECKING:
    from archiver.web.app import Site
    from archiver.web.pages.take_in.handlers import Drafting

#: Longer side in pixels at which pictures are compared and teeth looked for.
_SIDE = 750
_REMEMBERED = 512


class FramingProposals:
    """Answers what the page asks about a picture's framing."""

    def __init__(self, site: Site, drafting: Drafting) -> None:
        self._site, self._drafting = site, drafting
        self._guard = threading.Lock()
        self._known: LRUCache[tuple[str, str], dict[str, Any]] = LRUCache(_REMEMBERED)
        self._pool = ThreadPoolExecutor(1, "framing")
        site.endings.append(lambda: self._pool.shutdown(wait=False, cancel_futures=True))

    async def framing(self, request: Request) -> Response:
        """Tell how pictures are framed against their priors, as a change that is not made has them.

        Of each ``label`` of the prior, ``words``, and where the two are aligned ``matrix`` (from
        pixels of the prior to those of the picture, both as displayed) and ``frame``, the prior's
        own; None for a picture without a prior.
        """
        opened, change = await asked_change(self._drafting, request)
        try:
            draft = spoken(opened.draft, opened.photos, change, self._drafting.author(""))
        except MeaningError as error:
            return self._drafting.refused(error)
        found, sees = {}, visitor_of(request).may("look")
        for digest in change["pictures"]:
            one = Weighable.of(opened, draft, opened.photos[digest], self._drafting.habits)
            asked = one is not None and sees
            found[digest] = await self._done(self._compared, one) if asked else None
        return self._site.answer({"pictures": found})

    async def crop(self, request: Request) -> Response:
        """Propose a crop of pictures, in pixels as displayed; None where no teeth are found."""
        return await self._each(request, self._proposed)

    async def parts(self, request: Request) -> Response:
        """Propose where a tab and the tooth beside it are; None for what is not found."""
        return await self._each(request, self._tab)

    async def _each(self, request: Request, work: Any) -> Response:
        opened, change = await asked_change(self._drafting, request)
        try:
            draft = spoken(opened.draft, opened.photos, change, self._drafting.author(""))
        except MeaningError as error:
            return self._drafting.refused(error)
        found: dict[str, Any] = {}
        for digest in change["pictures"]:
            photo, said = opened.photos[digest], draft.of_photo(digest)
            turn = judged(said, photo, self._drafting.habits)["turn"]
            named = len(said.get("teeth", ()))
            found[digest] = await self._done(work, opened, photo, turn, named)
        return self._site.answer({"pictures": found})

    async def _done(self, work: Any, *given: Any) -> Any:
        return await asyncio.get_running_loop().run_in_executor(self._pool, work, *given)

    # -- in the thread

    def _compared(self, one: Weighable) -> dict[str, Any] | None:
        for record in self._priors(one):
            key = one.key, record.sop_instance_uid
            with self._guard:
                known = self._known.get(key)
            try:
                found = known or self._framed(one, record)
                label = self._site.pictures.label(record).to_json()
            except ArchiverError:
                continue
            with self._guard:
                self._known[key] = found
            return {"label": label, **found}
        return None

    def _priors(self, one: Weighable) -> list[Record]:
        """Return the patient's pictures of the same teeth and view, the best first."""
        if not one.patient_id:
            return []
        known = KnownPictures.of(self._site.archive.query, one.patient_id, one.issuer)
        whose = Person(one.opened.draft.patient.get("name", ""))
        same = known.counterparts(one.plan.sight, one.photo.digest).same
        return [r for r in same if not Person(r.patient_name).contradicts(whose)]

    def _framed(self, one: Weighable, record: Record) -> dict[str, Any]:
        from archiver.priors import compare_framing, display_turn
        from archiver.vision import prepare

        pixels, size = _displayed(one.opened, one.photo, one.plan.correction.value)
        newer = prepare(pixels, size[0] / pixels.shape[1])
        sight = one.plan.sight
        found = compare_framing(newer, size, sight.teeth, sight.display, Path(record.path))
        told: dict[str, Any] = {"words": self._site.t("take_in.framing", words=found.words)}
        if found.matrix is None or found.framing is None:
            return {**told, "matrix": None, "frame": None}
        description = self._site.pictures.description(record.sop_instance_uid, Path(record.path))
        # The page shows the prior as practices do by default; compared, it stood as this one does.
        stands = display_turn(description)[0] is display_turn(description, sight.display)[0]
        return {
            **told,
            "matrix": found.matrix.ravel().tolist() if stands else None,
            "frame": _box(*found.framing.frame),
        }

    def _proposed(self, opened: Open, photo: Photo, turn: int, named: int) -> dict[str, int] | None:
        from archiver.vision import propose_crop

        try:
            pixels, size = _displayed(opened, photo, turn)
        except (ArchiverError, OSError):
            return None
        found = propose_crop(pixels, named)
        if found is None:
            return None
        return _enlarged(found, pixels, size)

    def _tab(
        self, opened: Open, photo: Photo, turn: int, named: int
    ) -> dict[str, dict[str, int] | None]:
        from archiver.vision import propose_tab

        names = ("tab_region", "tooth_region")
        try:
            pixels, size = _displayed(opened, photo, turn)
        except (ArchiverError, OSError):
            return dict.fromkeys(names)
        found = propose_tab(pixels)
        return {
            name: _enlarged(edges, pixels, size) if edges is not None else None
            for name, edges in zip(names, found, strict=True)
        }


def _enlarged(
    edges: tuple[int, int, int, int], pixels: NDArray[np.uint8], size: tuple[int, int]
) -> dict[str, int]:
    """Return edges in a reduced picture as a part of the whole one."""
    factor = size[0] / pixels.shape[1]
    left, top, right, bottom = (round(edge * factor) for edge in edges)
    return _box(left, top, min(right, size[0]) - left, min(bottom, size[1]) - top)


def _displayed(opened: Open, photo: Photo, turn: int) -> tuple[NDArray[np.uint8], tuple[int, int]]:
    """Return a picture at reduced size as it is displayed, and columns and rows of the whole."""
    camera = read_camera_bytes(opened.path_of(photo).read_bytes(), photo.name)
    pixels = np.asarray(reduced(camera, _SIDE).convert("RGB"), np.uint8)
    shown = np.ascontiguousarray(turned(pixels, turn))
    size = (photo.columns, photo.rows)
    return shown, size if turn < 5 else size[::-1]


def _box(left: int, top: int, width: int, height: int) -> dict[str, int]:
    return {"left": left, "top": top, "width": width, "height": height}
