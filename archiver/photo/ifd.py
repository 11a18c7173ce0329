"""Image file directories, as TIFF files and EXIF blocks hold them.

A small reader of its own instead of a library's, because a broken directory must cost one
entry and not the photograph, because the location directory must never be read at all, and
because the size of a TIFF has to be known before anything is decoded.

Sources: TIFF revision 6.0 (layout, types 1-12); EXIF 2.32 / CIPA DC-008 (pointers 34665 and
40965, type 129 of EXIF 3.0); the published layout of 64-bit TIFF, magic number 43.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TypeAlias

Rational: TypeAlias = "tuple[int, int]"
TagValue: TypeAlias = "bytes | tuple[int, ...] | tuple[float, ...] | tuple[Rational, ...]"

EXIF_POINTER = 34665
INTEROP_POINTER = 40965
LOCATION_POINTER = 34853
SUB_IFDS = 330

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_SIZES |= {16: 8, 17: 8, 18: 8, 129: 1}
_CODES = {3: "H", 4: "I", 6: "b", 8: "h", 9: "i", 11: "f", 12: "d", 13: "I"}
_CODES |= {16: "Q", 17: "q", 18: "Q"}
_BYTES = frozenset({1, 2, 7, 129})
_RATIONALS = {5: "I", 10: "i"}

_MAX_ENTRIES = 4096
_MAX_NUMBERS = 1 << 20


@dataclass(frozen=True)
class Directory:
    """One image file directory.

    Parameters
    ----------
    tags
        Values by tag number: bytes for the types byte, text and undefined, else a tuple of
        numbers, a rational being (numerator, denominator).
    broken
        Tags whose entry could not be read.
    following
        Offset of the next directory of the chain, 0 at its end.
    """

    tags: dict[int, TagValue] = field(default_factory=dict)
    broken: tuple[int, ...] = ()
    following: int = 0

    def number(self, tag: int) -> int | None:
        """Return the first whole number of a tag, or None."""
        value = self.tags.get(tag)
        if isinstance(value, tuple) and value and isinstance(value[0], int):
            return value[0]
        return None

    def numbers(self, tag: int) -> tuple[int, ...]:
        """Return all whole numbers of a tag; empty where it has none."""
        value = self.tags.get(tag)
        if isinstance(value, tuple):
            return tuple(v for v in value if isinstance(v, int))
        return ()

    def octets(self, tag: int) -> bytes | None:
        """Return the bytes of a tag of type byte, text or undefined, or None."""
        value = self.tags.get(tag)
        return value if isinstance(value, bytes) else None


class TiffLayout:
    """Byte order, word width and directories of one TIFF structure.

    Parameters
    ----------
    block
        The structure from its byte order mark on.

    Raises
    ------
    ValueError
        If the block does not begin like a TIFF structure.
    """

    def __init__(self, block: bytes | memoryview) -> None:
        self.block = memoryview(block).cast("B")
        mark = bytes(self.block[:2])
        if mark not in (b"II", b"MM") or len(self.block) < 8:
            raise ValueError("no byte order mark of a TIFF structure")
        self.order = "<" if mark == b"II" else ">"
        self.magic: int = struct.unpack_from(self.order + "H", self.block, 2)[0]
        self.big = self.magic == 43
        if self.big and len(self.block) < 16:
            raise ValueError("64-bit TIFF structure without its header")
        place, code = (8, "Q") if self.big else (4, "I")
        self.first: int = struct.unpack_from(self.order + code, self.block, place)[0]

    def __reduce__(self) -> tuple[type[TiffLayout], tuple[bytes]]:
        # A picture that a worker process decodes takes its structure along; a view cannot go.
        return type(self), (bytes(self.block),)

    def chain(self, limit: int = 1000) -> Iterator[Directory]:
        """Yield the directories of the main chain; a chain that bites its tail ends."""
        offset, seen = self.first, set[int]()
        while offset and offset not in seen and len(seen) < limit:
            seen.add(offset)
            directory = self.directory(offset)
            if directory is None:
                return
            yield directory
            offset = directory.following

    def directory(self, offset: int) -> Directory | None:
        """Read the directory at `offset`; None where there is none."""
        count_code, entry, width = ("Q", 20, 8) if self.big else ("H", 12, 2)
        if offset <= 0 or offset + width > len(self.block):
            return None
        count = struct.unpack_from(self.order + count_code, self.block, offset)[0]
        if count == 0 or count > _MAX_ENTRIES:
            return None
        tags: dict[int, TagValue] = {}
        broken: list[int] = []
        # Values that claim more room than the block has lie over one another: a bomb.
        room = len(self.block)
        start = offset + width
        for place in range(start, start + count * entry, entry):
            if place + entry > len(self.block):
                broken.append(-1)
                break
            tag = struct.unpack_from(self.order + "H", self.block, place)[0]
            if tag == LOCATION_POINTER:
                continue
            value, size = self._value(place)
            room -= size
            if value is None or room < 0:
                broken.append(tag)
            else:
                tags.setdefault(tag, value)
        return Directory(tags, tuple(broken), self._following(start + count * entry))

    def with_short(self, tag: int, number: int) -> bytearray:
        """Return a copy of the block in which a tag of the first directory is one SHORT.

        Where the directory does not have the tag the copy is unchanged.
        """
        copy = bytearray(self.block)
        code, entry, width = ("Q", 20, 8) if self.big else ("H", 12, 2)
        count = struct.unpack_from(self.order + code, copy, self.first)[0]
        start = self.first + width
        for place in range(start, min(start + count * entry, len(copy) - entry + 1), entry):
            if struct.unpack_from(self.order + "H", copy, place)[0] == tag:
                layout = "HQH6x" if self.big else "HIH2x"
                struct.pack_into(self.order + layout, copy, place + 2, 3, 1, number)
                break
        return copy

    def _following(self, place: int) -> int:
        code, width = ("Q", 8) if self.big else ("I", 4)
        if place + width > len(self.block):
            return 0
        following: int = struct.unpack_from(self.order + code, self.block, place)[0]
        return following

    def _value(self, place: int) -> tuple[TagValue | None, int]:
        kind = struct.unpack_from(self.order + "H", self.block, place + 2)[0]
        code, inline = ("Q", 8) if self.big else ("I", 4)
        count = struct.unpack_from(self.order + code, self.block, place + 4)[0]
        if kind not in _SIZES or (kind not in _BYTES and count > _MAX_NUMBERS):
            return None, 0
        size = _SIZES[kind] * count
        at = place + 4 + inline
        if size > inline:
            at = struct.unpack_from(self.order + code, self.block, at)[0]
        if at + size > len(self.block):
            return None, 0
        if kind in _BYTES:
            return bytes(self.block[at : at + size]), size
        if kind in _RATIONALS:
            flat = struct.unpack_from(f"{self.order}{2 * count}{_RATIONALS[kind]}", self.block, at)
            return tuple(zip(flat[::2], flat[1::2], strict=True)), size
        return struct.unpack_from(f"{self.order}{count}{_CODES[kind]}", self.block, at), size
