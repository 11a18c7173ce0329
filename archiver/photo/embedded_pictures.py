"""Smaller pictures that a camera puts into its file beside the photograph.

Sources: EXIF 2.32 (CIPA DC-008) 4.5.4, thumbnails of the first directory's successor; CIPA DC-007,
whose large thumbnails and second frames stand behind the first picture; ISO/IEC 23008-12 6.4.4,
thumbnails of HEIF. Previews in maker notes, and what stands behind the picture, are found by the
mark that begins every JPEG stream (common practice).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np
from PIL import Image

from archiver.errors import PhotoError
from archiver.photo.camera_file import CameraFile, Format
from archiver.photo.heif import decode_heif
from archiver.photo.ifd import Directory, TiffLayout
from archiver.photo.jpeg import frame_of
from archiver.photo.pixels import reduced

_ORIENTATION, _OFFSET, _LENGTH = 274, 513, 514
_COMPRESSION, _COLUMNS, _ROWS, _STRIPS, _SAMPLES = 259, 256, 257, 273, 277
_BEGINS = re.compile(rb"\xff\xd8\xff")
#: A reference of one picture (ISO/IEC 14496-12 8.11.12): an item is the thumbnail of another.
_THUMBNAIL_OF = re.compile(rb"thmb(?P<thumbnail>..)\x00\x01(?P<picture>..)", re.DOTALL)
#: Streams of a maker note or behind the picture that are looked at, and their least longer side.
_MOST, _LEAST = 4, 100
#: Marks of a beginning that are looked at, since a hostile file has millions; bytes in which a
#: stream has to have its frame header; bytes of a stream at most.
_MARKS, _HEAD, _LARGEST = 64, 1 << 18, 1 << 25
#: Longer side of a preview that is decoded; a thumbnail has 160.
_SIDE = 320


@dataclass(frozen=True)
class EmbeddedPicture:
    """A picture beside the photograph.

    Parameters
    ----------
    where
        ``thumbnail`` of EXIF, ``maker note``, ``further picture`` or ``HEIF thumbnail``.
    open
        Decodes it; may raise `PhotoError`.
    orientation
        Of its own, 1 to 8 as EXIF numbers them; None where it has none.
    """

    where: str
    open: Callable[[], Image.Image]
    orientation: int | None = None


def embedded_pictures(photo: CameraFile) -> Iterator[EmbeddedPicture]:
    """Find them, the thumbnail of EXIF first; what cannot be read is passed over."""
    taken = set[int]()
    if photo.exif is not None:
        yield from _thumbnail(photo.exif, taken)
        yield from _streams(bytes(photo.exif.block), "maker note", taken)
    if photo.structure is not None:
        yield from _streams(photo.data[photo.structure.end :], "further picture", set())
    if photo.format is Format.HEIF:
        yield from _heif_thumbnails(photo.data)


def thumbnail_stream(layout: TiffLayout | None) -> bytes:
    """Return the thumbnail of EXIF as it is compressed; empty where there is none."""
    second = _second(layout) if layout is not None else None
    return _compressed(layout, second) if layout is not None and second is not None else b""


def _second(layout: TiffLayout) -> Directory | None:
    main = layout.directory(layout.first)
    return layout.directory(main.following) if main is not None else None


def _thumbnail(layout: TiffLayout, taken: set[int]) -> Iterator[EmbeddedPicture]:
    second = _second(layout)
    if second is None:
        return
    stream = _compressed(layout, second)
    if stream:
        taken.add(second.number(_OFFSET) or 0)
        yield _jpeg(stream, "thumbnail", second.number(_ORIENTATION))
    elif second.number(_COMPRESSION) == 1 and second.number(_SAMPLES) == 3:
        pixels = _uncompressed(layout, second)
        if pixels is not None:
            picture = pixels
            yield EmbeddedPicture("thumbnail", lambda: picture)


def _compressed(layout: TiffLayout, directory: Directory) -> bytes:
    offset, length = directory.number(_OFFSET), directory.number(_LENGTH)
    if offset is None or length is None:
        return b""
    stream = bytes(layout.block[offset : offset + length])
    return stream if stream.startswith(b"\xff\xd8") else b""


def _uncompressed(layout: TiffLayout, directory: Directory) -> Image.Image | None:
    size = (directory.number(_COLUMNS) or 0, directory.number(_ROWS) or 0)
    strips = directory.numbers(_STRIPS)
    count = 3 * size[0] * size[1]
    if len(strips) != 1 or not 0 < count <= 1 << 20 or strips[0] + count > len(layout.block):
        return None
    pixels = np.frombuffer(layout.block, np.uint8, count, strips[0])
    return Image.fromarray(pixels.reshape(size[1], size[0], 3))


def _jpeg(stream: bytes, where: str, orientation: int | None = None) -> EmbeddedPicture:
    return EmbeddedPicture(where, lambda: reduced(stream, _SIDE), orientation)


def _streams(octets: bytes, where: str, taken: set[int]) -> Iterator[EmbeddedPicture]:
    """Find JPEG streams among other bytes; those that begin at `taken` are known already."""
    found = 0
    for begin in islice(_BEGINS.finditer(octets), _MARKS):
        start = begin.start()
        if start in taken:
            continue
        try:
            frame = frame_of(octets[start : start + _HEAD])
        except PhotoError:
            continue
        if max(frame.columns, frame.rows) < _LEAST:
            continue
        yield _jpeg(octets[start : start + _LARGEST], where)
        found += 1
        if found == _MOST:
            return


def _heif_thumbnails(data: bytes) -> Iterator[EmbeddedPicture]:
    """Thumbnails of the primary picture, decoded by naming them the primary one of a copy."""
    primary = data.find(b"pitm")
    # Item identifiers of version 0 of both boxes have 16 bits (ISO/IEC 14496-12 8.11.4, 8.11.12).
    if primary < 0 or data[primary + 4 : primary + 5] != b"\0":
        return
    number = data[primary + 8 : primary + 10]
    several = islice(_THUMBNAIL_OF.finditer(data), _MOST)
    mine = next((one for one in several if one["picture"] == number), None)
    if mine is not None:
        changed = bytearray(data)
        changed[primary + 8 : primary + 10] = mine["thumbnail"]
        changed[mine.start() : mine.start() + 4] = b"cdsc"
        yield EmbeddedPicture("HEIF thumbnail", lambda: Image.fromarray(_rgb(bytes(changed))))


def _rgb(data: bytes) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    pixels = decode_heif(data)
    return pixels[..., :3] if pixels.ndim == 3 else pixels
