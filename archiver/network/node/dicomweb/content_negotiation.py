"""Which representation a client gets (PS3.18 8.7): Accept headers and the parameter ``accept``."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.requests import Request

from archiver.network.multipart import media_type
from archiver.network.node.supported import EXPLICIT, JPEG_BASELINE, JPEG_LOSSLESS

#: PS3.18 table 8.7.3-5: media types of compressed frames and, where no transfer syntax is named,
#: the one that is meant.
IMAGE_SYNTAXES: dict[str, tuple[str, ...]] = {
    "image/jpeg": (
        JPEG_LOSSLESS,
        JPEG_BASELINE,
        "1.2.840.10008.1.2.4.51",
        "1.2.840.10008.1.2.4.57",
    ),
    "image/jls": ("1.2.840.10008.1.2.4.80", "1.2.840.10008.1.2.4.81"),
    "image/jp2": ("1.2.840.10008.1.2.4.90", "1.2.840.10008.1.2.4.91"),
    "image/jphc": (
        "1.2.840.10008.1.2.4.201",
        "1.2.840.10008.1.2.4.202",
        "1.2.840.10008.1.2.4.203",
    ),
    "image/jxl": (
        "1.2.840.10008.1.2.4.110",
        "1.2.840.10008.1.2.4.111",
        "1.2.840.10008.1.2.4.112",
    ),
    "image/dicom-rle": ("1.2.840.10008.1.2.5",),
}
OCTETS = "application/octet-stream"
JSON, XML = "application/dicom+json", "application/dicom+xml"


@dataclass(frozen=True)
class MediaRange:
    """One media range that a client accepts.

    Parameters
    ----------
    name
        Such as ``application/dicom``; of a multipart range, its ``type``.
    multipart
        Whether it was ``multipart/related``.
    transfer_syntax
        Empty where none is named, ``*`` for any.
    quality
        0 to 1.
    """

    name: str
    multipart: bool
    transfer_syntax: str
    quality: float

    @property
    def is_any(self) -> bool:
        """True for ``*/*`` and the like."""
        return self.name in ("*/*", "*", "")


def wishes(request: Request) -> list[MediaRange]:
    """Return what a client accepts, best first; anything where it does not say."""
    texts = request.query_params.getlist("accept") or request.headers.getlist("accept")
    found = []
    for text in _split(",".join(texts)):
        media = media_type(text)
        multipart = media.name == "multipart/related"
        name = media.parameters.get("type", "*/*").lower() if multipart else media.name
        try:
            quality = float(media.parameters.get("q", "1"))
        except ValueError:
            quality = 0.0
        syntax = media.parameters.get("transfer-syntax", "")
        if quality > 0 and name:
            found.append(MediaRange(name, multipart, syntax, quality))
    if not texts:
        return [MediaRange("*/*", False, "", 1.0)]
    return sorted(found, key=lambda wish: -wish.quality)


def _split(text: str) -> list[str]:
    """Split at commas outside of quotation marks."""
    parts, quoted, begin = [], False, 0
    for place, letter in enumerate(text):
        if letter == '"':
            quoted = not quoted
        elif letter == "," and not quoted:
            parts.append(text[begin:place])
            begin = place + 1
    return [part.strip() for part in (*parts, text[begin:]) if part.strip()]


def syntax_for(wish: MediaRange, stored: str, *, lossy: bool) -> str | None:
    """Return the transfer syntax in which an object is given for a wish, None where it cannot be.

    Without a named syntax Explicit VR Little Endian is meant; an object whose pixels came in with
    loss is given as it is then (PS3.18 8.7.3.5.2).
    """
    asked = wish.transfer_syntax
    if asked in ("*", stored):
        return stored
    if asked == EXPLICIT:
        return EXPLICIT
    if not asked:
        return stored if lossy or stored == EXPLICIT else EXPLICIT
    return None


def dataset_media(request: Request, *, several: bool) -> str | None:
    """Return in which of JSON and XML a client takes datasets, None where in neither.

    Both are given, JSON is the default (PS3.18 8.7.3.2).

    Parameters
    ----------
    several
        Whether there may be more than one; in XML they are parts of one message then.
    """
    for wish in wishes(request):
        if wish.is_any or wish.name in (JSON, "application/json", "application/*"):
            return JSON
        if wish.name == XML and wish.multipart is several:
            return XML
    return None
