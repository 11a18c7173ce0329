"""Messages of many parts (RFC 2046, RFC 2387), read as they arrive and written as they go."""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from archiver.wording import Text

_LONGEST_HEAD = 16 << 10
_MOST_PARTS = 10_000


class BadMultipartError(Exception):
    """The body is not what its media type says."""


@dataclass(frozen=True)
class MediaType:
    """A media type with its parameters, names and type in lower case."""

    name: str
    parameters: Mapping[str, str]


#: A parameter (RFC 9110 5.6.6): its name, and its value in quotation marks or without.
_PARAMETER = re.compile(r';[ \t]*([^\s=;"]+)[ \t]*=[ \t]*(?:"((?:[^"\\]|\\.)*)"|([^;"]*))')


def media_type(text: str) -> MediaType:
    """Parse a Content-Type, or one range of an Accept; what is malformed in it is passed over."""
    parameters: dict[str, str] = {}
    for found in _PARAMETER.finditer(text):
        name, quoted, plain = found.groups()
        value = re.sub(r"\\(.)", r"\1", quoted) if quoted is not None else plain.strip()
        if value:
            parameters.setdefault(name.lower(), value)
    return MediaType(text.partition(";")[0].strip().lower(), parameters)


@dataclass(frozen=True)
class PartBegins:
    """Headers of a part, names in lower case."""

    headers: Mapping[str, str]


@dataclass(frozen=True)
class PartEnds:
    """The part is whole."""


Event = PartBegins | bytes | PartEnds


class MultipartReader:
    """Takes a body piece by piece and tells what is in it.

    Parameters
    ----------
    boundary
        As the media type has it.
    most
        Parts that are taken.
    """

    def __init__(self, boundary: str, most: int = _MOST_PARTS) -> None:
        if not 0 < len(boundary) <= 70:
            raise BadMultipartError(Text("network.multipart.boundary"))
        self._delimiter = b"\r\n--" + boundary.encode("latin-1")
        # The first delimiter may stand at the very beginning (RFC 2046 5.1.1).
        self._buffer = bytearray(b"\r\n")
        self._step = self._preamble
        self._parts, self._most = 0, most
        self._ended = False

    def feed(self, piece: bytes) -> Iterator[Event]:
        """Yield what a further piece of the body completes.

        Raises
        ------
        BadMultipartError
            If the body is malformed.
        """
        self._buffer += piece
        while True:
            events = self._step()
            if events is None:
                return
            yield from events

    def close(self) -> None:
        """Say that the body is over.

        Raises
        ------
        BadMultipartError
            If it broke off.
        """
        if not self._ended:
            raise BadMultipartError(Text("network.multipart.breaks_off"))

    def _preamble(self) -> list[Event] | None:
        place = self._buffer.find(self._delimiter)
        if place < 0:
            if len(self._buffer) > _LONGEST_HEAD:
                raise BadMultipartError(Text("network.multipart.no_boundary"))
            return None
        del self._buffer[: place + len(self._delimiter)]
        self._step = self._after_delimiter
        return []

    def _after_delimiter(self) -> list[Event] | None:
        if len(self._buffer) < 2:
            return None
        if self._buffer.startswith(b"--"):
            self._ended = True
            self._step = self._epilogue
            return []
        end = self._buffer.find(b"\r\n")
        if end < 0 and len(self._buffer) < 256:
            return None
        if end < 0 or self._buffer[:end].strip():
            raise BadMultipartError(Text("network.multipart.after_boundary"))
        # The line end stays: it is the first half of an empty head.
        del self._buffer[:end]
        self._step = self._head
        return []

    def _head(self) -> list[Event] | None:
        end = self._buffer.find(b"\r\n\r\n")
        if end < 0 or end > _LONGEST_HEAD:
            if len(self._buffer) > _LONGEST_HEAD:
                raise BadMultipartError(Text("network.multipart.long_head"))
            return None
        head = bytes(self._buffer[:end]).decode("latin-1")
        del self._buffer[: end + 4]
        # What begins the body could itself be a boundary: an empty part.
        self._buffer[:0] = b"\r\n"
        self._parts += 1
        if self._parts > self._most:
            raise BadMultipartError(Text("network.multipart.many_parts"))
        headers = {}
        for line in head.split("\r\n"):
            name, colon, value = line.partition(":")
            if line and not colon:
                raise BadMultipartError(Text("network.multipart.no_header"))
            if line:
                headers[name.strip().lower()] = value.strip()
        self._step = self._body_begins
        return [PartBegins(headers)]

    def _body_begins(self) -> list[Event] | None:
        if len(self._buffer) < len(self._delimiter) and not self._cannot_be_delimiter():
            return None
        if self._buffer.startswith(self._delimiter):
            del self._buffer[: len(self._delimiter)]
            self._step = self._after_delimiter
            return [PartEnds()]
        del self._buffer[:2]
        self._step = self._body
        return []

    def _cannot_be_delimiter(self) -> bool:
        return not self._delimiter.startswith(bytes(self._buffer))

    def _body(self) -> list[Event] | None:
        place = self._buffer.find(self._delimiter)
        if place >= 0:
            rest = bytes(self._buffer[:place])
            del self._buffer[: place + len(self._delimiter)]
            self._step = self._after_delimiter
            return [rest, PartEnds()] if rest else [PartEnds()]
        sure = len(self._buffer) - len(self._delimiter)
        if sure <= 0:
            return None
        piece = bytes(self._buffer[:sure])
        del self._buffer[:sure]
        return [piece]

    def _epilogue(self) -> list[Event] | None:
        self._buffer.clear()
        return None


class MultipartWriter:
    """Frames the parts of an answer.

    Parameters
    ----------
    kind
        Media type of its parts, for the parameter ``type``.
    """

    def __init__(self, kind: str) -> None:
        self._boundary = uuid.uuid4().hex
        self.content_type = f'multipart/related; type="{kind}"; boundary={self._boundary}'

    def part(self, content_type: str, body: Iterator[bytes], location: str = "") -> Iterator[bytes]:
        """Yield one part."""
        head = f"--{self._boundary}\r\nContent-Type: {content_type}\r\n"
        if location:
            head += f"Content-Location: {location}\r\n"
        yield (head + "\r\n").encode("latin-1")
        yield from body
        yield b"\r\n"

    def end(self) -> bytes:
        """Return what closes the answer."""
        return f"--{self._boundary}--\r\n".encode("latin-1")
