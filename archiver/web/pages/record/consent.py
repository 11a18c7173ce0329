"""What a patient has consented to: shown, noted and withdrawn."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute

from archiver.archive import Query, without_twins
from archiver.archive.statements import (
    GIVEN,
    GIVERS,
    WITHDRAWN,
    Consent,
    ConsentScope,
    attach_form,
    consents_of,
    note,
)
from archiver.objects import Purpose, encapsulated_form, readable_name
from archiver.web.audit import ACCESSED, CHANGED
from archiver.web.auth.visitor import visitor_of
from archiver.web.bodies import Form, body_of, form_of
from archiver.web.http_errors import Refused
from archiver.web.pages.record.asked_visit import asked_visit
from archiver.web.pages.take_in.examined_sides import read_who
from archiver.web.visits import PhotographedDay

if TYPE_CHECKING:
    from archiver.web.app import Site

_LONGEST = 200


def routes(site: Site) -> list[BaseRoute]:
    """Return the routes about consents."""
    pages = _Consents(site)
    path = "/record/consent/{study}"
    return [
        site.route(path, pages.show, may="look"),
        site.route(path, pages.keep, may="take in", methods=["POST"]),
        site.route(f"{path}/form", pages.attach, may="take in", methods=["POST"]),
    ]


class _Consents:
    def __init__(self, site: Site) -> None:
        self._site = site

    def show(self, request: Request) -> Response:
        """Show what is on record of the patient of a visit."""
        site, visit = self._site, asked_visit(self._site.archive, request)
        patient = (visit.patient_id, visit.issuer)
        records = site.archive.query(Query(patient_id=patient[0], issuer=patient[1]))
        of_visit = [r for r in records if r.study_uid == visit.study and r.modality == "XC"]
        # As shot and corrected are one picture: a consent to one is to both.
        pictures = without_twins(of_visit)
        papers = [r for r in records if r.sop_class_uid == encapsulated_form.ENCAPSULATED_PDF]
        site.note(request, ACCESSED, studies={visit.study: 1}, detail="consents")
        today = site.clock().date()
        standing = consents_of(site.archive.layout.root, *patient)
        return site.page(
            request,
            "record/consent.html",
            visit=visit,
            consents=[(one, self._sentence(one, today)) for one in standing],
            purposes=list(Purpose),
            givers=GIVERS,
            papers=papers,
            pictures=site.pictures.labels(pictures),
        )

    def keep(self, request: Request) -> Response:
        """Note what the patient has said."""
        visit, form = asked_visit(self._site.archive, request), form_of(request)
        try:
            purpose = Purpose(form.get("purpose"))
            until = date.fromisoformat(form.get("until")) if form.get("until") else None
        except ValueError:
            raise Refused(400, "errors.malformed") from None
        withdrawn = form.get("state") == WITHDRAWN
        note(
            self._site.archive,
            (visit.patient_id, visit.issuer),
            purpose,
            by=read_who(visitor_of(request).name),
            now=self._site.clock(),
            until=None if withdrawn else until,
            state=WITHDRAWN if withdrawn else GIVEN,
            scope=_scope(form, visit, withdrawn=withdrawn),
        )
        detail = "consent withdrawn" if withdrawn else "consent noted"
        self._site.note(request, CHANGED, studies={visit.study: 1}, detail=detail)
        return RedirectResponse(str(request.url.replace(scheme="", netloc="")), 303)

    async def attach(self, request: Request) -> Response:
        """Keep a scanned form, and tell under which UID."""
        from starlette.concurrency import run_in_threadpool

        pdf = await body_of(request, encapsulated_form.LARGEST)

        def attached() -> str:
            visit = asked_visit(self._site.archive, request)
            patient = (visit.patient_id, visit.issuer)
            archive, now = self._site.archive, self._site.clock()
            return attach_form(archive, patient, pdf, now, visit=visit.study)

        return self._site.answer({"uid": await run_in_threadpool(attached)})

    def _sentence(self, one: Consent, today: date) -> str:
        """Say what stands of a consent."""
        t = self._site.t
        on = {"on": one.noted_at[:10], "by": readable_name(one.noted_by)}
        ended = one.against(today)
        told = [ended.in_words(t) if ended else t("record.consent_given", **on)]
        if one.until:
            told.append(t("record.consent_until", until=one.until.isoformat()))
        if one.recipient:
            told.append(t("record.consent_to", to=one.recipient))
        if one.visits:
            told.append(t("record.consent_visits", n=len(one.visits)))
        if one.pictures:
            told.append(t("record.consent_pictures", n=len(one.pictures)))
        if one.giver:
            told.append(t(f"record.consent_by_{one.given_by}", who=readable_name(one.giver)))
        return "; ".join(told)


def _scope(form: Form, visit: PhotographedDay, *, withdrawn: bool) -> ConsentScope:
    recipient, about = form.get("recipient")[:_LONGEST], form.get("about")
    if withdrawn:
        return ConsentScope(recipient)
    pictures = tuple(form.all("picture")) if about == "pictures" else ()
    if about == "pictures" and not pictures:
        raise Refused(400, "record.consent_which")
    given_by = form.get("given_by")
    return ConsentScope(
        recipient,
        (visit.study,) if about == "visit" else (),
        given_by if given_by in GIVERS else "",
        form.get("giver")[:_LONGEST],
        pictures,
        form.get("form"),
    )
