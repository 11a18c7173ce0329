"""Data elements as they stand in a file: raw, unjudged, with their place.

The validator does not read through pydicom's typed values, since those hide or mend what has to be
reported (order, lengths, padding, duplicate elements, wrong value representations).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

from archiver.standard.dictionary import describe_tag, tag_of

UNDEFINED_LENGTH = 0xFFFFFFFF
PIXEL_DATA = 0x7FE00010

# Representations whose value may be nothing but padding.
_PADDED = frozenset(
    {"AE", "AS", "CS", "DA", "DS", "DT", "IS", "LO", "LT", "PN", "SH", "ST", "TM", "UC", "UI"}
    | {"UR", "UT"}
)
_NUMBER_FORMATS = {"US": "H", "SS": "h", "UL": "I", "SL": "i", "FL": "f", "FD": "d"}
_NUMBER_FORMATS |= {"UV": "Q", "SV": "q"}


@dataclass(frozen=True)
class Fragment:
    """One item of encapsulated pixel data (PS3.5 A.4): offset in the file and length in bytes."""

    offset: int
    length: int


@dataclass(frozen=True, eq=False)
class Element:
    """One data element.

    Parameters
    ----------
    tag
        Group and element number as one 32-bit number.
    vr
        Value representation: as written, or from the dictionary for implicit encoding.
    value
        The bytes as they stand; empty for sequences and encapsulated pixel data.
    length
        The length field, ``UNDEFINED_LENGTH`` where it says so.
    little
        Byte order of numbers.
    items
        The items of a sequence, otherwise ``None``.
    fragments
        Those of encapsulated pixel data (the first is the offset table), otherwise ``None``.
    """

    tag: int
    vr: str
    value: bytes | memoryview
    length: int
    little: bool = True
    items: tuple[Item, ...] | None = None
    fragments: tuple[Fragment, ...] | None = None

    @property
    def is_empty(self) -> bool:
        """Whether it has no value: no bytes but padding, or no item."""
        if self.items is not None:
            return not self.items
        if self.fragments is not None:
            return len(self.fragments) < 2
        if len(self.value) > 64 or self.vr not in _PADDED:
            return not self.value
        return not bytes(self.value).strip(b" \0")

    def numbers(self) -> tuple[float, ...]:
        """Return binary numbers, or text read as numbers; what cannot be read is left out."""
        code = _NUMBER_FORMATS.get(self.vr)
        if code:
            size = struct.calcsize(f"<{code}")
            count = min(len(self.value) // size, 4096)
            order = "<" if self.little else ">"
            return struct.unpack(f"{order}{count}{code}", bytes(self.value[: count * size]))
        values = []
        for text in self.texts():
            try:
                values.append(float(text))
            except ValueError:
                continue
        return tuple(values)

    def texts(self) -> tuple[str, ...]:
        """Return the backslash-separated values of the default repertoire, without padding."""
        raw = bytes(self.value[:4096])
        text = raw.decode("latin-1").rstrip(" \0")
        return tuple(part.strip(" \0") for part in text.split("\\")) if text else ()


@dataclass(frozen=True, eq=False)
class Item:
    """A dataset or an item of a sequence: its elements by tag, in the order of the file."""

    elements: dict[int, Element] = field(default_factory=dict)
    parent: Item | None = None

    def __iter__(self) -> Iterator[Element]:
        return iter(self.elements.values())

    def __contains__(self, keyword: str) -> bool:
        return tag_of(keyword) in self.elements

    def get(self, keyword: str) -> Element | None:
        """Return the element with that keyword, ``None`` where it is absent."""
        return self.elements.get(tag_of(keyword))

    def has(self, keyword: str) -> bool:
        """Whether the element is present with a value."""
        element = self.get(keyword)
        return element is not None and not element.is_empty

    def texts(self, keyword: str) -> tuple[str, ...]:
        """Return the values of a text element; empty where it is absent."""
        element = self.get(keyword)
        return element.texts() if element is not None and element.items is None else ()

    def text(self, keyword: str, number: int = 1) -> str:
        """Return one value of a text element (counted from 1), empty where there is none."""
        values = self.texts(keyword)
        return values[number - 1] if len(values) >= number else ""

    def numbers(self, keyword: str) -> tuple[float, ...]:
        """Return the numbers of an element; empty where it is absent or no number."""
        element = self.get(keyword)
        return element.numbers() if element is not None and element.items is None else ()

    def number(self, keyword: str) -> int | None:
        """Return the first number as an integer, ``None`` where there is none."""
        values = self.numbers(keyword)
        if not values or values[0] != values[0] or values[0] in (float("inf"), float("-inf")):
            return None
        return int(values[0])

    def items(self, keyword: str) -> tuple[Item, ...]:
        """Return the items of a sequence; empty where it is absent."""
        element = self.get(keyword)
        return (element.items or ()) if element is not None else ()

    @property
    def root(self) -> Item:
        """The dataset that this item is nested in, itself at the top."""
        item = self
        while item.parent is not None:
            item = item.parent
        return item


def place_of(prefix: str, tag: int) -> str:
    """Return the attribute path of a finding, such as ``Rows (0028,0010)``."""
    number = f"({tag >> 16:04X},{tag & 0xFFFF:04X})"
    entry = describe_tag(tag)
    return f"{prefix}{entry.keyword} {number}" if entry else f"{prefix}{number}"


def step_into(prefix: str, tag: int, number: int) -> str:
    """Return the prefix for the elements of an item; items count from 1."""
    entry = describe_tag(tag)
    name = entry.keyword if entry else f"({tag >> 16:04X},{tag & 0xFFFF:04X})"
    return f"{prefix}{name}[{number}]."


Levels = tuple[tuple[str, Item], ...]


def levels_of(dataset: Item) -> Levels:
    """Return the dataset and every nested item, each with the prefix of its paths."""
    return tuple(walk(dataset))


def walk(item: Item, prefix: str = "") -> Iterator[tuple[str, Item]]:
    """Yield a dataset or item and all that is nested in it, each with the prefix of its paths."""
    yield prefix, item
    for element in item:
        for number, nested in enumerate(element.items or (), start=1):
            yield from walk(nested, step_into(prefix, element.tag, number))
