"""Objects that come as JSON metadata and bulk data (PS3.18 10.5.1, 10.5.2).

A compressed picture is stored as it came, and what its pixels are is read from it, so that the
metadata may leave those attributes out.
"""

from __future__ import annotations

import json
import struct
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydicom import Dataset
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import write_dataset

from archiver.errors import ArchiverError, ObjectError, Problem
from archiver.network.multipart import MediaType
from archiver.network.node.dicomweb.content_negotiation import IMAGE_SYNTAXES, OCTETS
from archiver.network.node.incoming_file import Stretch, file_head
from archiver.network.node.supported import EXPLICIT, JPEG_BASELINE, JPEG_LOSSLESS

_PIXELS = 0x7FE00010
_ITEM, _END = (0xFFFE, 0xE000), (0xFFFE, 0xE0DD)
Bulk = Mapping[str, tuple[MediaType, Stretch]]
#: Values that are no pixels go through memory (bytes of one object).
_LONGEST_VALUES = 100 << 20


@dataclass(frozen=True)
class Composed:
    """An object in pieces.

    Parameters
    ----------
    head
        File meta information.
    before, after
        The elements before and behind the pixels.
    pixels
        The file that holds them, None where there are none.
    vr
        Of pixels that are not compressed; empty where the file is one compressed frame.
    """

    head: bytes
    before: bytes
    after: bytes = b""
    pixels: Stretch | None = None
    vr: str = ""

    def pieces(self) -> Iterator[bytes]:
        """Yield the file."""
        yield self.head
        yield self.before
        if self.pixels is not None:
            size = self.pixels.size
            padding = b"\0" * (size % 2)
            length = size + len(padding) if self.vr else 0xFFFFFFFF
            vr = (self.vr or "OB").encode()
            yield struct.pack("<HH2sHI", 0x7FE0, 0x0010, vr, 0, length)
            if not self.vr:
                yield struct.pack("<HHI", *_ITEM, 0)
                yield struct.pack("<HHI", *_ITEM, size + len(padding))
            yield from self.pixels.pieces()
            yield padding
            if not self.vr:
                yield struct.pack("<HHI", *_END, 0)
        yield self.after


def compose(metadata: Any, bulk: Bulk) -> Composed:
    """Make an object.

    Parameters
    ----------
    metadata
        One dataset in the DICOM JSON model (PS3.18 F.2).
    bulk
        Parts by Content-Location.

    Raises
    ------
    ObjectError
        If the metadata are malformed, or name bulk data that did not come.
    """
    if not isinstance(metadata, dict):
        raise ObjectError("network.json_objects.no_object")
    given = dict(metadata)
    pixels = given.pop(f"{_PIXELS:08X}", None)
    given.pop("00083002", None)
    values = _Values(bulk)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            dataset = Dataset.from_json(json.dumps(given), lambda _t, _v, uri: values.read(uri))
            return _composed(dataset, pixels, bulk)
    except ArchiverError:
        raise
    except Exception as error:
        # pydicom raises whatever the values lead it to.
        kind = type(error).__name__
        raise ObjectError(Problem("network.json_objects.unreadable", kind=kind)) from error


def _composed(dataset: Dataset, pixels: Any, bulk: Bulk) -> Composed:
    uri = pixels.get("BulkDataURI") if isinstance(pixels, dict) else None
    syntax, part, vr = EXPLICIT, None, ""
    if uri is not None:
        media, part = _part(bulk, uri)
        if media.name == OCTETS:
            vr = "OW" if int(dataset.get("BitsAllocated", 8)) > 8 else "OB"
        else:
            data = part.read()
            syntax = _syntax(media, data)
            _describe(dataset, syntax, data)
    dataset.SpecificCharacterSet = "ISO_IR 192"
    head = file_head(str(dataset.SOPClassUID), str(dataset.SOPInstanceUID), syntax)
    before, after = _encoded(dataset[:_PIXELS]), _encoded(dataset[_PIXELS + 1 :])
    return Composed(head, before, after, part, vr)


def _encoded(dataset: Dataset) -> bytes:
    buffer = DicomBytesIO()
    buffer.is_little_endian, buffer.is_implicit_VR = True, False
    write_dataset(buffer, dataset)
    return buffer.getvalue()


def _part(bulk: Bulk, uri: str) -> tuple[MediaType, Stretch]:
    if uri not in bulk:
        raise ObjectError("network.json_objects.bulk_missing")
    return bulk[uri]


class _Values:
    """Reads values of one object; a part that many attributes name counts as often."""

    def __init__(self, bulk: Bulk) -> None:
        self._bulk = bulk
        self._left = _LONGEST_VALUES

    def read(self, uri: str) -> bytes:
        part = _part(self._bulk, uri)[1]
        self._left -= part.size
        if self._left < 0:
            raise ObjectError(
                Problem("network.json_objects.values_too_large", most=_LONGEST_VALUES >> 20)
            )
        return part.read()


def _syntax(media: MediaType, data: bytes) -> str:
    """Return the transfer syntax of a compressed picture."""
    known = IMAGE_SYNTAXES.get(media.name)
    if known is None:
        raise ObjectError(Problem("network.json_objects.bulk_not_taken", media=media.name))
    named = media.parameters.get("transfer-syntax")
    if named:
        if named not in known:
            raise ObjectError("network.json_objects.other_syntax")
        return named
    if media.name == "image/jpeg":
        return JPEG_BASELINE if _frame(data)[0] == "baseline" else JPEG_LOSSLESS
    return known[0]


def _frame(data: bytes) -> tuple[str, int, int, int]:
    """Return process, rows, columns and components of a JPEG."""
    from archiver.photo import Process, frame_of

    frame = frame_of(data)
    names = {Process.BASELINE: "baseline", Process.LOSSLESS: "lossless"}
    name = names.get(frame.process, "")
    if not name:
        raise ObjectError("network.json_objects.other_jpeg")
    return name, frame.rows, frame.columns, frame.samples


def _describe(dataset: Dataset, syntax: str, data: bytes) -> None:
    """Fill in what the pixels are, where the metadata leave it out and the picture says it."""
    if syntax not in (JPEG_BASELINE, JPEG_LOSSLESS):
        return
    _, rows, columns, samples = _frame(data)
    colour = "YBR_FULL_422" if syntax == JPEG_BASELINE else "RGB"
    found: dict[str, object] = {
        "SamplesPerPixel": samples,
        "PhotometricInterpretation": colour if samples == 3 else "MONOCHROME2",
        "Rows": rows,
        "Columns": columns,
        "BitsAllocated": 8,
        "BitsStored": 8,
        "HighBit": 7,
        "PixelRepresentation": 0,
    }
    if samples == 3:
        found["PlanarConfiguration"] = 0
    if syntax == JPEG_BASELINE:
        found["LossyImageCompression"] = "01"
        found["LossyImageCompressionMethod"] = "ISO_10918_1"
        found["LossyImageCompressionRatio"] = f"{rows * columns * samples / len(data):.2f}"
    for keyword, value in found.items():
        if keyword not in dataset:
            setattr(dataset, keyword, value)
