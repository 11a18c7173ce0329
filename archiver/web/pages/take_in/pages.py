"""The pages of taking in: the list of drafts, and the work on one."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute

from archiver.access import BRING
from archiver.dentition import Arch, Direction, View, arch_order
from archiver.objects import (
    COLOUR_FRAMES,
    FLIPS,
    FUNCTIONAL_STATES,
    SEEN_FROM,
    STATES,
    TAB_NUMBERS,
    concepts,
)
from archiver.web.audit import ACCESSED, CHANGED
from archiver.web.auth.visitor import visitor_of
from archiver.web.bodies import form_of, json_of
from archiver.web.language import in_words, rule_name
from archiver.web.pages.take_in import patient_choice
from archiver.web.pages.take_in.arrivals import Arrivals
from archiver.web.pages.take_in.consent_fields import purposes
from archiver.web.pages.take_in.draft_changes import apply
from archiver.web.pages.take_in.draft_store import Open
from archiver.web.pages.take_in.drafts import ARCHIVED, OPEN
from archiver.web.pages.take_in.framing_proposals import FramingProposals
from archiver.web.pages.take_in.handlers import Drafting
from archiver.web.pages.take_in.photo_entry import DRAWN, HABITS
from archiver.web.pages.take_in.picture_questions import PictureQuestions
from archiver.web.pages.take_in.required_views import rule_sets
from archiver.web.pages.take_in.shot_card import shots
from archiver.web.pages.take_in.telephone import Telephone
from archiver.web.pages.take_in.turn_table import turns

if TYPE_CHECKING:
    from archiver.web.app import Site

MAY = "take in"
#: Some of what a change may say; the others are those of a draft.
_CHANGE = {
    "revision": "integer",
    "undo": "boolean",
    "redo": "boolean",
    "pictures": "object",
    "confirm": "object",
    "numbering": "string",
    "teeth": "string",
    "stage": "string",
}
_SPLIT = {"day": "string", "separator": "string"}
_ARRIVALS = {"folder": "string", "on": "boolean", "with_those_there": "boolean"}


def routes(site: Site) -> list[BaseRoute]:
    """Return the routes of this room."""
    drafting = Drafting(site)
    telephone = Telephone(site, drafting)
    arrivals = Arrivals(site, drafting, telephone)
    pages, questions = TakeInPages(site, drafting), PictureQuestions(site, drafting, arrivals)
    framings = FramingProposals(site, drafting)
    route = site.route
    one = "/take-in/{draft:str}"
    return [
        route("/take-in", pages.all_drafts, may=MAY),
        route("/take-in/new", pages.new, methods=["POST"], may=MAY),
        route("/take-in/readings", questions.readings, may=MAY),
        route(
            "/take-in/patients",
            pages.patients,
            methods=["POST"],
            may=MAY,
            fields={"words": "string"},
        ),
        route("/take-in/scheduled", pages.scheduled, may=MAY),
        route(one, pages.draft, may=MAY),
        route(one + "/shot-card", pages.shot_card, may=MAY),
        route(one + "/state", drafting.state, may=MAY),
        route(one + "/pictures", drafting.upload, methods=["PUT"], may=MAY),
        route(one + "/pictures/{digest:str}", drafting.picture, may=MAY),
        route(one + "/changes", drafting.change, methods=["POST"], may=MAY, fields=_CHANGE),
        route(one + "/shown", questions.shown, methods=["POST"], may=MAY, fields=_CHANGE),
        route(one + "/weigh", questions.weigh, methods=["POST"], may=MAY, fields=_CHANGE),
        route(one + "/framing", framings.framing, methods=["POST"], may=MAY, fields=_CHANGE),
        route(one + "/crop", framings.crop, methods=["POST"], may=MAY, fields=_CHANGE),
        route(one + "/parts", framings.parts, methods=["POST"], may=MAY, fields=_CHANGE),
        route(one + "/doubts", questions.doubts, may=MAY),
        route(one + "/arrivals", arrivals.state, may=MAY),
        route(one + "/arrivals", arrivals.change, methods=["POST"], may=MAY, fields=_ARRIVALS),
        route(one + "/split", arrivals.split, methods=["POST"], may=MAY, fields=_SPLIT),
        route(one + "/separator", arrivals.separator, may=MAY),
        route(one + "/events", arrivals.events, may=MAY),
        route(one + "/telephone", telephone.link, methods=["POST"], may=MAY),
        route("/telephone/{token:str}", telephone.page, anybody=True),
        route("/telephone", telephone.bring, methods=["PUT"], may=BRING, guest=True),
        route(one + "/archive", drafting.archive, methods=["POST"], may=MAY),
        route(one + "/discard", drafting.discard, methods=["POST"], may=MAY),
    ]


#: Keys of which one of a few words is chosen.
_CHOICES = {"state": STATES, "tab_number": TAB_NUMBERS}


class TakeInPages:
    """Answers with whole pages, and with whom a visit may be of."""

    def __init__(self, site: Site, drafting: Drafting) -> None:
        self._site, self._drafting = site, drafting

    def all_drafts(self, request: Request) -> Response:
        """Show the drafts, whoever began them."""
        rows = [_row(one) for one in self._drafting.drafts.all()]
        return self._site.page(
            request,
            "take_in/drafts.html",
            open_drafts=[r for r in rows if r["state"] == OPEN],
            done_drafts=[r for r in rows if r["state"] == ARCHIVED],
            unreadable=self._drafting.drafts.unreadable(),
        )

    def new(self, request: Request) -> Response:
        """Begin a draft and go to it; of a visit that is in the archive, where one is named."""
        study = form_of(request).get("study")
        of_visit = patient_choice.of_visit(self._site.archive, study) if study else None
        opened = self._drafting.drafts.create(visitor_of(request).name)
        if of_visit is not None:
            told = {key: of_visit[key] for key in ("patient", "visit", "study")}
            change = apply(opened.draft, {}, told, self._drafting.author(""))
            opened.change(change, self._site.clock())
        self._site.note(request, CHANGED, detail="draft begun")
        return RedirectResponse(f"/take-in/{opened.draft.id}", 303)

    def draft(self, request: Request) -> Response:
        """Show the work on a draft."""
        opened = self._drafting.opened(request)
        self._site.note(request, ACCESSED, detail="draft")
        return self._site.page(
            request,
            "take_in/draft.html",
            draft=opened.draft,
            known=json.dumps(self._known(request)),
            rules=[
                (key, rule_name(one.name), "|".join(one.applies.descriptions))
                for key, one in rule_sets().items()
            ],
            views=[view.value for view in View],
            tops=[direction.word for direction in Direction],
            purposes=purposes(),
            colour_frames=COLOUR_FRAMES,
            functional_states=FUNCTIONAL_STATES,
            seen_from=SEEN_FROM,
            drawn=DRAWN,
            places=tuple(concepts.PLACES),
            choices=_CHOICES.items(),
            typed=[key for key in concepts.SHADE if key not in _CHOICES],
            flips=tuple(FLIPS),
            rows=_rows(),
            worklists=self._worklists(),
        )

    def shot_card(self, request: Request) -> Response:
        """Show the visit's views in order, each with how it is taken; to be printed."""
        opened = self._drafting.opened(request)
        draft, rules = opened.draft, rule_sets().get(opened.draft.rules)
        self._site.note(request, ACCESSED, detail="shot card of a draft")
        return self._site.page(
            request,
            "take_in/shot_card.html",
            draft=draft,
            rules=rule_name(rules.name) if rules is not None else "",
            shots=shots(draft, opened.photos, self._drafting.habits, self._site.settings.camera),
        )

    def _known(self, request: Request) -> dict[str, Any]:
        visitor = visitor_of(request)
        return {
            "turns": turns(),
            "who": visitor.name if visitor.may("confirm") else "",
            "habits": {k: v for k, v in self._drafting.habits.items() if k in HABITS},
            "today": self._site.clock().date().isoformat(),
            "edges": self._drafting.edges,
            "numbering": self._site.settings.numbering.value,
        }

    def _worklists(self) -> list[str]:
        practice = self._site.practice
        peers = patient_choice.peers_with_worklist(practice.peers) if practice is not None else []
        return ([""] if self._site.node.worklist else []) + peers

    async def patients(self, request: Request) -> Response:
        """Find patients of the archive; asked by POST, so that no address holds a name."""
        asked = await json_of(request)
        words = str(asked.get("words", ""))[:64] if isinstance(asked, dict) else ""
        found = await asyncio.to_thread(patient_choice.of_archive, self._site.archive, words)
        self._site.note(request, ACCESSED, detail=f"patients by name; found: {len(found)}")
        return self._site.answer({"patients": found})

    def scheduled(self, request: Request) -> Response:
        """Return today's visits, from the node's table or a peer."""
        today, name = self._site.clock().date(), request.query_params.get("from", "")
        told: list[str] = []
        if name:
            peers = self._site.practice.peers if self._site.practice is not None else ()
            found = patient_choice.of_peer(peers, name, today)
        elif self._site.node.worklist is not None:
            order = self._site.node.worklist_dates
            found, refused = patient_choice.of_table(self._site.node.worklist, today, order)
            told = [in_words(problem) for problem in refused]
        else:
            found = []
        self._site.note(request, ACCESSED, detail=f"worklist; visits: {len(found)}")
        return self._site.answer({"visits": found, "left_out": told})


def _row(opened: Open) -> dict[str, Any]:
    """Return what the list tells of a draft."""
    draft = opened.draft
    return {
        "id": draft.id,
        "state": draft.state,
        "name": draft.patient.get("name", ""),
        "patient": draft.patient.get("id", ""),
        "date": draft.visit.get("date", ""),
        "owner": draft.owner,
        "changed": draft.changed[:16].replace("T", " "),
        "pictures": len(opened.photos),
        "done": sum(one.get("status") != "refused" for one in draft.results.values()),
    }


def _rows() -> list[list[dict[str, str]]]:
    """Return the teeth as two rows of either dentition, as they stand before the viewer."""
    return [
        [
            {"iso": t.iso, "universal": t.universal, "name": in_words(t.text)}
            for t in arch_order(arch, deciduous=young)
        ]
        for young in (False, True)
        for arch in (Arch.UPPER, Arch.LOWER)
    ]
