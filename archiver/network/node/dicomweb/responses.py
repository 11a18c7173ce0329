"""Bodies of DICOMweb answers: datasets in JSON or XML; bodies whose beginning has to succeed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from archiver.errors import ArchiverError, ObjectError
from archiver.network.multipart import MultipartWriter
from archiver.network.node.dicomweb.content_negotiation import JSON, XML, dataset_media
from archiver.network.node.dicomweb.native_xml import to_xml
from archiver.network.node.dicomweb.resources import ROOT
from archiver.wording import Text


class RefusedRequest(HTTPException):
    """What ends a request; a worker process leaves the words to the one that answers.

    Parameters
    ----------
    status_code
        Of HTTP.
    text
        Why.
    """

    def __init__(self, status_code: int, text: Text) -> None:
        super().__init__(status_code, text.code)
        self.text = text


def refusal(status: int, code: str, /, **values: object) -> RefusedRequest:
    """Return what ends a request with a status and a text of the catalogue."""
    return RefusedRequest(status, Text(code, **values))


def media_for_datasets(request: Request) -> str:
    """Return the media type in which datasets are given.

    Raises
    ------
    HTTPException
        406 where the client takes neither.
    """
    media = dataset_media(request, several=True)
    if media is None:
        raise refusal(406, "network.web.datasets", json=JSON, xml=XML)
    return media


def datasets(told: list[dict[str, Any]], media: str) -> Response:
    """Return datasets as one array in JSON, or as a part each in XML (PS3.18 8.7.3.2)."""
    if media == JSON:
        return JSONResponse(told, media_type=JSON)
    writer = MultipartWriter(XML)
    parts = [piece for one in told for piece in writer.part(XML, iter([to_xml(one)]))]
    body = b"".join([*parts, writer.end()])
    return Response(body, headers={"Content-Type": writer.content_type})


def dataset(told: dict[str, Any], media: str | None, status: int) -> Response:
    """Return one dataset, in JSON where a client takes neither."""
    if media == XML:
        return Response(to_xml(told), status, media_type=XML)
    return JSONResponse(told, status, media_type=JSON)


def primed(body: Iterator[bytes]) -> Iterator[bytes]:
    """Make the first piece now, so that what fails at once still gets a status of its own."""
    first = next(body, b"")

    def whole() -> Iterator[bytes]:
        yield first
        yield from body

    return whole()


def status_of(error: ArchiverError) -> int:
    """Return 404 and 406 for what an object has not or cannot be given as, 500 for our own."""
    code = error.problems[0].code
    if code == "objects.stored_frames.not_there":
        return 404
    unreadable = code == "objects.dataset_reader.unreadable"
    return 406 if isinstance(error, ObjectError) and not unreadable else 500


def base_of(request: Request) -> str:
    """Return the address of the service as the client reaches it.

    Some clients leave the port out of the Host header although it is not the scheme's own; where
    they name the very address that we listen on, there is no proxy between that could mean it.
    """
    netloc = request.url.netloc
    host, port = request.scope.get("server") or ("", None)
    if netloc == host and port not in (None, 80, 443):
        netloc = f"{host}:{port}"
    return f"{request.url.scheme}://{netloc}{ROOT}"
