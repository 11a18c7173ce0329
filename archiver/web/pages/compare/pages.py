"""The pages that compare pictures, their tiles, and what is kept of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute

from archiver.archive.statements import is_withheld
from archiver.errors import ObjectError
from archiver.priors import earlier_of
from archiver.web.audit import ACCESSED
from archiver.web.auth.visitor import visitor_of
from archiver.web.bodies import json_of
from archiver.web.http_errors import Refused
from archiver.web.labels import Label
from archiver.web.pages.compare.alignment import Aligned
from archiver.web.pages.compare.comparison_context import ComparisonContext
from archiver.web.pages.compare.comparison_request import MOST, ComparedPictures, shows_the_same
from archiver.web.pages.compare.descriptions import before, outcome_json, unconfirmed
from archiver.web.pages.compare.legend import legend
from archiver.web.pages.compare.outcomes import keep_findings
from archiver.web.pages.compare.picture_source import PictureSource
from archiver.web.pages.compare.saved_pictures import SavedPictures
from archiver.web.pages.compare.shown_picture import shown_json
from archiver.web.pages.compare.tiles import NoTile
from archiver.web.pages.compare.view_state import SEEN_FIELDS
from archiver.web.tasks import Progress

if TYPE_CHECKING:
    from archiver.web.app import Site


def routes(site: Site) -> list[BaseRoute]:
    """Return the routes of this room."""
    room = CompareRoutes(site)
    keeping = SavedPictures(room)
    pair = "{newest}/{earlier}"
    return [
        site.route("/compare", room.show, may="compare"),
        site.route("/compare/earlier", room.with_earlier, may="compare"),
        site.route(
            "/compare/align", room.align, may="compare", methods=["POST"], fields={"of": "array"}
        ),
        site.route(f"/compare/outcome/{pair}", room.outcome, may="compare"),
        site.route(f"/compare/difference/{pair}", room.difference, may="compare"),
        site.route(
            "/compare/seen", keeping.seen, may="download", methods=["POST"], fields=SEEN_FIELDS
        ),
        site.route(
            "/compare/sheet", keeping.sheet, may="download", methods=["POST"], fields=SEEN_FIELDS
        ),
        site.route("/compare/tile/{uid}/{reduction}/{column}/{row}", room.tile, may="look"),
    ]


class CompareRoutes(ComparisonContext):
    """What answers the routes."""

    def show(self, request: Request) -> Response:
        """Compare the pictures that the address names."""
        uids = request.query_params.getlist("of")
        if not uids:
            return self.site.page(request, "compare/how.html", refused="")
        try:
            chosen = self.chosen(uids)
        except Refused as refused:
            if refused.status == 404:
                raise
            words = self.site.t(refused.key, **refused.values)
            return self.site.page(request, "compare/how.html", 400, refused=words)
        self.site.note(request, ACCESSED, studies=chosen.studies, detail="comparison")
        task = self._begun(request, chosen)
        labels = [self.label(one) for one in chosen.sources]
        earlier = [
            self._entry(chosen, source, label)
            for source, label in zip(chosen.sources[1:], labels[1:], strict=True)
        ]
        newest = {"shown": shown_json(chosen.newest, labels[0])}
        return self.site.page(
            request,
            "compare/compare.html",
            newest=labels[0],
            earlier=[
                {"label": label, "span": entry["span"]}
                for label, entry in zip(labels[1:], earlier, strict=True)
            ],
            unconfirmed=unconfirmed(labels, self.site.t),
            comparison={"newest": newest, "earlier": earlier, "task": task},
            legend=legend(),
            patient_name=chosen.records[0].patient_name,
            patient_id=chosen.records[0].patient_id,
        )

    def _entry(
        self, chosen: ComparedPictures, source: PictureSource, label: Label
    ) -> dict[str, Any]:
        same = shows_the_same(source.description, chosen.newest.description)
        span = before(label.date, self.label(chosen.newest).date, self.site.t)
        if not same:
            what = label.view or label.tooth
            span = self.site.t("compare.shows_else", span=span, view=what)
        return {"shown": shown_json(source, label), "span": span}

    def with_earlier(self, request: Request) -> Response:
        """Lead to the comparison of a picture with the earlier ones of its tooth and view."""
        source = self.sources.source(request.query_params.get("of", ""))
        found = earlier_of(self.site.archive.query, self.sources.record(source), MOST - 1)
        if not found:
            words = self.site.t("compare.refused_earlier")
            return self.site.page(request, "compare/how.html", 404, refused=words)
        uids = [source.description.sop_instance_uid, *(one.sop_instance_uid for one in found)]
        return RedirectResponse("/compare?" + "&".join(f"of={uid}" for uid in uids), 303)

    # -- alignment

    async def align(self, request: Request) -> Response:
        """Begin to align; the answer names the task that the browser follows."""
        values = await json_of(request)
        uids = values.get("of") if isinstance(values, dict) else None
        if not isinstance(uids, list) or not all(isinstance(one, str) for one in uids):
            raise Refused(400, "errors.malformed")
        chosen = await run_in_threadpool(self.chosen, uids)

        return self.site.answer({"task": self._begin(request, chosen)})

    def _begin(self, request: Request, chosen: ComparedPictures) -> str:
        """Align in a thread of its own; return the task's id."""
        is_new = not all(self.alignments.known(chosen.newest, one) for one in chosen.sources[1:])

        def work(progress: Progress) -> object:
            count = len(chosen.sources) - 1
            done: list[tuple[PictureSource, Aligned]] = []
            for number, source in enumerate(chosen.sources[1:]):
                progress(number, count)
                done.append((source, self.alignments.of(chosen.newest, source)))
            progress(count, count)
            if is_new:
                keep_findings(self.site, chosen.newest, done)
            return {}

        return self.site.tasks.start(visitor_of(request), work).id

    def _begun(self, request: Request, chosen: ComparedPictures) -> str:
        """Begin while the browser still loads the page; empty where the person has much going."""
        try:
            return self._begin(request, chosen)
        except Refused:
            return ""

    def pair(self, request: Request) -> tuple[PictureSource, PictureSource]:
        """Return the two pictures that a path names, of one patient; that is a view of both."""
        uids = [str(request.path_params[key]) for key in ("newest", "earlier")]
        both = self.chosen(uids)
        self.site.pictures.note_view(request, *both.studies)
        chosen = {s.description.sop_instance_uid: s for s in both.sources}
        return chosen[uids[0]], chosen[uids[1]]

    def outcome(self, request: Request) -> Response:
        """Tell how a pair came out; worked out now where it was not before."""
        newest, earlier = self.pair(request)
        found = self.alignments.of(newest, earlier)
        same = shows_the_same(newest.description, earlier.description)
        return self.site.answer(outcome_json(found, same, self.site.t))

    def difference(self, request: Request) -> Response:
        """Give the map of differences of a pair."""
        found = self.alignments.of(*self.pair(request))
        if not found.difference:
            raise Refused(404, "compare.difference_none")
        return Response(found.difference, media_type="image/png")

    # -- tiles

    def tile(self, request: Request) -> Response:
        """Give a tile of any picture."""
        numbers = [request.path_params[key] for key in ("reduction", "column", "row")]
        if not all(n.isascii() and n.isdigit() and len(n) < 6 for n in numbers):
            raise Refused(404, "errors.no_picture")
        uid = str(request.path_params["uid"])
        source = self.sources.source(uid)
        with self.site.archive.reading() as connection:
            if is_withheld(connection, uid):
                raise Refused(404, "errors.no_picture")
        self.site.pictures.note_view(request, source.description.study_uid)
        reduction, column, row = (int(n) for n in numbers)
        try:
            made = self.levels.tile(source, reduction, column, row)
        except (NoTile, ObjectError):
            raise Refused(404, "errors.no_picture") from None
        return Response(made, media_type="image/jpeg")
