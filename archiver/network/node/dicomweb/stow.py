"""STOW-RS (PS3.18 10.5): objects that come by web, streamed to disk part by part."""

from __future__ import annotations

import asyncio
import time
import uuid
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydicom import Dataset
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from archiver.access import Scope
from archiver.archive.store import Aside
from archiver.errors import ObjectError
from archiver.network.multipart import (
    BadMultipartError,
    MediaType,
    MultipartReader,
    PartBegins,
    PartEnds,
    media_type,
)
from archiver.network.node import answers
from archiver.network.node.dicomweb.composition import METADATA, Composition, Failed, compose_all
from archiver.network.node.dicomweb.content_negotiation import IMAGE_SYNTAXES, JSON, XML
from archiver.network.node.dicomweb.responses import RefusedRequest, dataset, refusal
from archiver.network.node.dimse.messages import Fault
from archiver.network.node.incoming_file import IncomingFile, Stretch, TooLargeError
from archiver.network.node.ingest import IngestResult, NodeIngest
from archiver.objects import Description
from archiver.wording import Text
from archiver.workers import shared_pool

if TYPE_CHECKING:
    from archiver.network.node.limits import NodeLimits

_DICOM = "application/dicom"
_PICTURES = ("image/png", "image/gif", "image/jpeg", "image/bmp", "image/tiff", "image/webp")


@dataclass
class StowPart:
    """A part of the body on the disk.

    Parameters
    ----------
    media, location
        Its Content-Type and Content-Location.
    arrived
        Its file, or why there is none.
    begin
        Where it begins in a file that has other parts before it.
    """

    media: MediaType
    location: str
    arrived: IncomingFile | Fault
    begin: int = 0

    def stretch(self) -> Stretch | None:
        """Return what came last of its file, None where there is none."""
        if not isinstance(self.arrived, IncomingFile):
            return None
        return Stretch(self.arrived.path, self.begin, self.arrived.size - self.begin)


@dataclass
class StowResult:
    """What became of all objects of a request.

    Parameters
    ----------
    kept
        In the order in which they came.
    """

    kept: list[IngestResult] = field(default_factory=list)

    @property
    def studies(self) -> dict[str, int]:
        """Instances stored, by study."""
        found: dict[str, int] = {}
        for one in self.kept:
            if one.status == answers.SUCCESS and one.description:
                uid = one.description.study_uid
                found[uid] = found.get(uid, 0) + 1
        return found

    @property
    def http_status(self) -> int:
        """200 all stored, 202 some, 409 none (PS3.18 10.5.3.1)."""
        good = sum(one.status == answers.SUCCESS for one in self.kept)
        if good == len(self.kept):
            return 200
        return 202 if good else 409

    @property
    def differing(self) -> list[Text]:
        """In which attributes objects differ from what is kept under their UIDs."""
        return list(
            dict.fromkeys(
                Text("network.ingest.differing", attributes=one.differing)
                for one in self.kept
                if one.differing
            )
        )

    def dataset(self, base: str, study: str) -> Dataset:
        """Return the Store Instances Response Module (PS3.18 annex I)."""
        found = Dataset()
        studies = list(self.studies)
        only = study or (studies[0] if len(studies) == 1 else "")
        found.RetrieveURL = f"{base}/studies/{only}" if only else None
        good, failed, others = [], [], []
        for one in self.kept:
            item = Dataset()
            if one.description is None:
                item.FailureReason = one.status
                others.append(item)
                continue
            d = one.description
            item.ReferencedSOPClassUID = d.sop_class_uid or None
            item.ReferencedSOPInstanceUID = d.sop_instance_uid or None
            if one.status == answers.SUCCESS:
                where = f"/studies/{d.study_uid}/series/{d.series_uid}"
                item.RetrieveURL = f"{base}{where}/instances/{d.sop_instance_uid}"
                good.append(item)
            else:
                item.FailureReason = one.status
                failed.append(item)
        if good:
            found.ReferencedSOPSequence = good
        if failed:
            found.FailedSOPSequence = failed
        if others:
            found.OtherFailuresSequence = others
        return found


