"""What an archived photograph says is put right on the stage of *Take in*: shown, then done."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute

from archiver.archive.statements import (
    Amendable,
    AmendmentRequest,
    AmendmentSettings,
    NewPatient,
    amendable,
)
from archiver.dentition import Direction, Operator, View, direction_of, parse_teeth
from archiver.errors import ObjectError
from archiver.objects import FLIPS, Change, Crop, subject
from archiver.photo import Edges
from archiver.web.audit import ACCESSED, CHANGED
from archiver.web.auth.visitor import visitor_of
from archiver.web.bodies import Form, form_of
from archiver.web.http_errors import Refused
from archiver.web.pages.record.side_confirmation import record_of
from archiver.web.pages.take_in.examined_sides import read_who
from archiver.web.pages.take_in.turn_table import turns
from archiver.wording import Text
from archiver.workflow import Amended, amend

if TYPE_CHECKING:
    from archiver.web.app import Site

_LONGEST = 200
_MIRROR = {"yes": True, "no": False}
#: What a form says, and is asked again about once it has been shown what follows.
_FIELDS = (
    *("teeth", "view", "mirror", "top", "flipped", "crop", "comment"),
    *("patient_id", "patient_name", "words"),
)
#: What a form says where a crop is taken away.
_UNCROPPED = "none"
_LARGE, _QUALITY = 1600, 88


def routes(site: Site) -> list[BaseRoute]:
    """Return the routes by which photographs are put right."""
    pages = _Amending(site)
    path = "/record/amend/{uid}"
    return [
        site.route(path, pages.ask, may="reject"),
        site.route(path, pages.carry_out, may="reject", methods=["POST"]),
        site.route(path + "/stored", pages.stored, may="reject"),
    ]


class _Amending:
    def __init__(self, site: Site) -> None:
        self._site = site

    def ask(self, request: Request) -> Response:
        """Ask what is right."""
        return self._page(request, dict.fromkeys(_FIELDS, ""), None)

    def stored(self, request: Request) -> Response:
        """Return the photograph as shot, as its pixels are stored, for the page to turn."""
        from PIL import Image

        from archiver.colour import as_srgb
        from archiver.photo import turned
        from archiver.priors import load

        shot = record_of(self._site, self._amendable(request).uid)
        if shot is None or shot.rejected:
            raise Refused(404, "errors.no_picture")
        self._site.pictures.note_view(request, shot.study_uid)
        shown = load(Path(shot.path), _LARGE)
        pixels = turned(as_srgb(shown.pixels, shown.space), shown.turn.inverse.value)
        buffer = io.BytesIO()
        Image.fromarray(pixels).save(buffer, "JPEG", quality=_QUALITY)
        headers = {"Cache-Control": "private, no-cache"}
        return Response(buffer.getvalue(), media_type="image/jpeg", headers=headers)

    @property
    def _edges(self) -> Edges:
        practice = self._site.practice
        return practice.edges if practice and practice.edges else "trim"

    def _amendable(self, request: Request) -> Amendable:
        return amendable(self._site.archive, str(request.path_params["uid"]), self._edges)

    def carry_out(self, request: Request) -> Response:
        """Show what would follow, or do it once that has been seen."""
        site, form = self._site, form_of(request)
        uid, who = str(request.path_params["uid"]), visitor_of(request).name
        settings = AmendmentSettings(site.clock(), self._edges)
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
            stage=self._stage(request),
            views=list(View),
            tops=[direction.word for direction in Direction],
            flips=list(FLIPS),
            given=given,
            shown=_shown(given),
            amended=amended,
            follows=_describe_amendment(amended) if amended else (),
        )

    def _stage(self, request: Request) -> str:
        """Return what the stage shows, in JSON; empty where it cannot be shown there."""
        try:
            found = self._amendable(request)
        except ObjectError:
            return ""  # why is said when what follows is asked for
        entry, plan = found.says.photograph, found.says.plan
        said = {
            "view": entry.view.value,
            "mirror": entry.mirror,
            "teeth": [tooth.iso for tooth in entry.teeth],
            "lingual_fronts": entry.lingual_fronts.value,
            # What is at the top follows from a camera before the face and from `exif`.
            "operator": Operator.FRONT.value,
            "crop": vars(entry.crop) if entry.crop is not None else None,
        }
        columns, rows = found.cut.size
        shape = {"columns": columns, "rows": rows, "block": found.cut.grid, "exif": plan.exif}
        shown = {"uid": str(request.path_params["uid"]), "edges": self._edges, "turns": turns()}
        return json.dumps({**shown, **shape, "said": said})


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
            top=direction_of(form.get("top")) if form.get("top") else None,
            crop=_crop(form.get("crop")[:_LONGEST]),
            uncropped=form.get("crop") == _UNCROPPED,
            comment=form.get("comment")[:_LONGEST] or None,
        )
    except ValueError:
        raise Refused(400, "errors.malformed") from None
    name = form.get("patient_name")[:_LONGEST] or None
    person = NewPatient(patient, name=name) if patient else None
    return AmendmentRequest(uid, change, person, remark=form.get("words")[:_LONGEST], by=by)


def _crop(text: str) -> Crop | None:
    """Read a crop: left, top, width and height in pixels of the whole picture as shown.

    Raises
    ------
    ValueError
        If it is none.
    """
    if text in ("", _UNCROPPED):
        return None
    left, top, width, height = (int(number) for number in text.split(","))
    return Crop(left, top, width, height)


def _describe_amendment(amended: Amended) -> tuple[Text, ...]:
    """Say what was wrong, and what the photograph would say."""
    after = amended.amendment.after
    path = Text("cli.amend.mirrored" if after.photograph.mirror else "cli.amend.direct")
    how = after.plan.correction.text
    wrong = [Text("cli.amend.wrong", mistake=one.text) for one in amended.amendment.found]
    return (*wrong, Text("cli.amend.now", what=subject(after.plan), path=path, how=how))
