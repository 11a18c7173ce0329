"""The pages that find pictures, and the one that shows a single picture in full."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute

from archiver.archive import Query, Record
from archiver.dentition import Numbering, Tooth, View
from archiver.web.audit import ACCESSED, QUERY
from archiver.web.auth.visitor import visitor_of
from archiver.web.bodies import form_of
from archiver.web.labels import label_of
from archiver.web.pages.compare.comparison_request import Sources
from archiver.web.pages.compare.shown_picture import shown_json
from archiver.web.pages.find.answers import (
    AnswerPage,
    Beside,
    OfPatient,
    answers,
    pictures_of_teeth,
)
from archiver.web.pages.find.dentition_drawing import Crown, draw_dentition
from archiver.web.pages.find.patient_tokens import PatientTokens, Whom, whom
from archiver.web.pages.find.question import FindQuestion, question_of
from archiver.web.pictures import with_code

if TYPE_CHECKING:
    from archiver.web.app import Site

_VIEWS = (
    ("find.views_teeth", tuple(v for v in View if v.needs_teeth)),
    ("find.views_mouth", tuple(v for v in View if not (v.needs_teeth or v.is_extraoral))),
    ("find.views_face", tuple(v for v in View if v.is_extraoral)),
)
_HINTS = {
    Numbering.ISO: "find.chart_hint",
    Numbering.UNIVERSAL: "find.chart_hint_universal",
    Numbering.PALMER: "find.chart_hint_palmer",
}
_FRONT, _MOLARS = ("central", "lateral", "canine"), ("molar_1", "molar_2", "molar_3")
_PERMANENT = (*_FRONT, "premolar_1", "premolar_2", *_MOLARS)
_DECIDUOUS = (*_FRONT, *_MOLARS[:2])


def routes(site: Site) -> list[BaseRoute]:
    """Return the routes of this room."""
    room = _Finding(site)
    return [
        site.route("/find", room.show, may="look"),
        site.route("/find", room.ask, may="look", methods=["POST"]),
        site.route("/find/picture/{uid}", room.picture, may="look"),
    ]


class _Finding:
    def __init__(self, site: Site) -> None:
        self._site = site
        self._remembered = PatientTokens()
        self._sources = Sources(site.archive)

    def ask(self, request: Request) -> Response:
        """Take a question from the form and lead to its address, which names no patient."""
        form = form_of(request)
        keys = ("tooth", "view", "since", "until")
        question = question_of((key, value) for key in keys for value in form.all(key))
        asked = whom(form.get("patient_id"), form.get("name"))
        word = self._remembered.word_for(visitor_of(request).name, asked)
        # What could not be understood is told on the page that follows.
        fault = "".join(f"&fault={key}" for key in sorted(question.faults))
        path = question.about(word).path
        return RedirectResponse(path + (fault if "?" in path else fault.replace("&", "?", 1)), 303)

    def show(self, request: Request) -> Response:
        """Answer a question."""
        question = question_of(request.query_params.multi_items())
        faults = dict(question.faults)
        for key in request.query_params.getlist("fault"):
            faults.setdefault(key, f"find.fault_{'day' if key in ('since', 'until') else key}")
        name = visitor_of(request).name
        asked = self._remembered.meant(name, question.who) if question.who else Whom()
        if asked is None:
            faults["who"], asked, found = "find.fault_who", Whom(), AnswerPage((), 0, False)
        else:
            found = answers(self._site.archive.query, question, asked)
        self._note(request, question, asked, found)
        known = self._site.t.has
        return self._site.page(
            request,
            "find/find.html",
            question=question,
            asked=asked,
            faults={key: word for key, word in faults.items() if known(word)},
            found=found,
            patients=[self._patient_json(one, question, name) for one in found.patients],
            charts=self._charts(question, asked),
            chart_hint=_HINTS[self._site.settings.numbering],
            tooth_words=self._chosen(question.teeth),
            views=_VIEWS,
        )

    def picture(self, request: Request) -> Response:
        """Show a single picture in full."""
        source = self._sources.source(str(request.path_params["uid"]))
        record = self._sources.record(source)
        d = source.description
        self._site.note(request, ACCESSED, studies={d.study_uid: 1}, detail="picture in full")
        label = label_of(
            d, source.edges, source.size, self._site.t, self._site.settings.numbering,
            record.rejected or "",
        )  # fmt: skip
        label = self._site.pictures.with_finding(with_code(label, d, record.source_sha256))
        about = Whom(d.patient_id, "", d.issuer or None)
        word = self._remembered.word_for(visitor_of(request).name, about)
        return self._site.page(
            request,
            "find/picture.html",
            label=label,
            record=record,
            description=d,
            shown=shown_json(source, label),
            patient_path=FindQuestion(who=word).path,
            twins=self._site.pictures.labels(self._twins(record)),
            comparable=d.is_photograph and not record.rejected and bool(d.view),
        )

    def _twins(self, record: Record) -> Sequence[Record]:
        """The same photograph as shot, or corrected."""
        if not record.source_sha256:
            return []
        same = Query(source_sha256=record.source_sha256, patient_id=record.patient_id)
        found = self._site.archive.query(same)
        return [one for one in found if one.sop_instance_uid != record.sop_instance_uid]

    def _note(
        self, request: Request, question: FindQuestion, asked: Whom, found: AnswerPage
    ) -> None:
        parts = [
            *(["patient"] if asked else []),
            *(["tooth"] if question.teeth else []),
            *(["view"] if question.view else []),
            *(["date"] if question.since or question.until else []),
        ]
        detail = f"find by {', '.join(parts) or 'nothing'}; pictures: {found.count}"
        studies: dict[str, int] = {}
        for patient in found.patients:
            for visit in patient.visits:
                uid = visit.records[0].study_uid
                studies[uid] = studies.get(uid, 0) + len(visit.records)
        self._site.note(request, QUERY, studies=studies, detail=detail)

    def _patient_json(self, one: OfPatient, question: FindQuestion, visitor: str) -> dict[str, Any]:
        word = self._remembered.word_for(visitor, Whom(one.patient_id, "", one.issuer))
        labels = self._site.pictures.labels
        return {
            "name": one.name,
            "id": one.patient_id,
            "issuer": one.issuer,
            "only": question.about(word).path,
            "visits": [
                {"visit": visit, "labels": labels(list(visit.records))} for visit in one.visits
            ],
            "radiographs": self._beside(one.radiographs),
        }

    def _beside(self, found: Sequence[Beside]) -> list[tuple[Any, bool]]:
        shows = {one.record.sop_instance_uid: one.shows for one in found}
        made = self._site.pictures.labels([one.record for one in found])
        return [(label, shows[label.uid]) for label in made]

    def _charts(self, question: FindQuestion, asked: Whom) -> list[dict[str, Any]]:
        counts = pictures_of_teeth(self._site.archive.query, asked)
        chosen = set(question.teeth)
        young = bool(chosen) and all(tooth.is_deciduous for tooth in chosen)
        made = []
        for deciduous in (False, True):
            drawing = draw_dentition(deciduous=deciduous)
            crowns = [self._crown(crown, chosen, counts) for crown in drawing.crowns]
            made.append(
                {
                    "kind": "deciduous" if deciduous else "permanent",
                    "drawing": drawing,
                    "crowns": crowns,
                    "is_first": deciduous == young,
                    "is_counted": bool(counts),
                }
            )
        return made

    def _crown(self, crown: Crown, chosen: set[Tooth], counts: dict[str, int]) -> dict[str, Any]:
        tooth = crown.tooth
        count = counts.get(tooth.iso, 0)
        inside, outside = self._numbers(tooth)
        name = self._site.t(
            "find.tooth_name", iso=tooth.iso, universal=tooth.universal, place=self._place(tooth)
        )
        if count:
            name += self._site.t("find.tooth_count", n=count)
        return {
            "crown": crown,
            "tooth": tooth,
            "inside": inside,
            "outside": outside,
            "name": name,
            "count": count,
            "is_chosen": tooth in chosen,
        }

    def _numbers(self, tooth: Tooth) -> tuple[str, str]:
        first = self._site.settings.numbering
        named = {
            Numbering.ISO: tooth.iso,
            Numbering.UNIVERSAL: tooth.universal,
            Numbering.PALMER: tooth.palmer_symbol,
        }
        return named[first], tooth.universal if first is Numbering.ISO else tooth.iso

    def _place(self, tooth: Tooth) -> str:
        kinds = _DECIDUOUS if tooth.is_deciduous else _PERMANENT
        t = self._site.t
        return t(
            "find.place_deciduous" if tooth.is_deciduous else "find.place",
            arch=t(f"find.{tooth.arch.value}"),
            side=t(f"directions.{'R' if tooth.side.value == 'right' else 'L'}"),
            kind=t(f"find.kind_{kinds[tooth.position - 1]}"),
        )

    def _chosen(self, teeth: tuple[Tooth, ...]) -> str:
        return ", ".join(f"{tooth.iso} · {tooth.universal}" for tooth in teeth)
