"""The services that we use of other archives by DICOMweb (PS3.18): STOW-RS, QIDO-RS, WADO-RS."""

from __future__ import annotations

import json
import logging
import ssl
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import certifi
import httpx
from pydicom import Dataset

from archiver.errors import NetworkError, Place, Problem, RefusedForGood
from archiver.network.multipart import (
    BadMultipartError,
    MultipartReader,
    PartEnds,
    media_type,
)
from archiver.network.peers import WebPeer
from archiver.network.tls import client_context
from archiver.wording import Text

_CHUNK = 1 << 18
#: Words of an HTTP status (PS3.18 8.5, RFC 9110 15), and whether it can pass by itself.
_REASONS = {
    400: ("bad_request", False),
    401: ("credentials", True),
    403: ("not_allowed", True),
    404: ("not_there", True),
    405: ("no_service", True),
    406: ("no_form", False),
    408: ("waited", True),
    409: ("refuses", False),
    410: ("no_more", True),
    413: ("too_large", False),
    415: ("kind", False),
    429: ("too_many", True),
    500: ("failed", True),
    502: ("gateway", True),
    503: ("busy", True),
    504: ("gateway_silent", True),
    507: ("full", True),
}
#: Where the url of the settings may be the mistake.
_NOT_THE_BASE = (404, 405)
_BASE = Text("network.dicomweb.base")
#: Answers to one request of QIDO-RS; more are fetched page by page.
_PAGE = 500
_MOST_ANSWERS = 20_000
#: Bytes of an answer in JSON; a page of answers has some hundred thousand.
_LONGEST_ANSWER = 64 << 20
_JSON = "application/dicom+json, application/json"
_DICOM = 'multipart/related; type="application/dicom"; transfer-syntax=*'


class NothingThere(NetworkError):
    """The peer answers, and has nothing under that address."""


@dataclass(frozen=True)
class WebLink:
    """A session with a peer.

    Parameters
    ----------
    peer
        With whom.
    client
        Holds the connections.
    """

    peer: WebPeer
    client: httpx.Client


