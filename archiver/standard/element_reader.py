"""Reads data elements from bytes (PS3.5 7): never raises, reports what is wrong instead.

Pixel data and other long values are not copied: they stay views of the bytes handed in.
"""

from __future__ import annotations

import struct
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


@dataclass(frozen=True)
class Encoding:
    """How elements are written: byte order, and whether the value representation is there."""

    little: bool = True
    explicit: bool = True


@dataclass(frozen=True)
class _Head:
    """Tag, value representation, length field and start of the value of an element."""

    tag: int
    vr: str
    length: int
    start: int


class _Unreadable(Exception):
    """The bytes make no element; the rest of this level is given up."""


class ElementReader:
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
            reader = ElementReader(self._data, Encoding(explicit=False), self._report)
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
