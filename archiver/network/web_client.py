"""The services that we use of other archives by DICOMweb (PS3.18): STOW-RS, QIDO-RS, WADO-RS.

Questions and metadata go through the package ``dicomweb-client``. Whole objects do not: it parses
and encodes them anew, and an object has to arrive as it left, byte for byte. They go over the
same session, written and read here.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from email.message import Message
from pathlib import Path
from typing import Any

import requests
from dicomweb_client import DICOMwebClient
from pydicom import Dataset
from requests.adapters import HTTPAdapter

from archiver.errors import ArchiverError, NetworkError, ObjectError, Problem, RefusedForGood
from archiver.network.parcels import Parcel, Result, Sent
from archiver.network.peers import WebPeer
from archiver.network.statuses import Category, Service, status_of
from archiver.network.tls import client_context

_CHUNK = 1 << 18
#: Words of an HTTP status (PS3.18 8.5, RFC 9110 15), and whether it can pass by itself.
_WORDS = {
    400: ("it finds the request badly formed", False),
    401: ("it does not accept our credentials", True),
    403: ("it does not allow it to us", True),
    404: ("it has no such thing there", True),
    406: ("it has it in no form that we take", False),
    408: ("it waited too long for us", True),
    409: ("it refuses what was sent", False),
    410: ("it has it no more", False),
    413: ("it finds it too large", False),
    415: ("it does not take objects of this kind", False),
    429: ("it has too many requests at present", True),
    500: ("it failed", True),
    502: ("it failed behind a gateway", True),
    503: ("it has no room at present", True),
    504: ("it was silent behind a gateway", True),
    507: ("it has no room left", True),
}
#: Answers to one request of QIDO-RS; more are fetched page by page.
_PAGE = 500
_MOST_ANSWERS = 20_000
_DICOM = 'multipart/related; type="application/dicom"; transfer-syntax=*'


class _Verified(HTTPAdapter):
    """Connections by our own TLS settings."""

    def __init__(self, peer: WebPeer) -> None:
        self._peer = peer
        super().__init__()

    def init_poolmanager(self, *arguments: Any, **named: Any) -> None:
        named["ssl_context"] = client_context(self._peer.tls, self._peer.place)
        if self._peer.tls.host:
            named["assert_hostname"] = named["server_hostname"] = self._peer.tls.host
        super().init_poolmanager(*arguments, **named)


class _Bearer(requests.auth.AuthBase):
    def __init__(self, token: str) -> None:
        self._token = token

    def __call__(self, request: requests.PreparedRequest) -> requests.PreparedRequest:
        request.headers["Authorization"] = f"Bearer {self._token}"
        return request


@dataclass(frozen=True)
class WebLink:
    """A session with a peer.

    Parameters
    ----------
    peer
        With whom.
    session
        Holds the connections.
    client
        Asks over it.
    """

    peer: WebPeer
    session: requests.Session
    client: DICOMwebClient

    @property
    def patience(self) -> tuple[float, float]:
        """Seconds until the connection stands, and for each answer."""
        return self.peer.limits.connect, self.peer.limits.answer


@contextmanager
def open_web_link(peer: WebPeer) -> Iterator[WebLink]:
    """Make a session; connections are opened when they are needed.

    Raises
    ------
    UsageError
        If the credentials or TLS files cannot be read.
    """
    session = requests.Session()
    # Neither a proxy nor a file of passwords of whoever runs us may come in between.
    session.trust_env = False
    session.verify = str(peer.tls.authorities) if peer.tls.authorities else True
    session.mount("https://", _Verified(peer))
    if peer.token is not None:
        session.auth = _Bearer(peer.token.read())
    elif peer.password is not None:
        session.auth = (peer.user, peer.password.read())
    patience = peer.limits.connect, peer.limits.answer
    with session:
        client = DICOMwebClient(peer.url, session=session, timeout=patience, permissive_uid=True)
        client.set_http_retry_params(retry=False)
        yield WebLink(peer, session, client)


def echo(peer: WebPeer) -> None:
    """Ask the peer whether it is there, by a search for one study.

    Raises
    ------
    NetworkError
        If it cannot be reached, refuses, or answers what is no answer.
    """
    with open_web_link(peer) as link, _told(peer):
        link.client.search_for_studies(limit=1)


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
    matched = {keyword: value for keyword, value in keys.items() if value}
    fields = [keyword for keyword, value in keys.items() if not value]
    found: list[Dataset] = []
    with _told(link.peer):
        while len(found) < _MOST_ANSWERS:
            page = {"limit": _PAGE, "offset": len(found)}
            named: dict[str, Any] = {"search_filters": matched, "fields": fields or None, **page}
            if level == "studies":
                answers = link.client.search_for_studies(**named)
            elif level == "series":
                answers = link.client.search_for_series(study, **named)
            else:
                answers = link.client.search_for_instances(study, series, **named)
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
    with _told(link.peer):
        answer = link.client.retrieve_instance_metadata(study, series, instance)
        return Dataset.from_json(answer, lambda *_: None)


def send(peer: WebPeer, parcels: Sequence[Parcel]) -> Iterator[Result]:
    """Send objects, one to a request, each result as it comes.

    Yields
    ------
    tuple
        The object, and the peer's answer or why there is none.
    """
    given_up: ArchiverError | None = None
    with open_web_link(peer) as link:
        for parcel in parcels:
            if given_up is not None:
                yield parcel, given_up
                continue
            try:
                yield parcel, _store(link, parcel)
            except (RefusedForGood, ObjectError) as error:
                yield parcel, error
            except NetworkError as error:
                given_up = error
                yield parcel, error


class _Body:
    """A multipart body of one object, read from its file while it is sent."""

    def __init__(self, parcel: Parcel, boundary: str) -> None:
        self._head = f"--{boundary}\r\nContent-Type: application/dicom\r\n\r\n".encode()
        self._tail = f"\r\n--{boundary}--\r\n".encode()
        self._path = parcel.path
        self._size = parcel.path.stat().st_size

    def __len__(self) -> int:
        return len(self._head) + self._size + len(self._tail)

    def __iter__(self) -> Iterator[bytes]:
        yield self._head
        left = self._size
        with self._path.open("rb") as file:
            while left and (chunk := file.read(min(left, _CHUNK))):
                left -= len(chunk)
                yield chunk
        yield self._tail


def _store(link: WebLink, parcel: Parcel) -> Sent:
    boundary = uuid.uuid4().hex
    try:
        body = _Body(parcel, boundary)
    except OSError as error:
        said = (error.strerror or str(error)).lower()
        raise ObjectError(Problem(f"the file cannot be read: {said}", str(parcel.path))) from None
    headers = {
        "Content-Type": f'multipart/related; type="application/dicom"; boundary={boundary}',
        "Accept": "application/dicom+json",
    }
    with _told(link.peer):
        answer = link.session.post(
            f"{link.peer.url}/studies", data=body, headers=headers, timeout=link.patience
        )
        # 200, 202 and 409 tell of each instance (PS3.18 10.5.3).
        if answer.status_code not in (200, 202, 409):
            answer.raise_for_status()
            raise NetworkError(
                Problem(f"the peer answers {answer.status_code} to an object", link.peer.place)
            )
        told = Dataset.from_json(answer.json()) if answer.content else Dataset()
    return _sent(link, parcel, told, answer.status_code)


def _sent(link: WebLink, parcel: Parcel, told: Dataset, code: int) -> Sent:
    """Read what the answer says of this instance (PS3.18 Annex I.2)."""
    for item in told.get("FailedSOPSequence") or ():
        if item.get("ReferencedSOPInstanceUID") in (None, "", parcel.sop_instance):
            status = status_of(Service.STORE, int(item.get("FailureReason") or 0xC000))
            if status.category is not Category.FAILURE:
                status = status_of(Service.STORE, 0xC000)
            return Sent(status, parcel.transfer_syntax, False)
    for item in told.get("ReferencedSOPSequence") or ():
        if item.get("ReferencedSOPInstanceUID") == parcel.sop_instance:
            status = status_of(Service.STORE, int(item.get("WarningReason") or 0))
            return Sent(status, parcel.transfer_syntax, False)
    raise NetworkError(
        Problem(f"the peer answers {code} and says nothing of the object", link.peer.place)
    )


def fetch(link: WebLink, study: str, series: str, instance: str, path: Path) -> None:
    """Fetch an instance into a file, in the form in which the peer keeps it (PS3.18 10.4).

    Raises
    ------
    NetworkError
        If the peer cannot be reached, refuses, or answers what is no object.
    OSError
        If the file cannot be written.
    """
    url = f"{link.peer.url}/studies/{study}/series/{series}/instances/{instance}"
    with _told(link.peer):
        answer = link.session.get(url, headers={"Accept": _DICOM}, timeout=link.patience)
        answer.raise_for_status()
        whole = _only_part(answer.headers.get("Content-Type", ""), answer.content)
    if whole[128:132] != b"DICM":
        raise NetworkError(Problem("the peer answers what is no DICOM object", link.peer.place))
    path.write_bytes(whole)


def _only_part(content_type: str, body: bytes) -> bytes:
    """Return the first part of a multipart body; a body that has none as it is."""
    message = Message()
    message["Content-Type"] = content_type
    boundary = message.get_boundary()
    if message.get_content_maintype() != "multipart" or not boundary:
        return body
    marker = b"--" + boundary.encode()
    start = body.find(marker)
    head_end = body.find(b"\r\n\r\n", start)
    end = body.find(b"\r\n" + marker, head_end)
    if start < 0 or head_end < 0 or end < 0:
        raise ValueError("a part is not closed")
    return body[head_end + 4 : end]


@contextmanager
def _told(peer: WebPeer) -> Iterator[None]:
    """Turn what the HTTP library raises into words, once."""
    try:
        yield
    except requests.exceptions.SSLError as error:
        reason = re.search(r"certificate verify failed: ([^(]*)", str(error))
        said = f": {reason.group(1).strip()}" if reason else ""
        found = f"the peer's certificate is not accepted{said}" if reason else "TLS was not agreed"
        raise NetworkError(Problem(found, peer.place)) from error
    except requests.exceptions.ConnectTimeout as error:
        found = f"nothing answers within {peer.limits.connect:g} s"
        raise NetworkError(Problem(found, peer.place)) from error
    except requests.exceptions.Timeout as error:
        found = f"the peer was silent for {peer.limits.answer:g} s"
        raise NetworkError(Problem(found, peer.place)) from error
    except requests.exceptions.HTTPError as error:
        raise _http_error(peer, error) from error
    except requests.exceptions.ConnectionError as error:
        found = "it cannot be reached, or ended the connection"
        raise NetworkError(Problem(found, peer.place)) from error
    except requests.exceptions.RequestException as error:
        raise NetworkError(Problem(f"the request failed: {error}", peer.place)) from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        found = "the peer's answer cannot be understood"
        raise NetworkError(Problem(found, peer.place)) from error


def _http_error(peer: WebPeer, error: requests.exceptions.HTTPError) -> NetworkError:
    code = error.response.status_code if error.response is not None else 0
    words, passes = _WORDS.get(code, ("it does not say why", code >= 500))
    kind = NetworkError if passes else RefusedForGood
    return kind(Problem(f"the peer refuses: {words} (HTTP {code})", peer.place))
