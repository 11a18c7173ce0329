"""Pictures of a comparison to keep: what is seen, or a sheet with everything; all journalled."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

from PIL import Image
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from archiver import __version__
from archiver.priors.colours import ACCEPTABLE, PERCEPTIBLE
from archiver.priors.comparison import compare
from archiver.priors.picture import Title, draw
from archiver.web.bodies import json_of
from archiver.web.compare import composing
from archiver.web.compare.asked import shows_the_same
from archiver.web.compare.composing import Pair
from archiver.web.compare.labelled import Caption, Words, labelled
from archiver.web.compare.source import Source
from archiver.web.compare.telling import before, doubts, figures, unconfirmed
from archiver.web.compare.viewing import Seen, seen_of
from archiver.web.labels import iso_day
from archiver.web.refusing import Refused
from archiver.web.templating import person
from archiver.web.trail import EXPORTED

if TYPE_CHECKING:
    from archiver.web.compare.pages import Comparing


class Keeping:
    """Makes pictures to keep.

    Parameters
    ----------
    room
        What the routes of comparing share.
    """

    def __init__(self, room: Comparing) -> None:
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

    def _pair(self, values: Any, seen: Seen) -> Pair:
        uids = values.get("of")
        if not isinstance(uids, list) or not all(isinstance(one, str) for one in uids):
            raise Refused(400, "errors.malformed")
        chosen = self._room.chosen(uids)
        if seen.earlier not in chosen.uids[1:]:
            raise Refused(400, "errors.malformed")
        earlier = chosen.sources[chosen.uids.index(seen.earlier)]
        outcome = self._room.alignments.of(chosen.newest, earlier)
        return Pair(chosen.newest, earlier, outcome)

    def _seen(self, request: Request, values: Any, seen: Seen) -> Response:
        pair = self._pair(values, seen)
        panes = composing.panes(pair, seen, self._room.levels)
        then, now = self._captions(pair)
        if seen.mode == "side":
            shown = list(zip(panes, ([then], [now]), strict=True))
        elif seen.mode == "blink":
            shown = [(panes[0], [then if seen.is_earlier else now])]
        else:
            shown = [(panes[0], [then, now])]
        page = labelled(shown, self._words(pair, seen))
        return self._given(request, pair, page, f"comparison, {seen.mode}, as seen")

    def _sheet(self, request: Request, values: Any, seen: Seen) -> Response:
        pair = self._pair(values, seen)
        comparison = compare(pair.newest.path, [(pair.earlier.path, "")])
        d = pair.newest.description
        when = f"{self._site.clock():%Y-%m-%d}"
        title = Title(d.teeth, d.view.value if d.view else "", f"archiver {__version__}, {when}")
        page = next(draw(comparison, title))
        return self._given(request, pair, page, "comparison, sheet")

    def _captions(self, pair: Pair) -> tuple[Caption, Caption]:
        then, now = (self._room.label(one) for one in (pair.earlier, pair.newest))
        t = self._site.t
        return Caption(then, before(then.date, now.date, t)), Caption(now, t("compare.newest"))

    def _words(self, pair: Pair, seen: Seen) -> Words:
        t = self._site.t
        d = pair.newest.description
        born = t("compare.born", date=iso_day(d.birth_date)) if d.birth_date else ""
        same = shows_the_same(d, pair.earlier.description)
        told = [words for _, words in doubts(pair.outcome, same, t)]
        labels = [self._room.label(source) for source in self._visible(pair, seen)]
        dates = unconfirmed(labels, t)
        if dates:
            told.append(t("compare.unconfirmed", n=len(dates), dates=", ".join(dates)))
        is_map = seen.mode == "difference"
        lines = figures(pair.outcome, t, is_laid=seen.mode != "side")
        if is_map:
            lines.append(t("compare.legend_note", perceptible=PERCEPTIBLE, acceptable=ACCEPTABLE))
        return Words(
            person(d.patient_name) or t("find.no_name"),
            " · ".join(part for part in (d.patient_id, d.issuer, born) if part),
            t("compare.legend") if is_map else "",
            told,
            [*lines, t("compare.caution")],
            t("compare.letters_key"),
            t("compare.made", when=f"{self._site.clock():%Y-%m-%d %H:%M}", version=__version__),
        )

    def _visible(self, pair: Pair, seen: Seen) -> list[Source]:
        if seen.mode == "blink":
            return [pair.earlier if seen.is_earlier else pair.newest]
        return [pair.earlier, pair.newest]

    def _given(self, request: Request, pair: Pair, page: Image.Image, detail: str) -> Response:
        """Note the export, then give the picture; its name tells dates and no patient."""
        buffer = io.BytesIO()
        page.save(buffer, "PNG", dpi=(150, 150), compress_level=3)
        studies: dict[str, int] = {}
        for source in (pair.earlier, pair.newest):
            uid = source.description.study_uid
            studies[uid] = studies.get(uid, 0) + 1
        self._site.note(request, EXPORTED, studies=studies, detail=detail)
        days = [self._room.label(one).date or "undated" for one in (pair.earlier, pair.newest)]
        name = f"comparison-{'-'.join(days)}.png"
        plain = "".join(c if c.isalnum() or c in "-." else "_" for c in name)
        return Response(
            buffer.getvalue(),
            media_type="image/png",
            headers={"Content-Disposition": f'attachment; filename="{plain}"'},
        )
