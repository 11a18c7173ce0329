"""Pictures of a comparison to keep: what is seen, or a sheet with everything; all journalled."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from PIL import Image
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from archiver import __version__
from archiver.colour import ACCEPTABLE, PERCEPTIBLE
from archiver.objects import readable_name
from archiver.priors import compare_pictures
from archiver.sheets import Title, draw
from archiver.web.audit import EXPORTED
from archiver.web.bodies import json_of
from archiver.web.http_errors import Refused
from archiver.web.labels import iso_day
from archiver.web.pages.compare import composition
from archiver.web.pages.compare.comparison_request import shows_the_same
from archiver.web.pages.compare.composition import Pair
from archiver.web.pages.compare.descriptions import before, doubts, figures, unconfirmed
from archiver.web.pages.compare.labelled_picture import Caption, PictureWords, labelled
from archiver.web.pages.compare.picture_source import PictureSource
from archiver.web.pages.compare.view_state import Seen, seen_of

if TYPE_CHECKING:
    from archiver.web.pages.compare.comparison_context import ComparisonContext


#: Earlier pictures that stand beside the newest at once.
BESIDE = 3


class SavedPictures:
    """Makes pictures to keep.

    Parameters
    ----------
    room
        What the routes of comparing share.
    """

    def __init__(self, room: ComparisonContext) -> None:
        self._room, self._site = room, room.site

    async def seen(self, request: Request) -> Response:
        """Give what is seen of a comparison, with its labels, as a PNG."""
        values = await json_of(request)
        seen = seen_of(values)
        return await run_in_threadpool(self._seen, request, values, seen)

    async def sheet(self, request: Request) -> Response:
        """Give the sheet of a pair: both dates, seam, difference, figures, as a PNG."""
        values = await json_of(request)
        seen = seen_of(values)
        return await run_in_threadpool(self._sheet, request, values, seen)

    def _pairs(self, values: Any, seen: Seen) -> list[Pair]:
        """Return the pairs that are seen, the newest earlier picture first."""
        uids = values.get("of")
        if not isinstance(uids, list) or not all(isinstance(one, str) for one in uids):
            raise Refused(400, "errors.malformed")
        chosen = self._room.chosen(uids)
        if seen.earlier not in chosen.uids[1:]:
            raise Refused(400, "errors.malformed")
        shown = [chosen.sources[chosen.uids.index(seen.earlier)]]
        if seen.has_all and seen.mode == "side":
            others = [one for one in chosen.sources[1:] if one is not shown[0]]
            shown = [one for one in chosen.sources[1:] if one in [*shown, *others[: BESIDE - 1]]]
        of = self._room.alignments.of
        return [Pair(chosen.newest, one, of(chosen.newest, one)) for one in shown]

    def _seen(self, request: Request, values: Any, seen: Seen) -> Response:
        pairs = self._pairs(values, seen)
        panes = [composition.panes(pair, seen, self._room.levels) for pair in pairs]
        then, now = self._captions(pairs[0])
        if seen.mode == "side":
            beside = [
                (drawn[0], [self._captions(p)[0]]) for drawn, p in zip(panes, pairs, strict=True)
            ]
            shown = [*reversed(beside), (panes[0][1], [now])]
        elif seen.mode == "blink":
            shown = [(panes[0][0], [then if seen.is_earlier else now])]
        else:
            shown = [(panes[0][0], [then, now])]
        page = labelled(shown, self._words(pairs, seen))
        return self._given(request, pairs, page, f"comparison, {seen.mode}, as seen")

    def _sheet(self, request: Request, values: Any, seen: Seen) -> Response:
        [pair] = self._pairs(values, replace(seen, has_all=False))
        comparison = compare_pictures(pair.newest.path, [(pair.earlier.path, "")])
        d = pair.newest.description
        when = f"{self._site.clock():%Y-%m-%d}"
        title = Title(d.teeth, d.view.value if d.view else "", f"archiver {__version__}, {when}")
        page = next(draw(comparison, title))
        return self._given(request, [pair], page, "comparison, sheet")

    def _captions(self, pair: Pair) -> tuple[Caption, Caption]:
        then, now = (self._room.label(one) for one in (pair.earlier, pair.newest))
        t = self._site.t
        return Caption(then, before(then.date, now.date, t)), Caption(now, t("compare.newest"))

    def _words(self, pairs: Sequence[Pair], seen: Seen) -> PictureWords:
        t = self._site.t
        d = pairs[0].newest.description
        born = t("compare.born", date=iso_day(d.birth_date)) if d.birth_date else ""
        told, lines = [], []
        for pair in pairs:
            date = self._room.label(pair.earlier).date
            of = f"{date}: " if len(pairs) > 1 else ""
            same = shows_the_same(d, pair.earlier.description)
            told += [of + words for _, words in doubts(pair.outcome, same, t)]
            lines += [of + words for words in figures(pair.outcome, t, is_laid=seen.mode != "side")]
        labels = [self._room.label(source) for source in self._visible(pairs, seen)]
        dates = unconfirmed(labels, t)
        if dates:
            told.append(t("compare.unconfirmed", n=len(dates), dates=", ".join(dates)))
        is_map = seen.mode == "difference"
        if is_map:
            lines.append(t("compare.legend_note", perceptible=PERCEPTIBLE, acceptable=ACCEPTABLE))
        return PictureWords(
            readable_name(d.patient_name) or t("find.no_name"),
            " · ".join(part for part in (d.patient_id, d.issuer, born) if part),
            t("compare.legend") if is_map else "",
            told,
            [*lines, t("compare.caution")],
            t("compare.letters_key"),
            t("compare.made", when=f"{self._site.clock():%Y-%m-%d %H:%M}", version=__version__),
        )

    def _visible(self, pairs: Sequence[Pair], seen: Seen) -> list[PictureSource]:
        if seen.mode == "blink":
            return [pairs[0].earlier if seen.is_earlier else pairs[0].newest]
        return [pairs[0].newest, *(pair.earlier for pair in pairs)]

    def _given(
        self, request: Request, pairs: Sequence[Pair], page: Image.Image, detail: str
    ) -> Response:
        """Note the export, then give the picture; its name tells dates and no patient."""
        buffer = io.BytesIO()
        page.save(buffer, "PNG", dpi=(150, 150), compress_level=3)
        sources = [*(pair.earlier for pair in reversed(pairs)), pairs[0].newest]
        studies: dict[str, int] = {}
        for source in sources:
            uid = source.description.study_uid
            studies[uid] = studies.get(uid, 0) + 1
        self._site.note(request, EXPORTED, studies=studies, detail=detail)
        days = [self._room.label(one).date or "undated" for one in sources]
        name = f"comparison-{'-'.join(days)}.png"
        plain = "".join(c if c.isalnum() or c in "-." else "_" for c in name)
        return Response(
            buffer.getvalue(),
            media_type="image/png",
            headers={"Content-Disposition": f'attachment; filename="{plain}"'},
        )
