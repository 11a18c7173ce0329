"""Objects brought into the archive from the pages: files that somebody has, what a peer has."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute

from archiver.archive import Query
from archiver.archive.ingest import FILE_NAMES, add_files
from archiver.errors import Problem
from archiver.network import Peer
from archiver.network.node import MINOR
from archiver.web.audit import DONE, QUERY, RECEIVED
from archiver.web.auth.visitor import visitor_of
from archiver.web.bodies import body_into, form_of
from archiver.web.http_errors import Refused
from archiver.web.language import in_words

if TYPE_CHECKING:
    from archiver.web.app import Site
    from archiver.web.tasks import Progress

_LONGEST = 64


def routes(site: Site) -> list[BaseRoute]:
    """Return the routes by which objects are brought."""
    pages = _Bringing(site)
    return [
        site.route("/record/bring", pages.show, may="take in"),
        site.route("/record/bring/file", pages.keep, may="take in", methods=["POST"]),
        site.route("/record/bring/peer", pages.retrieve, may="take in", methods=["POST"]),
        site.route("/record/bring/{task}", pages.retrieving, may="take in"),
    ]


class _Bringing:
    def __init__(self, site: Site) -> None:
        self._site = site

    def _peers(self) -> dict[str, Peer]:
        return {one.name: one for one in self._site.practice.peers} if self._site.practice else {}

    def show(self, request: Request) -> Response:
        """Ask for files, or whom to retrieve from."""
        return self._site.page(request, "record/bring.html", peers=sorted(self._peers()))

    async def keep(self, request: Request) -> Response:
        """Keep one file, as it is; tell what became of it."""
        site, limit = self._site, self._site.node.limits.object_bytes
        with tempfile.TemporaryDirectory(prefix="archiver-") as folder:
            path = Path(folder) / "object"
            with path.open("wb") as file:
                await body_into(request, file, limit)
            classes = site.node.storage_classes
            report = await run_in_threadpool(add_files, site.archive, [path], more_classes=classes)
        # The file itself; behind it stands what a DICOMDIR lists, which is not here.
        found = report.results[0]
        fate = FILE_NAMES[found.outcome]
        kept = found.outcome is not None and fate in ("added", "duplicate")
        site.note(request, RECEIVED, detail=f"import: {fate}", outcome=DONE if kept else MINOR)
        why = [_describe_problem(found.problem)] if found.problem else []
        words = site.t(f"record.bring_{fate}")
        return site.answer({"words": words, "problems": why, "kept": kept})

    def retrieve(self, request: Request) -> Response:
        """Begin to fetch what a peer has of a patient."""
        form = form_of(request)
        peer, patient = self._peers().get(form.get("peer")), form.get("patient_id")[:_LONGEST]
        if peer is None or not patient:
            raise Refused(400, "record.bring_whose")
        try:
            since = date.fromisoformat(form.get("since")) if form.get("since") else None
        except ValueError:
            raise Refused(400, "errors.malformed") from None
        query = Query(patient_id=patient, since=since)
        found = self._site.tasks.start(
            visitor_of(request), lambda progress: self._fetched(peer, query, progress)
        )
        self._site.note(request, QUERY, detail=f"retrieval from {peer.name}")
        return RedirectResponse(f"/record/bring/{found.id}", 303)

    def _fetched(self, peer: Peer, query: Query, progress: Progress) -> dict[str, Any]:
        from archiver.network.client import HeaderCache, ask, fetch_records
        from archiver.network.outbox import note_holder

        site = self._site
        progress(0, 0, "record.bring_asking", peer=peer.name)
        with tempfile.TemporaryDirectory(prefix="archiver-") as name:
            folder = Path(name)
            with HeaderCache(folder / "headers") as cache:
                records = ask(peer, query, cache).records
            progress(0, len(records), "record.bring_fetching", peer=peer.name)
            (folder / "files").mkdir()
            fetched = fetch_records(peer, records, folder / "files", progress)
            progress.check()
            classes = site.node.storage_classes
            report = add_files(site.archive, fetched.files.values(), more_classes=classes)
        note_holder(site.archive.layout.root, peer.name, fetched.files)
        problems = [
            *fetched.problems,
            *(_describe_problem(one, Path(str(one.place.file)).name) for one in report.problems),
        ]
        return {
            "peer": peer.name,
            "matched": len(records),
            "fates": report.by_name(),
            "problems": problems,
        }

    def retrieving(self, request: Request) -> Response:
        """Show how far a retrieval is, or what became of it."""
        task = self._site.tasks.of(request)
        if task.ended.is_set() and task.result:
            return self._site.page(request, "record/brought.html", told=task.result)
        title, back = self._site.t("record.bring_running"), "/record/bring"
        return self._site.page(request, "record/running.html", task=task, title=title, back=back)


def _describe_problem(problem: Problem, name: str = "") -> str:
    """Return the words of a problem, its file called as it is known outside the server."""
    return in_words(problem.with_places(replace(problem.place, file=name)))
