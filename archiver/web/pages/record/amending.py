"""What an archived photograph says is put right: first shown, then done."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute

from archiver.archive.statements import AmendmentRequest, AmendmentSettings, NewPatient
from archiver.dentition import View, parse_teeth
from archiver.objects import FLIPS, Change, subject
from archiver.web.audit import ACCESSED, CHANGED
from archiver.web.auth.visitor import visitor_of
from archiver.web.bodies import Form, form_of
from archiver.web.http_errors import Refused
from archiver.web.pages.record.side_confirmation import record_of
from archiver.web.pages.take_in.examined_sides import read_who
from archiver.wording import Text
from archiver.workflow import Amended, amend

if TYPE_CHECKING:
    from archiver.web.app import Site

_LONGEST = 200
_MIRROR = {"yes": True, "no": False}
#: What a form says, and is asked again about once it has been shown what follows.
_FIELDS = ("teeth", "view", "mirror", "flipped", "patient_id", "patient_name", "words")


def routes(site: Site) -> list[BaseRoute]:
    """Return the routes by which photographs are put right."""
    pages = _Amending(site)
    path = "/record/amend/{uid}"
    return [
        site.route(path, pages.ask, may="reject"),
        site.route(path, pages.carry_out, may="reject", methods=["POST"]),
    ]


class _Amending:
    def __init__(self, site: Site) -> None:
        self._site = site

    def ask(self, request: Request) -> Response:
        """Ask what is right."""
        return self._page(request, dict.fromkeys(_FIELDS, ""), None)

    def carry_out(self, request: Request) -> Response:
        """Show what would follow, or do it once that has been seen."""
        site, form = self._site, form_of(request)
        uid, who = str(request.path_params["uid"]), visitor_of(request).name
        settings = AmendmentSettings(
            site.clock(), *([site.practice.edges] if site.practice and site.practice.edges else [])
        )
        asked = _request(uid, form, read_who(who))
        given = {name: form.get(name)[:_LONGEST] for name in _FIELDS}
        # What is done is what was shown.
        done = form.get("what") == "amend" and form.get("shown") == _shown(given)
        amended = amend(site.archive, asked, settings, dry_run=not done)
        if not done:
            return self._page(request, given, amended)
        record = record_of(site, amended.amendment.successors[-1].sop_instance_uid)
        study = record.study_uid if record is not None else ""
        site.note(request, CHANGED, studies={study: 1}, detail="amended")
        return RedirectResponse(f"/record/visit/{study}", 303)

    def _page(self, request: Request, given: dict[str, str], amended: Amended | None) -> Response:
        record = record_of(self._site, str(request.path_params["uid"]))
        if record is None or not record.columns or record.rejected:
            raise Refused(404, "errors.no_picture")
        self._site.note(request, ACCESSED, studies={record.study_uid: 1}, detail="amendment asked")
        return self._site.page(
            request,
            "record/amend.html",
            record=record,
            label=self._site.pictures.label(record),
            views=list(View),
            flips=list(FLIPS),
            given=given,
            shown=_shown(given),
            amended=amended,
            follows=_describe_amendment(amended) if amended else (),
        )


def _shown(given: Mapping[str, str]) -> str:
    return "|".join(given[name] for name in _FIELDS)


def _request(uid: str, form: Form, by: str) -> AmendmentRequest:
    teeth, view = form.get("teeth")[:_LONGEST], form.get("view")
    patient = form.get("patient_id")[:_LONGEST]
    try:
        change = Change(
            teeth=parse_teeth(teeth) if teeth else None,
            view=View(view) if view else None,
            mirror=_MIRROR.get(form.get("mirror")),
            flipped=FLIPS.get(form.get("flipped")),
        )
    except ValueError:
        raise Refused(400, "errors.malformed") from None
    name = form.get("patient_name")[:_LONGEST] or None
    person = NewPatient(patient, name=name) if patient else None
    return AmendmentRequest(uid, change, person, remark=form.get("words")[:_LONGEST], by=by)


def _describe_amendment(amended: Amended) -> tuple[Text, ...]:
    """Say what was wrong, and what the photograph would say."""
    after = amended.amendment.after
    path = Text("cli.amend.mirrored" if after.photograph.mirror else "cli.amend.direct")
    how = after.plan.correction.text
    wrong = [Text("cli.amend.wrong", mistake=one.text) for one in amended.amendment.found]
    return (*wrong, Text("cli.amend.now", what=subject(after.plan), path=path, how=how))
