"""DICOMweb as one ASGI application: access, routes and answers (PS3.18 chapter 10)."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from archiver.access import FrontDoor, OfferedService
from archiver.archive.ingest import Validation
from archiver.archive.store import Archive
from archiver.errors import ArchiverError
from archiver.network.multipart import MultipartWriter
from archiver.network.node.audit import DONE, MINOR, SERIOUS, Event, Happening
from archiver.network.node.audit_trail import gathered_lines
from archiver.network.node.dicomweb.admission import Admission, address_of
from archiver.network.node.dicomweb.capabilities import described, described_paths
from archiver.network.node.dicomweb.content_negotiation import dataset_media, wishes
from archiver.network.node.dicomweb.health import health
from archiver.network.node.dicomweb.noted_answer import NotedAnswer
from archiver.network.node.dicomweb.openapi import PATH, openapi
from archiver.network.node.dicomweb.qido import BadQueryError, answers, web_query
from archiver.network.node.dicomweb.rendering import render, rendition
from archiver.network.node.dicomweb.resources import RESOURCES, ROOT, Action, Resource
from archiver.network.node.dicomweb.responses import (
    RefusedRequest,
    base_of,
    datasets,
    media_for_datasets,
    primed,
    refusal,
    status_of,
)
from archiver.network.node.dicomweb.stow import Stow, response
from archiver.network.node.dicomweb.wado import (
    RequestedInstance,
    bulk_value,
    frame_numbers,
    frames_of,
    instances,
    metadata,
    object_bytes,
    object_syntax,
)
from archiver.network.node.guests import BODY, TooMany
from archiver.network.node.health import NodeHealth
from archiver.network.node.incoming_file import IncomingFile
from archiver.network.node.ingest import NodeIngest
from archiver.network.node.observability import Figures, Log
from archiver.network.node.query.query_engine import BadQuestionError
from archiver.network.query_level import Level
from archiver.wording import Text
from archiver.workers import GUEST

if TYPE_CHECKING:
    from archiver.network.node.settings import NodeSettings

_WAY = "web"
#: What the node answers itself beside DICOMweb; the rest is for the pages, where there are any.
_OWN = {
    "/health": OfferedService.HEALTH,
    "/metrics": OfferedService.METRICS,
    ROOT: OfferedService.DICOMWEB,
}
#: What figures need, in the words of the roles.
OPERATE = "operate"
#: Makes the application of the pages, given what writes to the audit trail, and the door.
Pages = Callable[[Callable[[Happening], None], FrontDoor], ASGIApp]


class Application:
    """The ASGI application; `pages` makes what answers beside DICOMweb, health and figures."""

    def __init__(
        self,
        archive: Archive,
        settings: NodeSettings,
        storing: NodeIngest,
        validation: Validation,
        watch: tuple[Callable[[Happening], None], Log, Figures],
        door: FrontDoor,
        pages: Pages | None = None,
        *,
        wellness: NodeHealth,
    ) -> None:
        self._health_of = wellness
        self._storing = storing
        self._archive, self._settings, self._validation = archive, settings, validation
        self._tell, self._log, self._figures = watch
        self.admission = Admission(door, settings, watch)
        self._pages = None if pages is None else pages(self._tell, door)
        limits = settings.limits
        self._stow = Stow(storing, self._open, archive.layout.temporary, limits)
        ends = [(one, self._endpoint(one)) for one in RESOURCES]
        self._actions: dict[object, Action] = {end: one.action for one, end in ends}
        permitted = self.admission.route
        self._routes = Starlette(
            routes=[
                Route("/health", self._health),
                Route(PATH, lambda request: openapi(request, getattr(self._pages, "routes", ()))),
                permitted("/metrics", self._metrics, "GET", OPERATE),
                *[permitted(ROOT + r.path, end, r.method, r.permission) for r, end in ends],
                *[Route(path, described, methods=["OPTIONS"]) for path in described_paths()],
            ],
            exception_handlers={HTTPException: self._refused, ArchiverError: self._failed},
        )

    def _endpoint(self, resource: Resource) -> Callable[..., Any]:
        if resource.level is not None:
            return self._searching(resource.level)
        return {
            Action.STORE: self._store,
            Action.OBJECTS: self._objects,
            Action.METADATA: self._metadata,
            Action.RENDERED: self._rendered,
            Action.THUMBNAIL: self._thumbnail,
            Action.FRAMES: self._frames,
            Action.BULK: self._bulk,
            Action.FINDINGS: self._findings,
        }[resource.action]

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Let a request in or not, and count it."""
        if scope["type"] != "http":
            await self._routes(scope, receive, send)
            return

        async def counting(message: Any) -> None:
            if message["type"] == "http.response.start":
                self._figures.requests.labels(str(message["status"])).inc()
            await send(message)

        request = Request(scope)
        service = self._service(request)
        refusal = await self.admission.why_not(request, service)
        if refusal is not None:
            await refusal(scope, receive, counting)
            return
        answering = self._pages if service is OfferedService.PAGES else self._routes
        assert answering is not None
        self._figures.asked()
        GUEST.set(address_of(request))
        try:
            # A client that leaves while it sends is nobody's failure.
            noted = NotedAnswer(request, counting, gathered_lines())
            with self._body_of(request), contextlib.suppress(ClientDisconnect):
                await answering(scope, receive, noted)
        except TooMany as error:
            status = 429 if error.own else 503
            busy = PlainTextResponse(f"{Text('network.web.busy')}\n", status, {"Retry-After": "5"})
            await busy(scope, receive, counting)

    def _body_of(self, request: Request) -> contextlib.AbstractContextManager[None]:
        """Hold one of the bodies that may be on their way, where a request has one."""
        if request.method in ("GET", "HEAD"):
            return contextlib.nullcontext()
        return self._figures.guests.holding(BODY, address_of(request))

    def _service(self, request: Request) -> OfferedService:
        path = request.scope["path"]
        if path in _OWN:
            return _OWN[path]
        own = path.startswith(ROOT + "/") or self._pages is None
        return OfferedService.DICOMWEB if own else OfferedService.PAGES

    def _open(self) -> IncomingFile:
        self._storing.reserve.demand()
        return IncomingFile(self._archive.layout.temporary, self._settings.limits.object_bytes)

    # -- health and figures

    async def _health(self, request: Request) -> Response:
        # In a thread that no other request can take.
        return await asyncio.to_thread(health, self._health_of)

    def _metrics(self, request: Request) -> Response:
        return Response(self._figures.page(), media_type="text/plain; version=0.0.4")

    # -- STOW-RS

    async def _store(self, request: Request) -> Response:
        study = request.path_params.get("study", "")
        peer = _peer(request)
        if self._storing.reserve.is_reached():
            # Before the body comes: who sends keeps it and comes again (RFC 9110 15.6.4).
            raise refusal(503, "network.web.no_room")
        may_reject = self._settings.may_reject_by(request.state.caller)
        origin = f"STOW-RS from {peer}"
        scope = request.state.identity.scope
        outcome = await self._stow.take(request, study, origin, may_reject=may_reject, scope=scope)
        for one in outcome.kept:
            if one.status == 0:
                self._figures.received.labels(_WAY).inc()
                self._figures.received_bytes.labels(_WAY).inc(one.size if one.new else 0)
            else:
                self._figures.refused.labels(_WAY, f"{one.status:04X}").inc()
        failed = sum(one.status != 0 for one in outcome.kept)
        result = DONE if not failed else (MINOR if outcome.studies else SERIOUS)
        detail = f"STOW-RS, {failed} refused" if failed else "STOW-RS"
        title = self._settings.title
        self._tell(Happening(Event.RECEIVED, peer, title, result, outcome.studies, detail))
        self._log("stored", peer=peer, instances=len(outcome.kept) - failed, refused=failed)
        if doubtful := sum(one.in_doubt for one in outcome.kept):
            self._log("patient in doubt", peer=peer, instances=doubtful)
        for one in outcome.kept:
            if one.differing:
                status = f"{one.status:04X}"
                self._log("refused", peer=peer, status=status, differing=one.differing)
        media = dataset_media(request, several=False)
        answer = await run_in_threadpool(response, outcome, base_of(request), study, media)
        return _warned(answer, outcome.differing)

    # -- QIDO-RS

    def _searching(self, level: Level) -> Callable[[Request], Response]:
        def search(request: Request) -> Response:
            media = media_for_datasets(request)
            try:
                query = web_query(request, level)
                most, scope = self._settings.limits.headers, request.state.identity.scope
                found, left_out = answers(self._archive, query, base_of(request), most, scope)
            except (BadQueryError, BadQuestionError) as error:
                raise RefusedRequest(400, error.args[0]) from None
            asked = " ".join(
                k.keyword for k in query.question.keys if k.value not in (None, "", [])
            )
            detail = f"QIDO-RS {level.value}; answers: {len(found)}; {asked}"
            self._tell(Happening(Event.QUERY, _peer(request), self._settings.title, detail=detail))
            warnings = [*query.warnings, *left_out]
            answer = datasets(found, media) if found else Response(status_code=204)
            return _warned(answer, warnings)

        return search

    # -- WADO-RS

    def _found(self, request: Request, *, seen: bool = False) -> list[RequestedInstance]:
        """Return what a path names; what is withheld is never `seen`."""
        withheld = not seen and self._settings.shows_rejected_to(request.state.caller)
        scope = request.state.identity.scope
        return instances(self._archive, request.path_params, scope, withheld=withheld)

    def _sent(self, request: Request, found: list[RequestedInstance], what: str) -> None:
        studies: dict[str, int] = {}
        for one in found:
            studies[one.study] = studies.get(one.study, 0) + 1
        title, peer, detail = self._settings.title, _peer(request), f"WADO-RS {what}"
        self._tell(Happening(Event.SENT, title, peer, DONE, studies, detail, "", peer))

    def _objects(self, request: Request) -> Response:
        found = self._found(request)
        wished = wishes(request)
        chosen = [(one, object_syntax(one, wished)) for one in found]
        if any(syntax is None for _, syntax in chosen):
            raise refusal(406, "network.web.not_acceptable")
        single = len(found) == 1 and wished[0].name == "application/dicom"
        if single and not wished[0].multipart:
            one, syntax = chosen[0]
            kind = f"application/dicom; transfer-syntax={syntax}"
            begun = primed(object_bytes(one, syntax or ""))
            self._sent(request, found, "objects")
            return StreamingResponse(begun, media_type=kind)
        writer = MultipartWriter("application/dicom")

        def body() -> Iterator[bytes]:
            for one, syntax in chosen:
                kind = f"application/dicom; transfer-syntax={syntax}"
                yield from writer.part(kind, object_bytes(one, syntax or ""))
            yield writer.end()

        begun = primed(body())
        self._sent(request, found, "objects")
        return StreamingResponse(begun, headers={"Content-Type": writer.content_type})

    def _metadata(self, request: Request) -> Response:
        media = media_for_datasets(request)
        found = self._found(request)
        base = base_of(request)
        listed = [one for one in (metadata(i, base) for i in found) if one is not None]
        if not listed:
            raise refusal(500, "network.web.unreadable")
        self._sent(request, found, "metadata")
        return datasets(listed, media)

    def _frames(self, request: Request) -> Response:
        text = request.path_params.get("frames")
        numbers = frame_numbers(text) if text is not None else None
        one = self._found(request)[0]
        frames = frames_of(one, numbers, wishes(request))
        kind = frames.media.partition(";")[0]
        writer = MultipartWriter(kind)
        where = f"{base_of(request)}{one.where}/frames/"

        def body() -> Iterator[bytes]:
            for number, frame in zip(frames.numbers, frames.frames, strict=True):
                yield from writer.part(frames.media, frame, f"{where}{number}")
            yield writer.end()

        begun = primed(body())
        self._sent(request, [one], "frames")
        return StreamingResponse(begun, headers={"Content-Type": writer.content_type})

    def _bulk(self, request: Request) -> Response:
        if request.path_params["tag"].upper() == "7FE00010":
            return self._frames(request)
        one = self._found(request)[0]
        value = bulk_value(one, request.path_params["tag"])
        kind = "application/octet-stream"
        if not any(w.is_any or w.name in (kind, "application/*") for w in wishes(request)):
            raise refusal(406, "network.web.bulk", kind=kind)
        self._sent(request, [one], "bulk data")
        writer = MultipartWriter(kind)
        body = [*writer.part(kind, iter([value])), writer.end()]
        return Response(b"".join(body), headers={"Content-Type": writer.content_type})

    def _rendered(self, request: Request) -> Response:
        text = request.path_params.get("frames")
        numbers = frame_numbers(text) if text is not None else [1]
        how = rendition(request.query_params, wishes(request), thumbnail=False)
        found = self._found(request, seen=True)
        if len(found) == 1 and len(numbers) == 1:
            picture = render(found[0].path, how, numbers[0])
            self._sent(request, found, "rendered")
            return Response(picture, media_type=how.media)
        writer = MultipartWriter(how.media)

        def body() -> Iterator[bytes]:
            for one in found:
                for number in numbers:
                    yield from writer.part(how.media, iter([render(one.path, how, number)]))
            yield writer.end()

        begun = primed(body())
        self._sent(request, found, "rendered")
        return StreamingResponse(begun, headers={"Content-Type": writer.content_type})

    def _thumbnail(self, request: Request) -> Response:
        text = request.path_params.get("frames")
        number = frame_numbers(text)[0] if text is not None else 1
        how = rendition(request.query_params, wishes(request), thumbnail=True)
        found = self._found(request, seen=True)
        # One in the middle tells more of a series than its first, which may be a test shot.
        one = found[len(found) // 2]
        picture = render(one.path, how, number)
        self._sent(request, [one], "thumbnail")
        return Response(picture, media_type=how.media)

    def _findings(self, request: Request) -> Response:
        one = self._found(request, seen=True)[0]
        found = self._validation.findings(one.uid)
        if found is None:
            return JSONResponse({"validated": False}, 202)
        return JSONResponse({"validated": True, "findings": [f.as_json() for f in found]})

    # -- what went wrong

    def _refused(self, request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        self._audit_refusal(request, error.status_code)
        told = getattr(error, "text", error.detail)
        return PlainTextResponse(f"{told}\n", error.status_code, error.headers)

    def _failed(self, request: Request, error: Exception) -> Response:
        assert isinstance(error, ArchiverError)
        status = status_of(error)
        self._audit_refusal(request, status)
        return PlainTextResponse(f"{error.problems[0].found}\n", status)

    def _audit_refusal(self, request: Request, status: int) -> None:
        """Tell of a request that was let in and not met; what it asked for is not told."""
        title, peer = self._settings.title, _peer(request)
        if (action := self._actions.get(request.scope.get("endpoint"))) is None:
            return
        detail = f"{action.service} {action.value} refused {status}"
        if action is Action.SEARCH or action is Action.STORE:
            event = Event.QUERY if action is Action.SEARCH else Event.RECEIVED
            self._tell(Happening(event, peer, title, MINOR, detail=detail))
        else:
            self._tell(Happening(Event.SENT, title, peer, MINOR, None, detail, "", peer))


def _warned(answer: Response, warnings: Iterable[Text]) -> Response:
    """Add what is told beside a body (RFC 9111 5.5: miscellaneous persistent warning)."""
    for words in warnings:
        told = str(words).encode("latin-1", "replace").decode("latin-1")
        answer.headers.append("Warning", f'299 archiver "{told}"')
    return answer


def _peer(request: Request) -> str:
    return f"{request.state.who}@{address_of(request)}"
