"""The services that we use of other archives by DICOMweb (PS3.18): STOW-RS, QIDO-RS, WADO-RS.

Questions and metadata go through the package ``dicomweb-client``. Whole objects do not: it parses
and encodes them anew, and an object has to arrive as it left, byte for byte. They go over the
same session, written and read here.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from email.message import Message
from pathlib import Path
from typing import Any

import requests
from dicomweb_client import DICOMwebClient
from pydicom import Dataset
from requests.adapters import HTTPAdapter
from requests.auth import HTTPBasicAuth

from archiver.errors import NetworkError, Problem, RefusedForGood
from archiver.network.peers import WebPeer
from archiver.network.tls import client_context

_CHUNK = 1 << 18
#: Words of an HTTP status (PS3.18 8.5, RFC 9110 15), and whether it can pass by itself.
_WORDS = {
    400: ("it finds the request badly formed", False),
    401: ("it does not accept our credentials", True),
    403: ("it does not allow it to us", True),
    404: ("it has no such thing there", True),
    405: ("it has no such service there", True),
    406: ("it has it in no form that we take", False),
    408: ("it waited too long for us", True),
    409: ("it refuses what was sent", False),
    410: ("it has it no more", True),
    413: ("it finds it too large", False),
    415: ("it does not take objects of this kind", False),
    429: ("it has too many requests at present", True),
    500: ("it failed", True),
    502: ("it failed behind a gateway", True),
    503: ("it has no room at present", True),
    504: ("it was silent behind a gateway", True),
    507: ("it has no room left", True),
}
#: Where the url of the settings may be the mistake.
_NOT_THE_BASE = (404, 405)
_BASE = "is its url the base of the DICOMweb services, such as https://host/dicomweb"
#: Answers to one request of QIDO-RS; more are fetched page by page.
_PAGE = 500
_MOST_ANSWERS = 20_000
#: What may stand before the first part, and its header (bytes).
_LONGEST_HEAD = 1 << 16
_DICOM = 'multipart/related; type="application/dicom"; transfer-syntax=*'


class NothingThere(NetworkError):
    """The peer answers, and has nothing under that address."""


class _Session(requests.Session):
    """Names the host as RFC 9110 7.2 has it; `dicomweb-client` leaves the port out."""

    def request(self, *arguments: Any, **named: Any) -> requests.Response:
        if named.get("headers"):
            named["headers"] = {k: v for k, v in named["headers"].items() if k != "Host"}
        return super().request(*arguments, **named)


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
    # What they log is told by our own errors, and could name what was asked.
    for name in ("dicomweb_client", "retrying", "urllib3"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    session = _Session()
    # Neither a proxy nor a file of passwords of whoever runs us may come in between.
    session.trust_env = False
    session.verify = str(peer.tls.authorities) if peer.tls.authorities else True
    session.mount("https://", _Verified(peer))
    if peer.token is not None:
        session.auth = _Bearer(peer.token.read())
    elif peer.password is not None:
        # UTF-8, as RFC 7617 2.1 lets a server ask for; the library would take ISO 8859-1.
        session.auth = HTTPBasicAuth(peer.user.encode(), peer.password.read().encode())
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
    with open_web_link(peer) as link, translated_errors(peer):
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
    with translated_errors(link.peer):
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
    with translated_errors(link.peer):
        answer = link.client.retrieve_instance_metadata(study, series, instance)
        return Dataset.from_json(answer, lambda *_: None)


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
        with part.open("wb") as file, translated_errors(link.peer):
            asked = link.session.get(
                url, headers={"Accept": _DICOM}, timeout=link.patience, stream=True
            )
            with asked as answer:
                answer.raise_for_status()
                kind = answer.headers.get("Content-Type", "")
                for piece in first_part(kind, answer.iter_content(_CHUNK)):
                    file.write(piece)
        if not _is_object(part):
            raise NetworkError(Problem("the peer answers what is no DICOM object", link.peer.place))
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
    ValueError
        If the part is not closed.
    """
    message = Message()
    message["Content-Type"] = content_type
    boundary = message.get_boundary()
    if message.get_content_maintype() != "multipart" or not boundary:
        yield from pieces
        return
    opening, closing = b"--" + boundary.encode(), b"\r\n--" + boundary.encode()
    held, inside = b"", False
    for piece in pieces:
        held += piece
        if not inside:
            start = held.find(opening)
            end = held.find(b"\r\n\r\n", start)
            if start < 0 or end < 0:
                if len(held) > _LONGEST_HEAD:
                    raise ValueError("a part has no end of its header")
                continue
            held, inside = held[end + 4 :], True
        end = held.find(closing)
        if end >= 0:
            yield held[:end]
            return
        ready = max(0, len(held) - len(closing))
        yield held[:ready]
        held = held[ready:]
    raise ValueError("a part is not closed")


@contextmanager
def translated_errors(peer: WebPeer) -> Iterator[None]:
    """Turn what the HTTP library raises into words, once."""
    try:
        yield
    except requests.exceptions.SSLError as error:
        reason = re.search(
            r"certificate verify failed: ([^(]*)|(hostname .* doesn't match)", str(error)
        )
        said = f": {(reason.group(1) or 'it is of another host').strip()}" if reason else ""
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
    except requests.exceptions.JSONDecodeError as error:
        raise _no_answer(peer) from error
    except requests.exceptions.RequestException as error:
        raise NetworkError(Problem(f"the request failed: {error}", peer.place)) from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise _no_answer(peer) from error


def _no_answer(peer: WebPeer) -> NetworkError:
    return NetworkError(Problem("the peer's answer cannot be understood", peer.place, hint=_BASE))


def _http_error(peer: WebPeer, error: requests.exceptions.HTTPError) -> NetworkError:
    code = error.response.status_code if error.response is not None else 0
    words, passes = _WORDS.get(code, ("it does not say why", code >= 500))
    kind = NetworkError if passes else RefusedForGood
    if code in (404, 410):
        kind = NothingThere
    found = f"the peer refuses: {words} (HTTP {code})"
    return kind(Problem(found, peer.place, hint=_BASE if code in _NOT_THE_BASE else ""))