class Stow:
    """Takes requests to store.

    Parameters
    ----------
    storing
        Keeps what arrives.
    open_reception
        Opens a file for a part.
    folder
        Of what is on its way in.
    limits
        What a request may take.
    """

    def __init__(
        self,
        storing: NodeIngest,
        open_reception: Callable[[], IncomingFile],
        folder: Path,
        limits: NodeLimits,
    ) -> None:
        self._storing = storing
        self._open = open_reception
        self._folder = folder
        self._limits = limits

    async def take(
        self, request: Request, study: str, origin: str, *, may_reject: bool, scope: Scope
    ) -> StowResult:
        """Read a body and keep what is in it.

        Parameters
        ----------
        study
            The study that the path names; objects of others are refused.
        origin
            From where it came, for the journal.
        may_reject
            Whether a rejection note of the sender counts.
        scope
            Of the sender; nothing beyond it is kept.

        Raises
        ------
        HTTPException
            400 for a malformed body, 408, 413 and 415.
        """
        media = media_type(request.headers.get("content-type", ""))
        kind = media.parameters.get("type", _DICOM).lower()
        if media.name in IMAGE_SYNTAXES or media.name in _PICTURES or kind in _PICTURES:
            raise refusal(415, "network.web.without_metadata", json=JSON)
        if media.name != "multipart/related":
            raise refusal(415, "network.web.multipart")
        if kind not in (_DICOM, JSON, XML):
            raise refusal(415, "network.web.parts", kinds=(_DICOM, JSON), last=XML)
        accept = partial(_of_study, study) if study else _any_study
        keep = partial(self._keep, origin=origin, may_reject=may_reject, scope=scope, accept=accept)
        outcome = StowResult()
        set_aside: list[tuple[MediaType, str, Stretch | None]] = []
        # However many parts come that only make objects together, they lie in one file.
        shared = None if kind == _DICOM else IncomingFile(self._folder, self._limits.request_bytes)
        try:
            reader = MultipartReader(media.parameters.get("boundary", ""), self._limits.parts)
            async for part in self._parts(request, reader, shared):
                if kind != _DICOM:
                    set_aside.append((part.media, part.location, part.stretch()))
                elif part.media.name not in (_DICOM, ""):
                    _discard([part])
                    outcome.kept.append(
                        IngestResult(answers.CANNOT_UNDERSTAND, Text("network.ingest.no_object"))
                    )
                else:
                    outcome.kept.append(await keep(part.arrived))
            if set_aside:
                for one in await run_in_threadpool(self._compose, set_aside):
                    made = one if isinstance(one, IngestResult) else await keep(one)
                    outcome.kept.append(made)
        except BadMultipartError as error:
            if not outcome.kept:
                raise RefusedRequest(400, error.args[0]) from error
            outcome.kept.append(IngestResult(answers.CANNOT_UNDERSTAND, *error.args))
        finally:
            if shared is not None:
                shared.discard()
        if not outcome.kept:
            raise refusal(400, "network.web.no_parts")
        return outcome

    async def _keep(self, arrived: IncomingFile | Aside | Fault, **how: Any) -> IngestResult:
        work = partial(self._storing.keep, arrived, sop_class="", sop_instance="", **how)
        return await run_in_threadpool(work)

    def _compose(
        self, parts: list[tuple[MediaType, str, Stretch | None]]
    ) -> list[Aside | IngestResult]:
        """Have a worker make the objects: what describes them may be anything."""
        metadata: list[tuple[str, Stretch]] = []
        bulk: dict[str, tuple[MediaType, Stretch]] = {}
        for media, location, stretch in parts:
            if stretch is None:
                return [
                    IngestResult(answers.OUT_OF_RESOURCES, Text("network.ingest.part_too_large"))
                ]
            if media.name in METADATA:
                metadata.append((media.name, stretch))
            else:
                bulk[location] = (media, stretch)
        limits, mark = self._limits, uuid.uuid4().hex
        task = Composition(
            metadata,
            bulk,
            self._folder,
            mark,
            limits.object_bytes,
            limits.parts,
            limits.attributes,
            limits.nesting,
        )
        try:
            made = shared_pool().run(compose_all, ObjectError, task)
        except ObjectError as error:
            for left in self._folder.glob(f"{mark}*"):
                left.unlink(missing_ok=True)
            return [IngestResult(answers.OUT_OF_RESOURCES, error.problems[0].with_places())]
        return [IngestResult(*one) if isinstance(one, Failed) else one for one in made]

    async def _parts(
        self, request: Request, reader: MultipartReader, shared: IncomingFile | None
    ) -> AsyncIterator[StowPart]:
        """Yield parts when they are whole; the file of one that breaks off is removed."""
        current: StowPart | None = None
        try:
            async for piece in self._body(request):
                for event in reader.feed(piece):
                    if isinstance(event, PartBegins):
                        kind = media_type(event.headers.get("content-type", ""))
                        location = event.headers.get("content-location", "")
                        begin = 0 if shared is None else shared.size
                        arrived = shared or self._open_safely()
                        current = StowPart(kind, location, arrived, begin)
                    elif isinstance(event, PartEnds):
                        if current is not None:
                            whole, current = current, None
                            yield whole
                    elif current is not None and isinstance(current.arrived, IncomingFile):
                        current.arrived = _written_or_fault(current.arrived, event)
            reader.close()
        finally:
            if current is not None:
                _discard([current])

    def _open_safely(self) -> IncomingFile | Fault:
        try:
            return self._open()
        except OSError as error:
            return error

    async def _body(self, request: Request) -> AsyncIterator[bytes]:
        """Yield the body within its limits."""
        count = 0
        stream = request.stream().__aiter__()
        until = time.monotonic() + 60 * self._limits.network_seconds
        while True:
            try:
                piece = await asyncio.wait_for(anext(stream), self._limits.network_seconds)
            except StopAsyncIteration:
                return
            except TimeoutError:
                raise refusal(408, "network.web.too_slow") from None
            count += len(piece)
            if count > self._limits.request_bytes:
                raise refusal(413, "network.web.too_large")
            if time.monotonic() > until:
                raise refusal(408, "network.web.too_slow")
            yield piece


def _written_or_fault(reception: IncomingFile, piece: bytes) -> IncomingFile | Fault:
    try:
        reception.write(piece)
    except (OSError, TooLargeError) as fault:
        reception.discard()
        return fault
    return reception


def _of_study(study: str, description: Description) -> Text | None:
    return None if description.study_uid == study else Text("network.ingest.other_study")


def _any_study(description: Description) -> None:
    return None


def _discard(parts: list[StowPart]) -> None:
    for part in parts:
        if isinstance(part.arrived, IncomingFile):
            part.arrived.discard()


def response(outcome: StowResult, base: str, study: str, media: str | None) -> Response:
    """Return the answer to a request to store."""
    told: dict[str, Any] = outcome.dataset(base, study).to_json_dict()
    return dataset(told, media, outcome.http_status)
