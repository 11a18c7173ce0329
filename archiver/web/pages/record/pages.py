"""The record: what visits lack, what was amended, the audit and its reports."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute

from archiver.archive import Query, Record
from archiver.archive.statements import of_instances, successor_of, undecided_notes
from archiver.archive.store import QUARANTINE, DoubtfulPatient, patients_in_doubt
from archiver.records import tally
from archiver.records.rules import RuleSet
from archiver.web.audit import ACCESSED, CHANGED, EXPORTED, QUERY
from archiver.web.auth.visitor import visitor_of
from archiver.web.bodies import form_of
from archiver.web.http_errors import Refused
from archiver.web.pages.record import (
    amending,
    bringing,
    consent,
    packages,
    rejection,
    side_confirmation,
)
from archiver.web.pages.record.asked_visit import asked_among
from archiver.web.pages.record.audit_reports import Auditing
from archiver.web.pages.record.missing_views import (
    in_order,
    report,
    rule_sets,
    sets_of_views,
    standings,
)
from archiver.web.visits import latest_visits, visits_like, visits_of

if TYPE_CHECKING:
    from archiver.web.app import Site

#: Visits on the first page of the room.
_LATEST = 25
_FIRST_RULES = "five-intraoral"
_CHOICE = "archiver-rules"
#: Photographs are shown, and what notes name says more than the notes.
_ELSEWHERE = ("XC", "KO")
_YEAR = 365 * 24 * 3600


def routes(site: Site) -> list[BaseRoute]:
    """Return the routes of this room."""
    room = _Record(site)
    return [
        site.route("/record", room.overview, may="look"),
        site.route("/record", room.of_patient, may="look", methods=["POST"]),
        site.route("/record/visit/{study}", room.visit, may="look"),
        site.route("/record/side/{uid}", room.side, may="confirm"),
        site.route("/record/side/{uid}", room.confirm, may="confirm", methods=["POST"]),
        site.route("/record/audit", room.audits, may="audit"),
        site.route("/record/audit", room.start_audit, may="audit", methods=["POST"]),
        site.route("/record/audit/{task}", room.running_audit, may="audit"),
        site.route("/record/report/{name}", room.report, may="audit"),
        site.route("/record/report/{name}/download", room.download, may="audit"),
        *rejection.routes(site),
        *consent.routes(site),
        *amending.routes(site),
        *bringing.routes(site),
        *packages.routes(site),
    ]


class _Record:
    def __init__(self, site: Site) -> None:
        self._site = site
        self._auditing = Auditing(site)

    # -- visits

    def _named(self, target: str) -> str:
        """Name what a demand is about; the number of a tooth is never bare."""
        return self._site.t("picture.iso", teeth=target) if target[:1].isdigit() else target

    def overview(self, request: Request) -> Response:
        """Show the latest visits and how each stands."""
        key, rules = _chosen(request)
        visits = latest_visits(self._site.archive, _LATEST)
        self._site.note(request, QUERY, detail=f"record; visits: {len(visits)}")
        answer = self._site.page(
            request,
            "record/overview.html",
            standings=standings(self._site.archive, visits, rules),
            rules=key,
            sets=sets_of_views(),
            asked=False,
            doubts=self._doubts(),
            quarantined=self._quarantined(),
            undecided=undecided_notes(self._site.archive),
            rejected=[],
        )
        return _keeping(answer, key, request)

    def _doubts(self) -> list[DoubtfulPatient]:
        archive = self._site.archive
        with archive.reading() as connection:
            return patients_in_doubt(connection, archive.layout.root)

    def _quarantined(self) -> int:
        return sum(1 for _ in (self._site.archive.layout.root / QUARANTINE).glob("*.dcm"))

    def of_patient(self, request: Request) -> Response:
        """Show the visits of a patient; the identifier stays out of the address."""
        asked = form_of(request).get("patient_id")[:200]
        key, rules = _chosen(request)
        archive = self._site.archive
        visits = visits_of(archive, [asked]) if asked else []
        of_patient = Query(patient_id=asked, include_rejected=True)
        rejected = self._rejected(archive.query(of_patient)) if asked else []
        self._site.note(request, QUERY, detail=f"record of a patient; visits: {len(visits)}")
        return self._site.page(
            request,
            "record/overview.html",
            standings=standings(archive, visits, rules),
            rules=key,
            sets=sets_of_views(),
            asked=True,
            doubts=[],
            quarantined=0,
            undecided=[],
            rejected=self._site.pictures.labels(rejected),
        )

    def _rejected(self, records: Sequence[Record]) -> list[Record]:
        """Return the pictures that are rejected, without those in whose place others came."""
        archive = self._site.archive
        found = [one for one in records if one.rejected is not None and one.columns]
        found = [one for one in found if successor_of(archive, one.sop_instance_uid) is None]
        return [one for one in found if not _is_source(one, found)]

    def visit(self, request: Request) -> Response:
        """Show what a visit lacks, its pictures, and what was amended."""
        archive = self._site.archive
        visit, others = asked_among(archive, request)
        key, rules = _chosen(request)
        told = report(archive, visit, rules)
        records = [
            r
            for r in archive.query(Query(patient_id=visit.patient_id, include_rejected=True))
            if visit.is_of(r.patient_id, r.issuer, r.patient_name)
        ]
        of_day = [r for r in records if r.study_date == visit.date and r.modality == "XC"]
        shown = [r for r in of_day if r.rejected is None and not _is_source(r, of_day)]
        rejected = [r.sop_instance_uid for r in records if r.rejected is not None]
        beside = [r for r in records if r.study_date == visit.date and r.modality not in _ELSEWHERE]
        self._site.note(
            request, ACCESSED, studies={visit.study: len(shown)}, detail="record of a visit"
        )
        visits = visits_like(archive, visit)
        place = next(n for n, one in enumerate(visits) if one.date == visit.date)
        answer = self._site.page(
            request,
            "record/visit.html",
            named=self._named,
            visit=visit,
            others=others,
            rules=key,
            sets=sets_of_views(),
            demands=in_order(told.demands),
            total=tally(told.demands),
            unconfirmed=told.unconfirmed,
            pictures=self._site.pictures.labels(sorted(shown, key=_by_time)),
            doubts=lambda uid: side_confirmation.doubt_lines(self._site, uid, answered=False),
            beside=[r for r in beside if r.rejected is None],
            rejected=self._site.pictures.labels(self._rejected(records)),
            handed=of_instances(archive.layout.root, rejected),
            newer=visits[place - 1] if place else None,
            older=visits[place + 1] if place + 1 < len(visits) else None,
        )
        return _keeping(answer, key, request)

    def side(self, request: Request) -> Response:
        """Ask whether the side of a picture is right."""
        who, uid = visitor_of(request).name, str(request.path_params["uid"])
        asked = side_confirmation.question(self._site, uid, who)
        study = asked.record.study_uid
        self._site.note(request, ACCESSED, studies={study: 1}, detail="confirmation form")
        label = replace(self._site.pictures.label(asked.record), code=asked.shown.code)
        return self._site.page(request, "record/side.html", asked=asked, label=label)

    def confirm(self, request: Request) -> Response:
        """Note that the visitor confirmed a side."""
        who, uid = visitor_of(request).name, str(request.path_params["uid"])
        asked, seen = side_confirmation.question(self._site, uid, who), form_of(request).get("seen")
        if seen != asked.shown.digest:
            raise Refused(409, "record.seen_otherwise")
        side_confirmation.confirm(self._site, asked, who, seen)
        study = asked.record.study_uid
        self._site.note(request, CHANGED, studies={study: 1}, detail="side confirmed")
        return RedirectResponse(f"/record/visit/{study}", 303)

    # -- audit

    def audits(self, request: Request) -> Response:
        """Show the reports there are, and what an audit can be asked for."""
        running = self._auditing.running()
        return self._site.page(
            request,
            "record/audits.html",
            sets=rule_sets(),
            reports=self._auditing.reports(),
            running=running,
            mine=running is not None and running.owner == visitor_of(request).name,
        )

    def start_audit(self, request: Request) -> Response:
        """Begin an audit and lead to the page that follows it."""
        form = form_of(request)
        task = self._auditing.start(
            visitor_of(request),
            form.all("rules"),
            pictures=bool(form.get("pictures")),
            full=bool(form.get("full")),
        )
        self._site.note(request, QUERY, detail="audit started")
        return RedirectResponse(f"/record/audit/{task.id}", 303)

    def running_audit(self, request: Request) -> Response:
        """Show how far an audit is."""
        task = self._site.tasks.of(request)
        if task.ended.is_set() and task.result:
            return RedirectResponse(task.result["where"], 303)
        title, back = self._site.t("record.audit_running"), "/record/audit"
        return self._site.page(request, "record/running.html", task=task, title=title, back=back)

    def report(self, request: Request) -> Response:
        """Show a report."""
        found = self._auditing.report(str(request.path_params["name"]))
        self._site.note(request, ACCESSED, detail="audit report")
        return self._site.page(
            request,
            "record/report.html",
            report=found,
            facts=found.facts,
            kinds=_by_kind(found.facts),
        )

    def download(self, request: Request) -> Response:
        """Give all files of a report."""
        if not visitor_of(request).may("download"):
            raise Refused(403, "errors.role")
        name = str(request.path_params["name"])
        packed = self._auditing.packed(name)
        self._site.note(request, EXPORTED, detail="audit report")
        return Response(
            packed,
            media_type="application/zip",
            headers={"Content-Disposition": f'attachment; filename="audit-{name}.zip"'},
        )


def _chosen(request: Request) -> tuple[str, RuleSet]:
    """Return the set of rules that was chosen now or before, with its key."""
    sets = sets_of_views()
    given = request.query_params.get("rules") or request.cookies.get(_CHOICE, "")
    key = given if given in sets else _FIRST_RULES
    return key, sets[key]


def _keeping(answer: Response, key: str, request: Request) -> Response:
    """Remember a choice of rules in this browser."""
    if "rules" in request.query_params:
        answer.set_cookie(_CHOICE, key, max_age=_YEAR, httponly=True, samesite="strict")
    return answer


def _is_source(record: Record, others: list[Record]) -> bool:
    """Whether a corrected picture was made from this one, so that one of the two is enough."""
    return (
        record.role == "original"
        and record.source_sha256 is not None
        and any(o.role == "derived" and o.source_sha256 == record.source_sha256 for o in others)
    )


def _by_time(record: Record) -> tuple[str, str]:
    return (record.acquired or "", record.sop_instance_uid)


def _by_kind(facts: dict[str, Any]) -> list[tuple[dict[str, Any], list[dict[str, Any]]]]:
    """Return the findings of a report by their kind, in the order in which they stand there."""
    groups: dict[str, list[dict[str, Any]]] = {}
    for one in facts["concerns"]:
        groups.setdefault(one["kind"], []).append(one)
    return [(group[0], group) for group in groups.values()]
