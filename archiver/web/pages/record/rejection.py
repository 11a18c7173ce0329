"""Rejecting what is archived, showing it again, and deciding about notes that came in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute

from archiver.archive import Query, Record
from archiver.archive.statements import (
    REASONS,
    RejectionNote,
    RejectionRequest,
    standing_notes,
    undecided_notes,
)
from archiver.objects import concepts
from archiver.web.audit import ACCESSED, CHANGED
from archiver.web.auth.visitor import visitor_of
from archiver.web.bodies import Form, form_of
from archiver.web.http_errors import Refused
from archiver.web.pages.record.side_confirmation import record_of
from archiver.web.pages.take_in.examined_sides import read_who
from archiver.workflow import heed, reject, revoke

if TYPE_CHECKING:
    from archiver.web.app import Site

#: Keeping times are judged by rules, which the verb is given.
_REASONS = tuple(reason for reason in REASONS if reason != "retention")
_LONGEST = 1000


@dataclass(frozen=True)
class RejectionQuestion:
    """An instance, and what can be said about its rejection.

    Parameters
    ----------
    record
        The instance.
    notes
        Those by which it is rejected now.
    waiting
        What it is itself where it is a rejection note that nobody has decided about.
    named
        What that note names and this archive has.
    """

    record: Record
    notes: tuple[RejectionNote, ...]
    waiting: RejectionNote | None
    named: tuple[Record, ...]


def routes(site: Site) -> list[BaseRoute]:
    """Return the routes about rejections."""
    pages = _Rejection(site)
    path = "/record/rejection/{uid}"
    return [
        site.route(path, pages.ask, may="reject"),
        site.route(path, pages.carry_out, may="reject", methods=["POST"]),
    ]


def question(site: Site, uid: str) -> RejectionQuestion:
    """Return what can be said about the rejection of an instance.

    Raises
    ------
    Refused
        404 where there is no such instance.
    """
    record = record_of(site, uid)
    if record is None:
        raise Refused(404, "errors.no_picture")
    notes = tuple(standing_notes(site.archive, uid)) if record.rejected else ()
    # Its study tells all that a note may name; what is elsewhere it names in vain.
    waiting = next((one for one in undecided_notes(site.archive) if one.uid == uid), None)
    named: tuple[Record, ...] = ()
    if waiting is not None:
        of_study = site.archive.query(Query(study_uid=record.study_uid, include_rejected=True))
        meant = set(waiting.selection.uids)
        named = tuple(one for one in of_study if one.sop_instance_uid in meant)
    return RejectionQuestion(record, notes, waiting, named)


class _Rejection:
    def __init__(self, site: Site) -> None:
        self._site = site

    def ask(self, request: Request) -> Response:
        """Show an instance, and what can be said about its rejection."""
        asked = question(self._site, str(request.path_params["uid"]))
        study = asked.record.study_uid
        self._site.note(request, ACCESSED, studies={study: 1}, detail="rejection form")
        shown = [one for one in (asked.record, *asked.named) if one.columns]
        return self._site.page(
            request,
            "record/rejection.html",
            asked=asked,
            labels=self._site.pictures.labels(shown),
            reasons=_REASONS,
            qualities=concepts.QUALITY_REASONS.values(),
        )

    def carry_out(self, request: Request) -> Response:
        """Note what the visitor says, and tell the peers that have what it is about."""
        uid, form = str(request.path_params["uid"]), form_of(request)
        asked = question(self._site, uid)
        who, words = visitor_of(request).name, form.get("words")[:_LONGEST]
        by, now, archive = read_who(who), self._site.clock(), self._site.archive
        what = form.get("what")
        if what == "reject":
            reject(archive, _request(uid, form, words, by), now)
        elif what == "revoke":
            revoke(archive, uid, words, by, now)
        elif what == "heed":
            heed(archive, uid, by, now)
        else:
            raise Refused(400, "errors.malformed")
        study = asked.record.study_uid
        done = {"reject": "rejected", "revoke": "rejection revoked", "heed": "rejection heeded"}
        self._site.note(request, CHANGED, studies={study: 1}, detail=done[what])
        return RedirectResponse(f"/record/rejection/{uid}", 303)


def _request(uid: str, form: Form, words: str, by: str) -> RejectionRequest:
    reason = form.get("reason")
    if reason not in _REASONS:
        raise Refused(400, "record.reject_why")
    codes = form.all("because") if reason == "quality" else []
    known = concepts.QUALITY_REASONS
    because = tuple(known[code] for code in codes if code in known)
    return RejectionRequest((uid,), REASONS[reason], because, words, by)