@contextmanager
def open_web_link(peer: WebPeer) -> Iterator[WebLink]:
    """Make a session; connections are opened when they are needed.

    No redirection is followed: credentials and what is asked are for the address of the settings.

    Raises
    ------
    UsageError
        If the credentials or TLS files cannot be read.
    """
    # What they log is told by our own errors, and could name what was asked.
    for name in ("httpx", "httpcore"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    auth: httpx.Auth | None = None
    headers = {}
    if peer.token is not None:
        headers["Authorization"] = f"Bearer {peer.token.read()}"
    elif peer.password is not None:
        auth = httpx.BasicAuth(peer.user, peer.password.read())
    limits = peer.limits
    with httpx.Client(
        auth=auth,
        headers=headers,
        verify=_context(peer),
        timeout=httpx.Timeout(limits.answer, connect=limits.connect),
        # Neither a proxy nor a file of passwords of whoever runs us may come in between.
        trust_env=False,
        event_hooks={"request": [lambda request: _expect_host(peer, request)]},
    ) as client:
        yield WebLink(peer, client)


def _context(peer: WebPeer) -> ssl.SSLContext:
    context = client_context(peer.tls, Place(peer=peer.place))
    if peer.tls.authorities is None:
        # Not every system keeps a list that Python finds.
        context.load_verify_locations(certifi.where())
    return context


def _expect_host(peer: WebPeer, request: httpx.Request) -> None:
    """Have the certificate be that of the host that the settings name."""
    if peer.tls.host:
        request.extensions["sni_hostname"] = peer.tls.host


def echo(peer: WebPeer) -> None:
    """Ask the peer whether it is there, by a search for one study.

    Raises
    ------
    NetworkError
        If it cannot be reached, refuses, or answers what is no answer.
    """
    with open_web_link(peer) as link, translated_errors(peer):
        _answers(link, "studies", {"limit": "1"})


def search(
    link: WebLink, study: str | None, series: str | None, level: str, keys: Mapping[str, str]
) -> list[Dataset]:
    """Ask for studies, series or instances (PS3.18 10.6), page by page.

    Parameters
    ----------
    link
        The session.
    study, series
        Within which; None for all.
    level
        ``studies``, ``series`` or ``instances``.
    keys
        What must match; an empty text asks for the attribute to be returned.

    Raises
    ------
    NetworkError
        If the peer cannot be reached, refuses, or answers what is no answer.
    """
    place = level
    if series is not None:
        place = f"series/{series}/{place}"
    if study is not None:
        place = f"studies/{study}/{place}"
    asked: dict[str, str | list[str]] = {k: value for k, value in keys.items() if value}
    asked["includefield"] = [keyword for keyword, value in keys.items() if not value]
    found: list[Dataset] = []
    with translated_errors(link.peer):
        while len(found) < _MOST_ANSWERS:
            page = {"limit": str(_PAGE), "offset": str(len(found))}
            answers = _answers(link, place, {**asked, **page})
            found += [Dataset.from_json(answer) for answer in answers]
            if len(answers) < _PAGE:
                break
    return found


def metadata(link: WebLink, study: str, series: str, instance: str) -> Dataset:
    """Return an instance's attributes without its bulk data (PS3.18 10.4.1.1.5).

    Raises
    ------
    NetworkError
        As `search`.
    """
    with translated_errors(link.peer):
        place = f"studies/{study}/series/{series}/instances/{instance}/metadata"
        (answer,) = _answers(link, place, {})
        return Dataset.from_json(answer, lambda *_: None)


def _answers(link: WebLink, place: str, asked: dict[str, str | list[str]]) -> list[dict[str, Any]]:
    """Return the data sets that the peer has under an address; none where it answers nothing."""
    url = f"{link.peer.url}/{place}"
    with link.client.stream("GET", url, params=asked, headers={"Accept": _JSON}) as response:
        refuse(link.peer, response)
        body = bytearray()
        for piece in response.iter_bytes():
            body += piece
            if len(body) > _LONGEST_ANSWER:
                problem = Problem("network.dicomweb.too_long", most=_LONGEST_ANSWER >> 20)
                raise NetworkError(problem.at(peer=link.peer.place))
    told = json.loads(body) if body else []
    # The standard wants a list (PS3.18 F.2.1); some answer what there is only one of without it.
    answers = [told] if isinstance(told, dict) else told
    if not isinstance(answers, list):
        raise ValueError("neither a data set nor a list")
    return answers


def fetch(link: WebLink, study: str, series: str, instance: str, path: Path) -> None:
    """Fetch an instance into a file, in the form in which the peer keeps it (PS3.18 10.4).

    It is written as it comes; where it breaks off, nothing is left.

    Raises
    ------
    NetworkError
        If the peer cannot be reached, refuses, or answers what is no object.
    OSError
        If the file cannot be written.
    """
    url = f"{link.peer.url}/studies/{study}/series/{series}/instances/{instance}"
    part = path.with_name(path.name + ".part")
    try:
        with (
            part.open("wb") as file,
            translated_errors(link.peer),
            link.client.stream("GET", url, headers={"Accept": _DICOM}) as response,
        ):
            refuse(link.peer, response)
            kind = response.headers.get("Content-Type", "")
            for piece in first_part(kind, response.iter_bytes(_CHUNK)):
                file.write(piece)
        if not _is_object(part):
            raise NetworkError(Problem("network.dicomweb.no_object").at(peer=link.peer.place))
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _is_object(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(132)[128:] == b"DICM"


def first_part(content_type: str, pieces: Iterable[bytes]) -> Iterator[bytes]:
    """Yield the first part of a multipart body (RFC 2046 5.1.1); one that has none as it is.

    Raises
    ------
    BadMultipartError
        If the part is not closed.
    """
    kind = media_type(content_type)
    boundary = kind.parameters.get("boundary")
    if not kind.name.startswith("multipart/") or not boundary:
        yield from pieces
        return
    reader = MultipartReader(boundary)
    for piece in pieces:
        for event in reader.feed(piece):
            if isinstance(event, PartEnds):
                return
            if isinstance(event, bytes):
                yield event
    raise BadMultipartError("a part is not closed")


@contextmanager
def translated_errors(peer: WebPeer) -> Iterator[None]:
    """Turn what the HTTP library raises into words, once."""
    try:
        yield
    except httpx.ConnectTimeout as error:
        problem = Problem("network.connection.nothing_answers", seconds=f"{peer.limits.connect:g}")
        raise NetworkError(problem.at(peer=peer.place)) from error
    except httpx.TimeoutException as error:
        problem = Problem("network.connection.silent", seconds=f"{peer.limits.answer:g}")
        raise NetworkError(problem.at(peer=peer.place)) from error
    except httpx.ConnectError as error:
        raise NetworkError(_not_connected(error).at(peer=peer.place)) from error
    except (httpx.NetworkError, httpx.RemoteProtocolError) as error:
        # The second is also what a connection that ends before its time is called.
        raise NetworkError(Problem("network.connection.unreachable").at(peer=peer.place)) from error
    except (httpx.HTTPError, httpx.InvalidURL) as error:
        problem = Problem("network.dicomweb.request_failed", reason=str(error))
        raise NetworkError(problem.at(peer=peer.place)) from error
    except (BadMultipartError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise NetworkError(
            Problem("network.dicomweb.not_understood", base=_BASE).at(peer=peer.place)
        ) from error


def _not_connected(error: BaseException) -> Problem:
    """Say why there is no connection; what TLS objected to lies among the causes."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, ssl.SSLCertVerificationError):
            reason = cause.verify_message.rstrip(".")
            return Problem("network.connection.certificate", reason=reason)
        if isinstance(cause, ssl.SSLError):
            return Problem("network.connection.no_tls")
        cause = cause.__cause__ or cause.__context__
    return Problem("network.connection.unreachable")


def refuse(peer: WebPeer, response: httpx.Response) -> None:
    """Raise what a status says, unless it is that of an answer.

    Raises
    ------
    NothingThere, RefusedForGood, NetworkError
        By what can still become of the request.
    """
    if response.is_success:
        return
    code = response.status_code
    reason, passes = _REASONS.get(code, ("unsaid", code < 400 or code >= 500))
    if response.has_redirect_location:
        reason = "elsewhere"
    kind = NetworkError if passes else RefusedForGood
    if code in (404, 410):
        kind = NothingThere
    base = _BASE if code in _NOT_THE_BASE or response.has_redirect_location else None
    said = Text(f"network.dicomweb.reason.{reason}")
    problem = Problem("network.dicomweb.refused", reason=said, status=code, base=base)
    raise kind(problem.at(peer=peer.place))
