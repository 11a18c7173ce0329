"""Reads any bytes as a DICOM file (PS3.10 7): never raises, reports what is wrong instead."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

from archiver.standard.element_reader import ElementReader, Encoding
from archiver.standard.elements import Item
from archiver.standard.report import ObjectFindings
from archiver.standard.tables import load_toml
from archiver.wording import Text

_LARGEST_INFLATED = 1 << 28

IMPLICIT_LITTLE = "1.2.840.10008.1.2"
EXPLICIT_BIG = "1.2.840.10008.1.2.2"
DEFLATED = "1.2.840.10008.1.2.1.99"


@dataclass(frozen=True)
class ParsedFile:
    """A file as read: ``meta`` is the file meta group, ``None`` where there is none."""

    meta: Item | None
    dataset: Item
    transfer_syntax: str
    data: bytes | memoryview


def parse_elements(
    data: bytes | memoryview, encoding: Encoding, report: ObjectFindings, start: int = 0
) -> Item:
    """Read a dataset without file meta information."""
    item = Item({})
    ElementReader(data, encoding, report).dataset(item, start, len(data), "")
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
    ElementReader(data, Encoding(), report).dataset(meta, start, end, "")
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
