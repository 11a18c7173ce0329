"""Packages made from the pages: what leaves the clinic, for whom, and who takes what upon whom."""

from __future__ import annotations

import re
import secrets
import shutil
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import BaseRoute

from archiver.archive import Query, Record, without_twins
from archiver.objects import Purpose
from archiver.web.audit import ACCESSED, EXPORTED, QUERY
from archiver.web.auth.visitor import visitor_of
from archiver.web.bodies import form_of
from archiver.web.http_errors import Refused
from archiver.web.language import in_words
from archiver.web.pages.record.asked_visit import asked_visit
from archiver.web.pages.take_in.examined_sides import read_who
from archiver.web.visits import PhotographedDay

if TYPE_CHECKING:
    from archiver.handover import PackageOrder
    from archiver.web.app import Site
    from archiver.web.tasks import Progress

_LONGEST = 200
#: Seconds that a package can be had; it can be made again.
_KEPT = 24 * 3600.0
_NAME = re.compile(r"[0-9a-f]{32}")
#: What is done with pictures that something speaks against.
_REFUSE, _LEAVE_OUT, _STAMP = DOUBTFUL = ("refuse", "leave_out", "stamp")


def routes(site: Site) -> list[BaseRoute]:
    """Return the routes of packages."""
    pages = _Packages(site)
    path = "/record/package/{study}"
    return [
        site.route(path, pages.show, may="hand over"),
        site.route(path, pages.make, may="hand over", methods=["POST"]),
        site.route(f"{path}/{{task}}", pages.making, may="hand over"),
        site.route(f"{path}/{{task}}/download", pages.download, may="hand over"),
    ]


class _Packages:
    def __init__(self, site: Site) -> None:
        self._site = site
        self._folder: Path | None = None
        site.endings.append(self._forget_all)

    def show(self, request: Request) -> Response:
        """Ask what is to go, and for whom."""
        visit = asked_visit(self._site.archive, request)
        pictures = self._pictures(visit)
        self._site.note(
            request, ACCESSED, studies={visit.study: len(pictures)}, detail="package asked"
        )
        return self._site.page(
            request,
            "record/package.html",
            visit=visit,
            purposes=list(Purpose),
            doubtful=DOUBTFUL,
            pictures=self._site.pictures.labels(pictures),
        )

    def make(self, request: Request) -> Response:
        """Begin to make a package."""
        visit, form = asked_visit(self._site.archive, request), form_of(request)
        to, case = form.get("to")[:_LONGEST], form.get("case")[:_LONGEST]
        chosen, doubtful = frozenset(form.all("picture")), form.get("doubtful")
        try:
            purpose = Purpose(form.get("purpose"))
        except ValueError:
            raise Refused(400, "errors.malformed") from None
        if not to or not case or not chosen or doubtful not in DOUBTFUL:
            raise Refused(400, "record.package_lacks")
        from archiver.handover import PackageOrder

        order = PackageOrder(
            Query(patient_id=visit.patient_id, issuer=visit.issuer),
            purpose,
            case,
            to,
            self._new_file(),
            zipped=True,
            insisted_by=read_who(visitor_of(request).name) if doubtful == _STAMP else "",
            without_doubtful=doubtful == _LEAVE_OUT,
            with_faces=bool(form.get("faces")),
            uids=chosen,
            numbering=self._site.settings.numbering,
        )
        task = self._site.tasks.start(
            visitor_of(request), lambda progress: self._made(order, progress)
        )
        self._site.note(request, QUERY, studies={visit.study: len(chosen)}, detail="package begun")
        return RedirectResponse(f"/record/package/{visit.study}/{task.id}", 303)

    def _made(self, order: PackageOrder, progress: Progress) -> dict[str, Any]:
        from archiver.handover import hand_over

        progress(0, 0, "record.package_making")
        made = hand_over(self._site.archive, order, self._site.clock(), progress=progress)
        return {
            "name": order.target.stem,
            "case": made.case,
            "files": len(made.files),
            "left_out": [in_words(one) for one in made.left_out],
        }

    def making(self, request: Request) -> Response:
        """Show how far a package is, or where it can be had."""
        task = self._site.tasks.of(request)
        if task.ended.is_set() and task.result:
            where = f"{request.url.path}/download"
            return self._site.page(request, "record/packed.html", told=task.result, where=where)
        title, back = self._site.t("record.package_making"), request.url.path.rpartition("/")[0]
        return self._site.page(request, "record/running.html", task=task, title=title, back=back)

    def download(self, request: Request) -> Response:
        """Give a package to who had it made."""
        task = self._site.tasks.of(request)
        told = task.result or {}
        name = str(told.get("name", ""))
        path = (self._folder or Path()) / f"{name}.zip"
        if self._folder is None or not _NAME.fullmatch(name) or not path.is_file():
            raise Refused(404, "record.package_gone")
        study = str(request.path_params["study"])
        self._site.note(request, EXPORTED, studies={study: 1}, detail="package")
        return FileResponse(path, media_type="application/zip", filename=f"{told['case']}.zip")

    def _pictures(self, visit: PhotographedDay) -> list[Record]:
        """Return the photographs of a visit: as shot and corrected are one."""
        asked = Query(patient_id=visit.patient_id, issuer=visit.issuer, modality="XC")
        records = self._site.archive.query(asked)
        return without_twins([one for one in records if one.study_date == visit.date])

    def _new_file(self) -> Path:
        """Return where a package may appear: in nobody's sight but ours, and not for long."""
        if self._folder is None:
            self._folder = Path(tempfile.mkdtemp(prefix="archiver-packages-"))
        for old in self._folder.glob("*.zip"):
            with suppress(OSError):
                if time.time() - old.stat().st_mtime > _KEPT:
                    old.unlink()
        return self._folder / f"{secrets.token_hex(16)}.zip"

    def _forget_all(self) -> None:
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
