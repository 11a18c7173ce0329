"""What the page of a draft asks of the server: its state, uploads, changes, archiving."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

from starlette.requests import Request
from starlette.responses import Response

from archiver.archive.ingest import IngestSettings, check_patient, patient_doubt, patient_notes
from archiver.errors import InputError, MeaningError, PhotoError
from archiver.photo import read_size
from archiver.vision import QualityLimits
from archiver.web.audit import CHANGED, RECEIVED
from archiver.web.auth.visitor import visitor_of
from archiver.web.bodies import json_of
from archiver.web.files import unchanged_or
from archiver.web.http_errors import Refused
from archiver.web.language import in_words
from archiver.web.pages.take_in import photo_entry
from archiver.web.pages.take_in.archiving_task import ArchivingRun, archive_draft
from archiver.web.pages.take_in.conflicts import conflicts
from archiver.web.pages.take_in.draft_changes import apply
from archiver.web.pages.take_in.draft_doubts import DraftDoubt, DraftDoubts, Weighable, doubt_rows
from archiver.web.pages.take_in.draft_feeds import DraftFeeds
from archiver.web.pages.take_in.draft_retakes import DraftRetakes
from archiver.web.pages.take_in.draft_store import Drafts, NoDraft, Open
from archiver.web.pages.take_in.drafts import ARCHIVED, Draft, Photo, in_order
from archiver.web.pages.take_in.examined_sides import (
    DraftAuthor,
    examined_of,
    is_bound,
    unconfirmed,
)
from archiver.web.pages.take_in.required_views import wanted
from archiver.web.pages.take_in.sheet import NotReady, patient_of_draft, session_of
from archiver.web.pages.take_in.step_words import describe_step
from archiver.web.pages.take_in.upload import (
    Arrival,
    shown_name,
    small_picture,
    take_body,
    take_file,
)
from archiver.web.pages.take_in.watched_folders import Taken, WatchedFolders
from archiver.web.tasks import Progress, Task

if TYPE_CHECKING:
    from archiver.web.app import Site

#: Changes of one draft by one person within that time are one event of the audit trail.
_ONE_WORK = timedelta(minutes=10)
_MOST_PICTURES = 1000
_CACHE = "private, no-cache"


class Drafting:
    """Answers what the modules of the page ask.

    Parameters
    ----------
    site
        The pages.
    """

    def __init__(self, site: Site) -> None:
        self._site = site
        self.drafts = Drafts(site.folder("drafts"), site.clock)
        self.doubts = DraftDoubts(site.archive, site.log_failure)
        self.feeds = DraftFeeds()
        self.retakes = DraftRetakes(site.log_failure, lambda one: self.feeds.wake(one.draft.id))
        quality = site.practice.quality if site.practice is not None else {}
        self._limits = QualityLimits.changed(quality)
        self.folders = WatchedFolders(
            site.settings.folders,
            site.folder("drafts").with_name("receiving.json"),
            self._take_file,
            self.feeds.wake,
            site.log_failure,
        )
        site.endings += [self.folders.close, self.retakes.close, self.doubts.close]
        self._tasks: dict[str, Task] = {}
        self._noted: dict[tuple[str, str, str], datetime] = {}
        # Small pictures are made by as many threads as there are cores, and one more, so that
        # none of them waits for a thread that waits for the disk.
        self._pool = ThreadPoolExecutor((os.cpu_count() or 1) + 1, "small pictures")

    @property
    def habits(self) -> Mapping[str, object]:
        """The practice's own defaults of a photograph."""
        practice = self._site.practice
        found: Mapping[str, object] = practice.defaults if practice is not None else {}
        return found

    @property
    def edges(self) -> str:
        """What is done at an incomplete block."""
        practice = self._site.practice
        return str(practice.edges) if practice is not None else "trim"

    def author(self, who: str) -> DraftAuthor:
        """Return who changes a draft now, with the practice's ways."""
        return DraftAuthor(who, self._site.clock(), self.habits, self.edges)

    def opened(self, request: Request) -> Open:
        """Return the draft that a path names.

        Raises
        ------
        Refused
            404 where there is none.
        """
        try:
            return self.drafts.get(str(request.path_params["draft"]))
        except NoDraft:
            raise Refused(404, "take_in.no_draft") from None

    def _take_file(self, draft: str, path: Path) -> Taken:
        """Take a file of a watched folder, and judge it."""
        try:
            opened = self.drafts.get(draft)
        except NoDraft:
            return Taken.OVER
        if opened.draft.state == ARCHIVED or len(opened.photos) >= _MOST_PICTURES:
            return Taken.OVER
        if self._is_busy(opened):
            return Taken.LATER
        photo = take_file(opened, path, self._site.clock())
        self.retakes.judge(opened, photo)
        return Taken.KEPT

    # -- state

    def state(self, request: Request) -> Response:
        """Return all of a draft."""
        opened = self.opened(request)
        return self._site.answer(self._state(opened, opened.photos))

    def _state(self, opened: Open, photos: Mapping[str, Photo]) -> dict[str, Any]:
        """Return a draft with the pictures that are given, as values that JSON has."""
        draft = opened.draft
        task = self._tasks.get(draft.id)
        return {
            "id": draft.id,
            "revision": draft.revision,
            "state": draft.state,
            "patient": draft.patient,
            "visit": draft.visit,
            "same_person": draft.same_person,
            "whose": self._whose(draft),
            "consent": draft.consent,
            "study": draft.study,
            "rules": draft.rules,
            "teeth": draft.teeth,
            "stage": draft.stage,
            "wanted": wanted(draft, opened.photos),
            "task": task.id if task is not None and not task.ended.is_set() else None,
            "undo": describe_step(self._site.t, opened, opened.undoable),
            "redo": describe_step(self._site.t, opened, opened.redoable),
            "order": [photo.digest for photo in in_order(opened.photos)],
            "pictures": {
                digest: self._photo_json(opened, photo) for digest, photo in photos.items()
            },
        }

    def _whose(self, draft: Draft) -> dict[str, Any]:
        """Return what the archive has against the patient: what stops, and what to look at."""
        patient = patient_of_draft(draft)
        if patient is None:
            return {"doubt": None, "notes": []}
        archive = self._site.archive
        study = draft.study.get("study_uid", "")
        doubt = patient_doubt(archive, patient, study)
        notes = [in_words(note) for note in patient_notes(archive, patient)]
        return {"doubt": in_words(doubt) if doubt else None, "notes": notes}

    def _photo_json(self, opened: Open, photo: Photo) -> dict[str, Any]:
        draft, about = opened.draft, opened.draft.of_photo(photo.digest)
        table = photo.to_json()
        table["result"] = draft.results.get(photo.digest)
        seen = examined_of(draft, photo, self.author(""))
        # A draft of an earlier version may have a confirmation that is bound to nothing.
        table["said"] = about if is_bound(about, seen) else unconfirmed(about)
        table["shown"] = seen.to_json() if seen is not None else None
        weighed = self._weighed(opened, photo)
        table["doubts"] = doubt_rows(weighed, about, self.habits) if weighed is not None else None
        table["again"] = self.again(opened, photo)
        return {**table, **photo_entry.judged(about, photo, self.habits)}

    def again(self, opened: Open, photo: Photo) -> list[str] | None:
        """Return why a picture had better be taken again, and what helps; None if not judged."""
        found = self.retakes.known(opened, photo)
        if found is None:
            return None
        about = opened.draft.of_photo(photo.digest)
        findings = found.findings(about, photo.exif, self._limits)
        return [self._site.t(f"take_in.again_{name}") for name in findings]

    def _weighed(self, opened: Open, photo: Photo) -> tuple[DraftDoubt, ...] | None:
        """Return what speaks against what is said; None, and weighed from now on, if not known."""
        one = Weighable.of(opened, opened.draft, photo, self.habits)
        found = self.doubts.known(one) if one is not None else None
        if one is not None and found is None:
            self.doubts.weigh(one)
        return found

    # -- pictures

    async def upload(self, request: Request) -> Response:
        """Take one file, written to the disk as it comes."""
        opened = self._changeable(request)
        try:
            photo = await self.photo_of(request, opened)
        except PhotoError as error:
            return self.refused(error)
        self._note(request, opened, "pictures into a draft")
        return self._site.answer({"picture": self._photo_json(opened, photo)}, 201)

    async def photo_of(self, request: Request, opened: Open) -> Photo:
        """Take the file that is a request's body into a draft.

        Raises
        ------
        PhotoError
            If it is no picture, is damaged or too large, or is not what its name says.
        """
        if len(opened.photos) >= _MOST_PICTURES:
            raise Refused(413, "take_in.too_many", n=_MOST_PICTURES)
        name = shown_name(unquote(request.headers.get("x-file-name", ""), errors="replace"))
        with Arrival(opened) as arrival:
            told = request.headers.get("content-length", "")
            arrival.check(int(told) if told.isdigit() and len(told) < 20 else 0)
            await take_body(request, arrival)
            loop, now = asyncio.get_running_loop(), self._site.clock()
            return await loop.run_in_executor(self._pool, arrival.keep, name, now)

    def picture(self, request: Request) -> Response:
        """Return a small picture, in stored orientation."""
        opened = self.opened(request)
        photo = opened.photos.get(str(request.path_params["digest"]))
        if photo is None:
            raise Refused(404, "take_in.no_picture")
        try:
            octets = small_picture(opened, photo, large="large" in request.query_params)
        except (PhotoError, FileNotFoundError):
            raise Refused(404, "take_in.no_picture") from None
        return unchanged_or(request, octets, "image/jpeg", _CACHE)

    # -- changes

    async def change(self, request: Request) -> Response:
        """Keep a change, whole or not at all, and answer with what follows from it."""
        opened = self._changeable(request)
        change = await json_of(request, 1 << 20)
        if not isinstance(change, dict):
            raise Refused(400, "errors.malformed")
        who = visitor_of(request).name if visitor_of(request).may("confirm") else ""
        answer = await asyncio.to_thread(self._change, opened, change, who)
        if answer.status_code == 200:
            if "confirm" in change:
                self._site.note(request, CHANGED, detail="side confirmed in a draft")
            else:
                self._note(request, opened, "draft changed")
        return answer

    def _change(self, opened: Open, change: dict[str, Any], who: str) -> Response:
        with opened.guard:
            draft = opened.draft
            if change.get("revision") != draft.revision:
                return self._late(opened, change)
            now = self._site.clock()
            if change.get("undo") or change.get("redo"):
                opened.undo(now, again=bool(change.get("redo")))
                return self._site.answer(self._state(opened, opened.photos))
            try:
                new = apply(draft, opened.photos, change, self.author(who))
            except MeaningError as error:
                return self.refused(error)
            opened.change(new, now)
            touched = {d for d in new.said if new.said[d] is not draft.said.get(d)}
            return self._site.answer(
                self._state(opened, {d: opened.photos[d] for d in touched if d in opened.photos})
            )

    def _late(self, opened: Open, change: dict[str, Any]) -> Response:
        """Tell a window that another one was faster, and where the two say different things."""
        before = opened.at(change.get("revision"))
        over = None
        if before is not None:
            over = list(conflicts(before, opened.draft, opened.photos, change))
        told = {
            "problems": [self._site.t("take_in.changed_elsewhere")],
            "state": self._state(opened, opened.photos),
            "conflicts": over,
        }
        return self._site.answer(told, 409)

    def discard(self, request: Request) -> Response:
        """Throw a draft away."""
        opened = self.opened(request)
        if self._is_busy(opened):
            raise Refused(409, "take_in.busy")
        whole = opened.draft.state == ARCHIVED
        self.folders.end(opened.draft.id)
        self.drafts.discard(opened)
        words = "draft closed, all of it archived" if whole else "draft thrown away"
        self._site.note(request, CHANGED, detail=words)
        return self._site.answer({"where": "/take-in"})

    # -- archiving

    def archive(self, request: Request) -> Response:
        """Begin to archive a draft, or tell what is still wrong with it."""
        opened = self._changeable(request)
        visitor = visitor_of(request)
        with opened.guard:
            if self._is_busy(opened):
                raise Refused(409, "take_in.busy")
            try:
                session, photos = session_of(
                    opened, opened.draft, size_of=read_size, habits=self.habits
                )
            except NotReady as lacking:
                return self._site.answer(
                    {"problems": lacking.general, "pictures": lacking.of_photos}, 422
                )
            try:
                check_patient(self._site.archive, session, self._settings())
            except InputError as error:
                lines = [in_words(problem) for problem in error.problems]
                return self._site.answer({"problems": lines, "pictures": {}}, 422)
            run = ArchivingRun(opened, session, photos, self._settings())

            def work(progress: Progress) -> object:
                told = archive_draft(run, self._site.archive, progress)
                if opened.draft.state == ARCHIVED:
                    self.folders.end(opened.draft.id)
                return told

            task = self._site.tasks.start(visitor, work, others="take in")
            self._tasks[opened.draft.id] = task
        self._site.note(request, RECEIVED, detail=f"archiving of a draft; pictures: {len(photos)}")
        return self._site.answer({"task": task.id})

    def _settings(self) -> IngestSettings:
        return IngestSettings(
            self._site.clock,
            edges="lossless" if self.edges == "lossless" else "trim",
            workers=os.cpu_count() or 1,
        )

    # -- within

    def _note(self, request: Request, opened: Open, words: str) -> None:
        """Tell the audit trail that a person works on a draft, once in a while."""
        key, now = (visitor_of(request).session.key, opened.draft.id, words), self._site.clock()
        last = self._noted.get(key)
        if last is None or now - last > _ONE_WORK:
            self._noted[key] = now
            self._site.note(request, CHANGED, detail=words)

    def _is_busy(self, opened: Open) -> bool:
        task = self._tasks.get(opened.draft.id)
        return task is not None and not task.ended.is_set()

    def _changeable(self, request: Request) -> Open:
        return self.check_changeable(self.opened(request))

    def check_changeable(self, opened: Open) -> Open:
        """Return a draft that may change.

        Raises
        ------
        Refused
            409 where it is archived, or is being.
        """
        if self._is_busy(opened):
            raise Refused(409, "take_in.busy")
        if opened.draft.state == ARCHIVED:
            raise Refused(409, "take_in.archived_already")
        return opened

    def refused(self, error: InputError) -> Response:
        """Tell what cannot be so."""
        lines = [in_words(problem) for problem in error.problems]
        return self._site.answer({"problems": lines}, 422)
