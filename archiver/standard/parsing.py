"""Reads any bytes as DICOM (PS3.5 7, PS3.10 7): never raises, reports what is wrong instead.

Pixel data and other long values are not copied: they stay views of the bytes handed in.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

from archiver.standard.dictionary import describe_tag
from archiver.standard.elements import (
    PIXEL_DATA,
    UNDEFINED_LENGTH,
    Element,
    Fragment,
    Item,
    place_of,
    step_into,
)
from archiver.standard.report import ObjectFindings
from archiver.standard.tables import load_toml
from archiver.wording import Text

_ITEM = 0xFFFEE000
_ITEM_END = 0xFFFEE00D
_SEQUENCE_END = 0xFFFEE0DD
_TRAILING_PADDING = 0xFFFCFFFC
_DEEPEST = 24
_COPIED_UP_TO = 1 << 16
_LARGEST_INFLATED = 1 << 28

IMPLICIT_LITTLE = "1.2.840.10008.1.2"
EXPLICIT_BIG = "1.2.840.10008.1.2.2"
DEFLATED = "1.2.840.10008.1.2.1.99"


@dataclass(frozen=True)
class Encoding:
    """How elements are written: byte order, and whether the value representation is there."""

    little: bool = True
    explicit: bool = True


@dataclass(frozen=True)
class ParsedFile:
    """A file as read: ``meta`` is the file meta group, ``None`` where there is none."""

    meta: Item | None
    dataset: Item
    transfer_syntax: str
    data: bytes | memoryview


@dataclass(frozen=True)
class _Head:
    """Tag, value representation, length field and start of the value of an element."""

    tag: int
    vr: str
    length: int
    start: int


class _Unreadable(Exception):
    """The bytes make no element; the rest of this level is given up."""


class _Reader:
    """Reads elements from one buffer in one encoding."""

    def __init__(
        self, data: bytes | memoryview, encoding: Encoding, report: ObjectFindings
    ) -> None:
        self._data = data
        self._encoding = encoding
        self._order = "<" if encoding.little else ">"
        self._report = report
        self._vrs = load_toml("vr")

    def dataset(self, item: Item, position: int, end: int, prefix: str, depth: int = 0) -> int:
        """Fill an item up to ``end`` or its delimiter; return where reading stopped."""
        previous = -1
        while position < end:
            try:
                head = self._head(position, end, prefix)
                if head.tag in (_ITEM_END, _SEQUENCE_END, _ITEM):
                    return self._stray(head, position, prefix, depth)
                element, position = self._element(head, end, item, prefix, depth)
            except _Unreadable as reason:
                self._report.add(
                    "element-unreadable",
                    prefix.rstrip("."),
                    found=Text(
                        "standard.parsing.at_byte_bytes",
                        reason=reason.args[0],
                        position=position,
                        end=end - position,
                    ),
                )
                return end
            if head.tag == _TRAILING_PADDING:
                continue
            self._order_of(head.tag, previous, item, prefix)
            previous = max(previous, head.tag)
            item.elements.setdefault(head.tag, element)
        return position

    def _stray(self, head: _Head, position: int, prefix: str, depth: int) -> int:
        if depth and head.tag != _ITEM:
            return position
        tag = f"({head.tag >> 16:04X},{head.tag & 0xFFFF:04X})"
        raise_at = Text("standard.parsing.delimiter", tag=tag)
        self._report.add(
            "element-unreadable",
            prefix.rstrip("."),
            found=Text("standard.parsing.byte", raise_at=raise_at, position=position),
        )
        return len(self._data)

    def _order_of(self, tag: int, previous: int, item: Item, prefix: str) -> None:
        if tag in item.elements:
            self._report.add_at(
                "element-duplicate", prefix, tag, found=Text("standard.parsing.second_element_tag")
            )
        elif tag < previous:
            self._report.add_at(
                "element-order",
                prefix,
                tag,
                found=Text("standard.parsing.follows", place_of=place_of("", previous)),
            )

    def _head(self, position: int, end: int, prefix: str) -> _Head:
        if end - position < 8:
            raise _Unreadable(Text("standard.parsing.left_over", n=end - position))
        group, number = struct.unpack_from(f"{self._order}HH", self._data, position)
        tag = (group << 16) | number
        if group == 0xFFFE or not self._encoding.explicit:
            (length,) = struct.unpack_from(f"{self._order}I", self._data, position + 4)
            return _Head(tag, _vr_of(tag), length, position + 8)
        vr = bytes(self._data[position + 4 : position + 6]).decode("latin-1")
        row = self._vrs.get(vr)
        if row is None:
            if not (vr.isascii() and vr.isupper() and vr.isalpha()):
                raise _Unreadable(Text("standard.parsing.no_vr"))
            self._report.add_at("vr-unknown", prefix, tag, found=f"'{vr}'")
        if row is not None and row["length_field"] == 2:
            (length,) = struct.unpack_from(f"{self._order}H", self._data, position + 6)
            return _Head(tag, vr, length, position + 8)
        if end - position < 12:
            raise _Unreadable(Text("standard.parsing.cut_in_length"))
        (length,) = struct.unpack_from(f"{self._order}I", self._data, position + 8)
        return _Head(tag, vr, length, position + 12)

    def _element(
        self, head: _Head, end: int, item: Item, prefix: str, depth: int
    ) -> tuple[Element, int]:
        if head.length == UNDEFINED_LENGTH:
            return self._undefined(head, end, item, prefix, depth)
        stop = head.start + head.length
        if stop > end:
            self._report.add_at(
                "element-truncated",
                prefix,
                head.tag,
                found=Text(
                    "standard.parsing.length_bytes_left",
                    length=head.length,
                    max=max(end - head.start, 0),
                ),
            )
            stop = end
        if head.vr == "SQ":
            items, _ = self._items(head, head.start, stop, item, prefix, depth)
            return Element(head.tag, "SQ", b"", head.length, self._encoding.little, items), stop
        value = self._data[head.start : stop]
        if len(value) <= _COPIED_UP_TO:
            value = bytes(value)
        return Element(head.tag, head.vr, value, head.length, self._encoding.little), stop

    def _undefined(
        self, head: _Head, end: int, item: Item, prefix: str, depth: int
    ) -> tuple[Element, int]:
        if head.tag == PIXEL_DATA and head.vr != "SQ":
            fragments, stop = self._fragments(head, end, prefix)
            element = Element(
                head.tag, head.vr, b"", head.length, self._encoding.little, None, fragments
            )
            return element, stop
        if head.vr not in ("SQ", "UN"):
            self._report.add_at(
                "length-undefined",
                prefix,
                head.tag,
                found=Text("standard.parsing.undefined_length_vr", vr=head.vr),
            )
        reader = self
        if head.vr == "UN":  # PS3.5 6.2.2: then it is a sequence in implicit little endian
            reader = _Reader(self._data, Encoding(explicit=False), self._report)
        items, stop = reader._items(head, head.start, end, item, prefix, depth)
        return Element(head.tag, "SQ", b"", head.length, self._encoding.little, items), stop

    def _items(
        self, head: _Head, position: int, end: int, parent: Item, prefix: str, depth: int
    ) -> tuple[tuple[Item, ...], int]:
        if depth >= _DEEPEST:
            raise _Unreadable(Text("standard.parsing.too_deep", most=_DEEPEST))
        items: list[Item] = []
        while position < end:
            inner = self._item_head(position, end)
            if inner.tag == _SEQUENCE_END:
                return tuple(items), inner.start
            if inner.tag != _ITEM:
                raise _Unreadable(
                    Text("standard.parsing.no_item", place=place_of(prefix, head.tag))
                )
            nested = Item({}, parent)
            items.append(nested)
            step = step_into(prefix, head.tag, len(items))
            position = self._one_item(nested, inner, end, step, depth)
        if head.length == UNDEFINED_LENGTH:
            self._report.add_at(
                "element-truncated",
                prefix,
                head.tag,
                found=Text("standard.parsing.sequence_without_end"),
            )
        return tuple(items), position

    def _one_item(self, nested: Item, inner: _Head, end: int, step: str, depth: int) -> int:
        if inner.length != UNDEFINED_LENGTH:
            stop = inner.start + inner.length
            if stop > end:
                self._report.add(
                    "element-truncated",
                    step.rstrip("."),
                    found=Text(
                        "standard.parsing.item_bytes_left",
                        length=inner.length,
                        end=end - inner.start,
                    ),
                )
                stop = end
            self.dataset(nested, inner.start, stop, step, depth + 1)
            return stop
        position = self.dataset(nested, inner.start, end, step, depth + 1)
        if position < end:
            closing = self._item_head(position, end)
            if closing.tag == _ITEM_END:
                return closing.start
        return position

    def _item_head(self, position: int, end: int) -> _Head:
        if end - position < 8:
            raise _Unreadable(Text("standard.parsing.sequence_cut_off"))
        group, number, length = struct.unpack_from(f"{self._order}HHI", self._data, position)
        return _Head((group << 16) | number, "", length, position + 8)

    def _fragments(self, head: _Head, end: int, prefix: str) -> tuple[tuple[Fragment, ...], int]:
        fragments: list[Fragment] = []
        position = head.start
        while end - position >= 8:
            inner = self._item_head(position, end)
            if inner.tag == _SEQUENCE_END:
                return tuple(fragments), inner.start
            if inner.tag != _ITEM or inner.start + inner.length > end:
                break
            fragments.append(Fragment(inner.start, inner.length))
            position = inner.start + inner.length
        self._report.add_at(
            "fragments-broken",
            prefix,
            head.tag,
            found=Text("standard.parsing.whole_fragments_then", fragments=len(fragments)),
        )
        return tuple(fragments), end


def _vr_of(tag: int) -> str:
    """Return the value representation that implicit encoding means (PS3.5 A.1)."""
    entry = describe_tag(tag)
    if entry is not None:
        for choice in ("OW", "US"):
            if choice in entry.vrs:
                return choice
        return entry.vrs[0]
    if tag & 0xFFFF == 0:
        return "UL"
    return "LO" if (tag >> 16) & 1 and 0x10 <= (tag & 0xFFFF) <= 0xFF else "UN"


def parse_elements(
    data: bytes | memoryview, encoding: Encoding, report: ObjectFindings, start: int = 0
) -> Item:
    """Read a dataset without file meta information."""
    item = Item({})
    _Reader(data, encoding, report).dataset(item, start, len(data), "")
    return item


def parse_file(data: bytes | memoryview, report: ObjectFindings) -> ParsedFile | None:
    """Read a DICOM file; return ``None`` where the bytes are none."""
    if bytes(data[128:132]) == b"DICM":
        start = 132
    elif _looks_like_elements(data):
        report.add("file-no-preamble", found=Text("standard.parsing.no_preamble_128"))
        start = 0
    else:
        report.add(
            "file-not-dicom", found=Text("standard.parsing.bytes_begin_like", data=len(data))
        )
        return None
    meta, start = _read_meta(data, start, report)
    syntax = meta.text("TransferSyntaxUID") if meta is not None else ""
    if syntax == DEFLATED:
        inflated = _inflate(bytes(data[start:]), report)
        return ParsedFile(meta, parse_elements(inflated, Encoding(), report), syntax, inflated)
    encoding = _encoding_of(data, start, syntax, report)
    return ParsedFile(meta, parse_elements(data, encoding, report, start), syntax, data)


def _looks_like_elements(data: bytes | memoryview) -> bool:
    if len(data) < 8:
        return False
    group, number, length = struct.unpack_from("<HHI", data)
    explicit = bytes(data[4:6]).decode("latin-1") in load_toml("vr")
    return group in (0x0002, 0x0008) and number <= 0x1000 and (explicit or length < len(data))


def _read_meta(
    data: bytes | memoryview, start: int, report: ObjectFindings
) -> tuple[Item | None, int]:
    """Read group 0002, always explicit little endian (PS3.10 7.1), and find where it ends."""
    end = start
    while len(data) - end >= 8 and bytes(data[end : end + 2]) == b"\x02\x00":
        vr = bytes(data[end + 4 : end + 6])
        if vr in (b"OB", b"UN", b"OW", b"UT", b"SQ", b"UC", b"UR"):
            if len(data) - end < 12:
                break
            (length,) = struct.unpack_from("<I", data, end + 8)
            end += 12 + length
        else:
            (length,) = struct.unpack_from("<H", data, end + 6)
            end += 8 + length
    if end == start:
        report.add("file-meta-missing", found=Text("standard.parsing.no_element_group"))
        return None, start
    end = min(end, len(data))
    meta = Item({})
    _Reader(data, Encoding(), report).dataset(meta, start, end, "")
    _check_group_length(meta, data, start, end, report)
    return meta, end


def _check_group_length(
    meta: Item, data: bytes | memoryview, start: int, end: int, report: ObjectFindings
) -> None:
    declared = meta.number("FileMetaInformationGroupLength")
    actual = end - start - 12
    if (
        declared is not None
        and declared != actual
        and bytes(data[start + 2 : start + 4]) == b"\0\0"
    ):
        report.add_at(
            "file-meta-group-length",
            "",
            0x00020000,
            found=str(declared),
            expected=Text("standard.parsing.bytes_follow_group", actual=actual),
        )


def _encoding_of(
    data: bytes | memoryview, start: int, syntax: str, report: ObjectFindings
) -> Encoding:
    """Return the encoding that the transfer syntax means, or the one that the bytes show."""
    if syntax == EXPLICIT_BIG:
        return Encoding(little=False)
    if len(data) - start < 8:
        return Encoding(explicit=syntax != IMPLICIT_LITTLE)
    shows_vr = bytes(data[start + 4 : start + 6]).decode("latin-1") in load_toml("vr")
    if syntax and (syntax == IMPLICIT_LITTLE) == shows_vr:
        report.add_at(
            "encoding-contradicts-syntax",
            "",
            0x00020010,
            found=Text(
                "standard.parsing.explicit" if shows_vr else "standard.parsing.implicit",
                syntax=syntax,
            ),
        )
    return Encoding(explicit=shows_vr)


def _inflate(data: bytes, report: ObjectFindings) -> bytes:
    engine = zlib.decompressobj(-zlib.MAX_WBITS)
    try:
        inflated = engine.decompress(data, _LARGEST_INFLATED)
    except zlib.error as error:
        report.add(
            "deflate-broken", found=Text("standard.parsing.deflated_dataset_does", error=error)
        )
        return b""
    if not engine.eof:
        report.add("deflate-broken", found=Text("standard.parsing.deflated_dataset_without"))
    return inflated
