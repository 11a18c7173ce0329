"""Headers of WebP files (RFC 9649; the lossy stream is that of RFC 6386).

DICOM has no defined term for WebP's lossy coding as Lossy Image Compression Method. Defined
terms may be extended, but a term of our own would be understood by nobody, so the step has
an empty method: the picture is flagged as lossy with its ratio, and the method is told in words.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from archiver.errors import PhotoError, Problem
from archiver.photo.camera_file import Format, Limits, LossyStep
from archiver.photo.exif import read_blocks
from archiver.photo.header import ALPHA_NOTE, PictureHeader, check_budget, cut_short, ratio

_ANIMATED, _EXTENDED_ALPHA = 0x02, 0x10
_KEY_FRAME = b"\x9d\x01\x2a"


def chunks(data: bytes) -> Iterator[tuple[bytes, memoryview]]:
    """Yield (type, content) of every chunk (RFC 9649 2.3).

    Raises
    ------
    PhotoError
        If the file ends before its own length or inside a chunk.
    """
    if len(data) < 12:
        raise cut_short(Format.WEBP)
    end = 8 + struct.unpack_from("<I", data, 4)[0]
    if end > len(data):
        raise cut_short(Format.WEBP)
    view, place = memoryview(data), 12
    while place + 8 <= end:
        kind, length = struct.unpack_from("<4sI", data, place)
        if place + 8 + length > end:
            raise cut_short(Format.WEBP)
        yield kind, view[place + 8 : place + 8 + length]
        place += 8 + length + length % 2


def read_webp(data: bytes, limits: Limits) -> PictureHeader:
    """Read the header of a WebP file.

    Raises
    ------
    PhotoError
        If it is damaged, cut short, animated, or too large.
    """
    kinds: dict[bytes, memoryview] = {}
    blocks: list[bytes] = []
    for kind, content in chunks(data):
        kinds.setdefault(kind, content)
        if kind == b"EXIF":
            blocks.append(bytes(content))
    extended = kinds.get(b"VP8X")
    flags = extended[0] if extended is not None and len(extended) >= 10 else 0
    if flags & _ANIMATED or b"ANIM" in kinds or b"ANMF" in kinds:
        raise PhotoError(Problem("photo.webp.animated"))
    if b"VP8 " in kinds:
        columns, rows = _lossy_size(kinds[b"VP8 "])
        check_budget(columns, rows, limits)
        past: tuple[LossyStep, ...] = (LossyStep("", ratio(columns, rows, 3, len(kinds[b"VP8 "]))),)
        alpha = bool(flags & _EXTENDED_ALPHA) or b"ALPH" in kinds
    elif b"VP8L" in kinds:
        columns, rows, alpha = _lossless_size(kinds[b"VP8L"])
        check_budget(columns, rows, limits)
        past = ()
    else:
        raise PhotoError("photo.webp.no_picture")
    if flags or extended is not None:
        _check_canvas(extended, columns, rows)
    notes = [ALPHA_NOTE] if alpha else []
    if past:
        notes.append(Problem("photo.webp.lossy_without_term"))
    return PictureHeader(
        columns,
        rows,
        3,
        exif=read_blocks(blocks),
        icc=bytes(kinds[b"ICCP"]) if b"ICCP" in kinds else None,
        lossy_past=past,
        notes=tuple(notes),
    )


def _lossy_size(chunk: memoryview) -> tuple[int, int]:
    """Read the size of a key frame (RFC 6386 9.1)."""
    if len(chunk) < 10 or chunk[0] & 1 or bytes(chunk[3:6]) != _KEY_FRAME:
        raise PhotoError("photo.webp.damaged")
    columns, rows = struct.unpack_from("<HH", chunk, 6)
    return columns & 0x3FFF, rows & 0x3FFF


def _lossless_size(chunk: memoryview) -> tuple[int, int, bool]:
    """Read size and use of alpha (RFC 9649 3.4)."""
    if len(chunk) < 5 or chunk[0] != 0x2F:
        raise PhotoError("photo.webp.damaged")
    (bits,) = struct.unpack_from("<I", chunk, 1)
    return (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1, bool(bits >> 28 & 1)


def _check_canvas(extended: memoryview | None, columns: int, rows: int) -> None:
    if extended is None or len(extended) < 10:
        raise PhotoError("photo.webp.header_damaged")
    canvas = tuple(int.from_bytes(extended[i : i + 3], "little") + 1 for i in (4, 7))
    if canvas != (columns, rows):
        raise PhotoError("photo.webp.other_size")
