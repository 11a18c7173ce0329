"""What WADO-RS gives (PS3.18 10.4): objects, their metadata, frames and bulk data."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydicom import Dataset, FileDataset
from pydicom.uid import UID
from sqlalchemy import func, select

from archiver.access import Scope
from archiver.archive import LOSSY_METHODS, decoded_alone
from archiver.archive.store import Archive
from archiver.archive.store import tables as t
from archiver.errors import ObjectError
from archiver.network.node.dicomweb.content_negotiation import (
    IMAGE_SYNTAXES,
    OCTETS,
    MediaRange,
    syntax_for,
)
from archiver.network.node.dicomweb.responses import refusal
from archiver.network.node.incoming_file import file_head
from archiver.network.node.ingest import is_uid
from archiver.network.node.query.query_engine import read_header
from archiver.network.node.supported import EXPLICIT
from archiver.network.recoding import recoded
from archiver.objects import StoredFrames, concepts
from archiver.workers import confined

_CHUNK = 1 << 20
#: Values larger than this are given by reference in metadata (bytes).
_INLINE = 64 << 10
_BINARY = ("OB", "OW", "OD", "OF", "OL", "OV", "UN")
#: Syntaxes whose pixels came in with loss: no other is made of them unasked.
_LOSSY = {
    *LOSSY_METHODS,
    "1.2.840.10008.1.2.4.91",
    "1.2.840.10008.1.2.4.203",
    "1.2.840.10008.1.2.4.112",
    "1.2.840.10008.1.2.4.111",
}


@dataclass(frozen=True)
class RequestedInstance:
    """An instance that is asked for."""

    study: str
    series: str
    uid: str
    sop_class: str
    syntax: str
    path: Path
    size: int

    @property
    def where(self) -> str:
        """Its place below the base of the service."""
        return f"/studies/{self.study}/series/{self.series}/instances/{self.uid}"

    @property
    def is_lossy(self) -> bool:
        """Whether its pixels came in compressed with loss."""
        return self.syntax in _LOSSY


def instances(
    archive: Archive, path: dict[str, str], scope: Scope, *, withheld: bool = False
) -> list[RequestedInstance]:
    """Return the instances of the study, series or instance that a path names.

    Parameters
    ----------
    scope
        Of the caller; what is beyond it is not there.
    withheld
        Whether the caller may have what is withheld, by its own UID.

    Raises
    ------
    HTTPException
        400 where a name is no UID, 404 where nothing is there.
    """
    i = t.instances.c
    columns = {"study": i.study_uid, "series": i.series_uid, "instance": i.sop_instance_uid}
    conditions = [*scope.conditions()]
    for name, column in columns.items():
        if name in path:
            if not is_uid(path[name]):
                raise refusal(400, "network.web.no_uid", name=name)
            conditions.append(column == path[name])
    if "instance" not in path:
        # What a rejection note names comes only to whoever asks for it by its own UID.
        conditions.append(i.rejected.is_(None))
    elif not withheld:
        conditions.append(func.coalesce(i.rejected, "").not_in(concepts.WITHHELD))
    statement = (
        select(
            i.study_uid,
            i.series_uid,
            i.sop_instance_uid,
            i.sop_class_uid,
            i.transfer_syntax,
            i.path,
            i.size,
        )
        .select_from(t.instances.join(t.patients, i.patient == t.patients.c.number))
        .where(*conditions)
        .order_by(i.series_number, i.series_uid, i.instance_number, i.number)
    )
    with archive.reading() as connection:
        rows = connection.execute(statement).all()
    if not rows:
        raise refusal(404, "network.web.nothing")
    return [RequestedInstance(*row[:5], archive.layout.path_of(row[5]), row[6]) for row in rows]


def object_syntax(one: RequestedInstance, wished: Iterable[MediaRange]) -> str | None:
    """Return the transfer syntax in which an object is given, None where no wish can be met."""
    for wish in wished:
        if wish.is_any or wish.name in ("application/dicom", "application/*"):
            syntax = syntax_for(wish, one.syntax, lossy=one.is_lossy)
            if syntax is not None:
                return syntax
    return None


def object_bytes(one: RequestedInstance, syntax: str) -> Iterator[bytes]:
    """Yield the file of an object in a transfer syntax; as it is kept where that is the one.

    Raises
    ------
    ObjectError
        If it cannot be decoded.
    """
    if syntax != one.syntax:
        yield file_head(one.sop_class, one.uid, syntax)
        yield recoded(one.path, syntax)
        return
    with one.path.open("rb") as file:
        while piece := file.read(_CHUNK):
            yield piece


def metadata(one: RequestedInstance, base: str) -> dict[str, Any] | None:
    """Return an object as DICOM JSON with bulk data by reference; None if it cannot be read."""
    header = read_header(one.path)
    if header is None:
        return None
    bulk: dict[str, dict[str, str]] = {}
    for element in header:
        if element.VR in _BINARY and len(element.value or b"") > _INLINE:
            bulk[f"{element.tag:08X}"] = _reference(one, base, element.VR, f"{element.tag:08X}")
    for tag in bulk:
        del header[int(tag, 16)]
    if "Rows" in header:
        bulk["7FE00010"] = _reference(one, base, "OW" if _is_wide(header) else "OB", "7FE00010")
    if "SpecificCharacterSet" in header:
        header.SpecificCharacterSet = "ISO_IR 192"
    header.AvailableTransferSyntaxUID = one.syntax
    found: dict[str, Any] = header.to_json_dict(suppress_invalid_tags=True)
    return dict(sorted({**found, **bulk}.items()))


def _is_wide(header: Dataset) -> bool:
    return int(header.get("BitsAllocated") or 8) > 8


def _reference(one: RequestedInstance, base: str, vr: str, tag: str) -> dict[str, str]:
    return {"vr": vr, "BulkDataURI": f"{base}{one.where}/bulkdata/{tag}"}


@dataclass(frozen=True)
class Frames:
    """Frames of one object in one representation, and their numbers."""

    media: str
    frames: Iterator[Iterator[bytes]]
    numbers: Sequence[int]


def frame_numbers(text: str) -> list[int]:
    """Read a list of frame numbers, the first is 1.

    Raises
    ------
    HTTPException
        400 where it is none.
    """
    if not re.fullmatch(r"[1-9]\d{0,6}(,[1-9]\d{0,6})*", text):
        raise refusal(400, "network.web.frame_numbers")
    return [int(one) for one in text.split(",")]


def frames_of(
    one: RequestedInstance, numbers: list[int] | None, wished: list[MediaRange]
) -> Frames:
    """Return frames, all where no numbers are given.

    Raises
    ------
    HTTPException
        404 where there is no such frame, 406 where no wish can be met.

    Reading them raises ObjectError where they cannot be decoded.
    """
    for wish in wished:
        media = _frame_media(one, wish)
        if media is None:
            continue
        return _frames(one, numbers, media)
    raise refusal(406, "network.web.frames_as", kind=_image_media(one.syntax) or OCTETS)


def _frames(one: RequestedInstance, numbers: list[int] | None, media: str) -> Frames:
    kind = f"{media}; transfer-syntax={EXPLICIT if media == OCTETS else one.syntax}"
    try:
        frames = StoredFrames(one.path)
    except ObjectError:
        raise refusal(404, "network.web.no_frames") from None
    count = frames.count
    if numbers and max(numbers) > count:
        frames.__exit__()
        raise refusal(404, "network.web.frames", count=count)
    if not numbers:
        next(frames.pieces(count))  # all that the object says it has, or nothing
    decoded = media == OCTETS and UID(one.syntax).is_compressed

    def read() -> Iterator[Iterator[bytes]]:
        with frames:
            for number in numbers or range(1, count + 1):
                if decoded:
                    yield iter([native_frame(frames.alone(number))])
                else:
                    yield frames.pieces(number)

    return Frames(kind, read(), numbers or range(1, count + 1))


@confined(ObjectError)
def native_frame(frame: FileDataset) -> bytes:
    """Return a frame, decoded, in the byte order of Explicit VR Little Endian."""
    pixels: bytes = decoded_alone(frame).PixelData
    return pixels


def _image_media(syntax: str) -> str | None:
    return next((media for media, known in IMAGE_SYNTAXES.items() if syntax in known), None)


def _frame_media(one: RequestedInstance, wish: MediaRange) -> str | None:
    """Return the media type that meets a wish (PS3.18 table 8.7.3-5), None where none does."""
    stored = _image_media(one.syntax)
    if wish.is_any:
        if wish.transfer_syntax in ("*", one.syntax) or (one.is_lossy and stored):
            return stored or OCTETS
        return OCTETS if wish.transfer_syntax in ("", EXPLICIT) else None
    if wish.name == OCTETS:
        asked = wish.transfer_syntax
        return OCTETS if asked in ("", "*", EXPLICIT) else None
    if wish.name == "image/*":
        return stored
    if wish.name == stored:
        if not wish.transfer_syntax:
            # The default of the media type, or what is held where it came in with loss: nothing
            # without loss can be made of it (PS3.18 8.7.3.5).
            return stored if one.syntax == IMAGE_SYNTAXES[wish.name][0] or one.is_lossy else None
        return stored if wish.transfer_syntax in ("*", one.syntax) else None
    return None


def bulk_value(one: RequestedInstance, tag: str) -> bytes:
    """Return the value of one element of an object.

    Raises
    ------
    HTTPException
        400 where the tag is none, 404 where the object has no such value.
    """
    if not re.fullmatch(r"[0-9A-Fa-f]{8}", tag):
        raise refusal(400, "network.web.bulk_tag")
    number = int(tag, 16)
    header = read_header(one.path, [number])
    element = header.get(number) if header is not None else None
    if element is None or not isinstance(element.value, bytes):
        raise refusal(404, "network.web.no_bulk")
    value: bytes = element.value
    return value
