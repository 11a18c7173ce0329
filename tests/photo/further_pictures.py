"""Files with further pictures beside the photograph: multi-picture JPEG and HEIF."""

from __future__ import annotations

import io
import struct

import pillow_heif
from PIL import Image

#: Types of CIPA DC-007 table 4.
VGA, FULL_HD, PANORAMA, STEREO, UNDEFINED = 0x010001, 0x010002, 0x020001, 0x020002, 0


def multi_picture(stream: bytes, other: bytes, kind: int = VGA) -> bytes:
    """A multi-picture file (CIPA DC-007), EXIF in front, whose second picture is `other`."""
    layout = b"II*\0\x08\0\0\0" + struct.pack("<H", 1)
    layout += struct.pack("<HHII", 0xB002, 7, 32, 26) + struct.pack("<I", 0)
    whole = len(stream) + 4 + 4 + len(layout) + 32
    # Offsets count from the byte order mark, which follows the EXIF segment.
    at = 2 + 2 + int.from_bytes(stream[4:6], "big")
    start = at + 4 + 4
    entries = struct.pack("<IIIHH", 0x030000, whole, 0, 0, 0)
    entries += struct.pack("<IIIHH", kind, len(other), whole - start, 0, 0)
    content = b"MPF\0" + layout + entries
    segment = b"\xff\xe2" + (len(content) + 2).to_bytes(2, "big") + content
    return stream[:at] + segment + stream[at:] + other


def heif(picture: Image.Image, thumbnail_of: Image.Image | None = None, exif: bytes = b"") -> bytes:
    """A HEIF file with a thumbnail item: of the picture, or what another one's item holds.

    What a program leaves that writes the picture anew and keeps the camera's thumbnail item; both
    pictures are of one size, so that one configuration decodes both.
    """
    file = _encoded(picture, exif)
    if thumbnail_of is None:
        return file
    other = _encoded(thumbnail_of, exif)
    base, _, extent, length = struct.unpack_from(">IHII", other, _thumbnail_place(other))
    item = other[base + extent : base + extent + length]
    changed = bytearray(file)
    struct.pack_into(">IHII", changed, _thumbnail_place(file), len(file), 1, 0, len(item))
    return bytes(changed) + item


def _encoded(picture: Image.Image, exif: bytes) -> bytes:
    out = io.BytesIO()
    kept = {"exif": exif} if exif else {}
    pillow_heif.from_pillow(picture).save(out, quality=60, thumbnails=[160], **kept)
    return out.getvalue()


def _thumbnail_place(file: bytes) -> int:
    """Where `iloc` (ISO/IEC 14496-12 8.11.3) tells base offset and extent of the thumbnail."""
    start = file.index(b"iloc") + 4
    assert file[start] == 0 and file[start + 4 : start + 6] == b"\x44\x40"
    (count,) = struct.unpack_from(">H", file, start + 6)
    reference = file.index(b"thmb")
    number = file[reference + 4 : reference + 6]
    places = range(start + 8, start + 8 + 18 * count, 18)
    return 4 + next(place for place in places if file[place : place + 2] == number)
