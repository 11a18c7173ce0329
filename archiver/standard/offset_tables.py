"""Offset tables of encapsulated pixel data, basic and extended (PS3.5 A.4, PS3.3 C.7.6.3.1.8)."""

from __future__ import annotations

import struct

from archiver.standard.elements import PIXEL_DATA, Element, Item
from archiver.standard.report import ObjectFindings
from archiver.wording import Text

_OFFSETS, _LENGTHS = 0x7FE00001, 0x7FE00002


def check_offsets(
    element: Element, dataset: Item, data: bytes | memoryview, report: ObjectFindings
) -> None:
    """Check the tables of pixel data: none, or one of them with the place of every frame."""
    table, *frames = element.fragments or (None,)
    starts, position = [], 0
    for fragment in frames:
        assert fragment is not None
        starts.append(position)
        position += fragment.length + 8
    count = dataset.number("NumberOfFrames") or 1
    if table is not None and table.length:
        read = _read(bytes(data[table.offset : table.offset + table.length]), "I")
        _compare(read, starts, count, PIXEL_DATA, report)
        if "ExtendedOffsetTable" in dataset:
            found = Text("standard.pixel_rules.both_tables_offsets")
            report.add_at("offset-table", "", _OFFSETS, found=found)
    extended, lengths = (
        dataset.get("ExtendedOffsetTable"),
        dataset.get("ExtendedOffsetTableLengths"),
    )
    if extended is not None:
        _compare(_read(bytes(extended.value), "Q"), starts, count, _OFFSETS, report)
    if lengths is not None:
        told = _read(bytes(lengths.value), "Q")
        # The padding of an odd frame is in the fragment and not in its length.
        real = [fragment.length for fragment in frames if fragment is not None]
        fits = len(told) == len(real) and all(
            length - 1 <= one <= length for one, length in zip(told, real, strict=True)
        )
        if not fits:
            found = Text("standard.pixel_rules.offsets_frames_or", count=len(told), frames=count)
            report.add_at("offset-table", "", _LENGTHS, found=found)


def _read(table: bytes, code: str) -> tuple[int, ...]:
    size = struct.calcsize(f"<{code}")
    if len(table) % size:
        return ()
    return struct.unpack(f"<{len(table) // size}{code}", table)


def _compare(
    offsets: tuple[int, ...], starts: list[int], frames: int, tag: int, report: ObjectFindings
) -> None:
    if len(offsets) != frames or offsets[0] != 0 or not set(offsets) <= set(starts):
        found = Text("standard.pixel_rules.offsets_frames_or", count=len(offsets), frames=frames)
        report.add_at("offset-table", "", tag, found=found)
