"""Any instance as a picture for the browser, in display orientation, at a few sizes."""

from __future__ import annotations

import io
import re
import threading
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from cachetools import LRUCache
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute

from archiver.archive import Record
from archiver.archive.statements import FOLDER, is_withheld
from archiver.errors import ArchiverError
from archiver.network.node import Event
from archiver.web.auth.visitor import visitor_of
from archiver.web.http_errors import Refused
from archiver.web.labels import Label, doubted, label_of
from archiver.wording import Text

if TYPE_CHECKING:
    from archiver.archive.statements import KeptDoubt
    from archiver.objects import Description
    from archiver.web.site_context import SiteContext

#: Longer sides that are made; a wish is rounded up to the next.
SIDES = (160, 320, 640, 1280, 2560)
#: Bytes of pictures, and descriptions, that are kept in memory.
_PICTURES, _DESCRIPTIONS = 96 << 20, 4096
_UID = re.compile(r"[0-9][0-9.]{0,63}")
#: The same person looking at the same study again within that time is one view.
_ONE_VIEW = timedelta(minutes=10)
_QUALITY = 88
#: A decoded photograph takes a hundred megabytes on the way; as many at once as there are cores.
_A_FEW = threading.Semaphore(2)


_Doubts: TypeAlias = "Mapping[str, tuple[KeptDoubt, ...]]"


class Pictures:
    """Pictures and what is told of them, with a cache of bounded size."""

    def __init__(self, site: SiteContext) -> None:
        self._site = site
        self._guard = threading.Lock()
        self._made: LRUCache[tuple[str, int], bytes] = LRUCache(_PICTURES, len)
        self._described: LRUCache[str, Description] = LRUCache(_DESCRIPTIONS)
        self._findings: tuple[object, Mapping[str, Text | str], _Doubts] = ((), {}, {})
        self._seen: LRUCache[tuple[str, str], datetime] = LRUCache(_DESCRIPTIONS)

    def routes(self) -> list[BaseRoute]:
        """Return the route of the pictures."""
        return [self._site.route("/picture/{uid}", self._answer, may="look")]

    def description(self, uid: str, path: Path) -> Description:
        """Return what an instance says of itself; kept, as objects never change.

        Raises
        ------
        ObjectError
            If the file cannot be read.
        """
        from archiver.objects import describe, open_dataset

        with self._guard:
            found = self._described.get(uid)
        if found is not None:
            return found
        made = describe(open_dataset(path))
        with self._guard:
            self._described[uid] = made
        return made

    def label(self, record: Record) -> Label:
        """Return what is told of a picture.

        Raises
        ------
        ObjectError
            If the file cannot be read.
        """
        from archiver.priors import display_turn

        description = self.description(record.sop_instance_uid, Path(record.path))
        turn, edges = display_turn(description)
        size = (record.columns or 0, record.rows or 0)
        label = label_of(
            description,
            edges,
            size[::-1] if turn.swaps_sides else size,
            self._site.t,
            self._site.settings.numbering,
            getattr(record, "rejected", None) or "",
        )
        return self.with_finding(with_code(label, description, record.source_sha256))

    def with_finding(self, label: Label) -> Label:
        """Return a label that says so where a comparison found the picture the wrong way round."""
        if label.uid not in self.found_wrong():
            return label
        return doubted(label, self._site.t)

    def found_wrong(self) -> Mapping[str, Text | str]:
        """Return what the last comparison said, by instance, of those found the wrong way round.

        Raises
        ------
        ArchiveError
            If the findings are of a newer version.
        """
        return self._found()[1]

    def doubts(self, uid: str) -> tuple[KeptDoubt, ...]:
        """Return what spoke against a picture when it was archived, or last amended.

        Raises
        ------
        ArchiveError
            If the findings are of a newer version.
        """
        return self._found()[2].get(uid, ())

    def _found(self) -> tuple[object, Mapping[str, Text | str], _Doubts]:
        from archiver.archive.statements import kept_doubts
        from archiver.records.checks import failed_sides

        root = self._site.archive.layout.root
        files = sorted((root / FOLDER).glob("*.jsonl"))
        state = tuple((path.name, path.stat().st_size) for path in files)
        with self._guard:
            if self._findings[0] != state:
                told = {uid: one.detail for uid, one in failed_sides(root).items()}
                self._findings = (state, told, kept_doubts(root))
            return self._findings

    def labels(self, records: Sequence[Record]) -> list[Label]:
        """Return the labels of those of the records that can be read."""
        found = []
        for record in records:
            try:
                found.append(self.label(record))
            except ArchiverError:
                continue
        return found

    def jpeg(self, uid: str, path: Path, side: int) -> bytes:
        """Return a picture in display orientation.

        Raises
        ------
        ArchiverError
            If it cannot be shown.
        """
        key = (uid, side)
        with self._guard:
            found = self._made.get(key)
        if found is not None:
            return found
        with _A_FEW:
            made = _rendered(self.description(uid, path), path, side)
        # One that is larger than all room there is, is given and not kept.
        with self._guard, suppress(ValueError):
            self._made[key] = made
        return made

    def _answer(self, request: Request) -> Response:
        uid = str(request.path_params["uid"])
        held = self._site.archive.held([uid]).get(uid) if _UID.fullmatch(uid) else None
        if held is None:
            raise Refused(404, "errors.no_picture")
        with self._site.archive.reading() as connection:
            if is_withheld(connection, uid):
                raise Refused(404, "errors.no_picture")
        side = _side(request.query_params.get("side", ""))
        self.note_view(request, held.study_uid)
        # Objects never change, so what was asked for names the answer.
        tag = f'"{held.digest[:32]}-{side}-1"'
        headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
        if tag in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        try:
            made = self.jpeg(uid, self._site.archive.layout.path_of(held.path), side)
        except (ArchiverError, HTTPException):
            raise Refused(404, "errors.no_picture") from None
        return Response(made, media_type="image/jpeg", headers=headers)

    def note_view(self, request: Request, *studies: str) -> None:
        """Journal that a person looks at studies; again only after a while."""
        who, now = visitor_of(request).session.key, self._site.clock()
        new = []
        with self._guard:
            for study in dict.fromkeys(studies):
                before = self._seen.get((who, study))
                if before is None or now - before >= _ONE_VIEW:
                    new.append(study)
                    self._seen[who, study] = now
        if new:
            told = dict.fromkeys(new, 1)
            self._site.note(request, Event.ACCESSED, studies=told, detail="picture")


def with_code(label: Label, description: Description, source: str | None) -> Label:
    """Return the label of a valid picture with the code by which a confirmation names it."""
    from archiver.objects import code_of, shown_digest

    shown = "" if label.rejected else shown_digest(description, source)
    return replace(label, code=code_of(shown)) if shown else label


def _side(text: str) -> int:
    wanted = int(text) if text.isdigit() and len(text) < 6 else SIDES[1]
    return next((side for side in SIDES if side >= wanted), SIDES[-1])


def _rendered(description: Description, path: Path, side: int) -> bytes:
    if description.is_photograph:
        from PIL import Image

        from archiver.colour import as_srgb
        from archiver.priors import load

        shown = load(path, side)
        buffer = io.BytesIO()
        pixels = as_srgb(shown.pixels, shown.space)
        Image.fromarray(pixels).save(buffer, "JPEG", quality=_QUALITY)
        return buffer.getvalue()
    from archiver.network.node.dicomweb import Rendition, render

    return render(path, Rendition("image/jpeg", _QUALITY, (side, side)))
