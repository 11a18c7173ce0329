"""Whether a file is a DICOM object that is all there (PS3.10 7.1).

The elements are not interpreted here: only the preamble, the file meta information, and whether
the pixel data reach as far as they say. A copy that broke off is found that way before it is
kept for good.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from struct import Struct
from typing import TYPE_CHECKING, BinaryIO

from archiver.errors import ObjectError, Problem
from archiver.objects import open_dataset, text
from archiver.wording import Text

if TYPE_CHECKING:
    from pydicom import Dataset

#: Media Storage Directory Storage (PS3.4 Annex B.5 has it among the media storage classes).
_DIRECTORY = "1.2.840.10008.1.3.10"
#: The problem of a file that does not even begin as an object, as it is made below.
NO_OBJECT = "archive.part10_check.no_dicom"
_DEFLATED = "1.2.840.10008.1.2.1.99"
_IMPLICIT = "1.2.840.10008.1.2"
_BIG_ENDIAN = "1.2.840.10008.1.2.2"
#: Pixel Data, Float Pixel Data, Double Float Pixel Data: where pydicom stops.
_PIXELS = {(0x7FE0, 0x0010), (0x7FE0, 0x0008), (0x7FE0, 0x0009)}
_ITEM = (0xFFFE, 0xE000)
_SEQUENCE_END = (0xFFFE, 0xE0DD)
_UNDEFINED = 0xFFFFFFFF


@dataclass(frozen=True)
class FileMeta:
    """What the file meta information says of the object."""

    sop_instance_uid: str
    sop_class_uid: str
    transfer_syntax: str

    @property
    def is_directory_record(self) -> bool:
        """True for a DICOMDIR."""
        return self.sop_class_uid == _DIRECTORY


def read_whole(path: Path) -> tuple[FileMeta, Dataset]:
    """Return the file meta information and the header of a whole DICOM file, read once.

    Returns
    -------
    FileMeta
        What it says of the object.
    Dataset
        All elements before the pixel data.

    Raises
    ------
    ObjectError
        If the file is no DICOM object, or broke off.
    OSError
        If it cannot be read.
    """
    with path.open("rb") as file:
        start = file.read(132)
        if not start:
            raise ObjectError(Problem("archive.part10_check.empty"))
        if start[128:] != b"DICM":
            raise ObjectError(Problem("archive.part10_check.no_dicom"))
        file.seek(0)
        dataset = open_dataset(file)
        meta = _file_meta(dataset)
        if meta.transfer_syntax != _DEFLATED and not meta.is_directory_record:
            size = path.stat().st_size
            _check_last(dataset, file.tell(), size)
            _check_pixels(file, meta.transfer_syntax, size)
    return meta, dataset


def _check_last(dataset: Dataset, end: int, size: int) -> None:
    """Check that nothing stands behind the last element where the parser found no more.

    pydicom takes the beginning of an element's header at the end of a file for the end.
    """
    from pydicom.dataelem import RawDataElement

    try:
        last = dataset.get_item(max(dataset.keys())) if len(dataset) else None
    except NotImplementedError:  # of a value representation that the standard does not have
        return
    if end < size or not isinstance(last, RawDataElement) or last.length == _UNDEFINED:
        return
    if last.value_tell + last.length < size:
        raise _broken_off(size)


def _file_meta(dataset: Dataset) -> FileMeta:
    meta = dataset.file_meta
    found = FileMeta(
        text(meta, "MediaStorageSOPInstanceUID"),
        text(meta, "MediaStorageSOPClassUID"),
        text(meta, "TransferSyntaxUID"),
    )
    if not found.transfer_syntax:
        raise ObjectError(Problem("archive.part10_check.no_transfer_syntax"))
    return found


def _check_pixels(file: BinaryIO, transfer_syntax: str, size: int) -> None:
    """Check that the pixel data, before which the file stands, end inside the file."""
    order = ">" if transfer_syntax == _BIG_ENDIAN else "<"
    header = Struct(order + "HHI")
    begin = file.tell()
    raw = file.read(12)
    if not raw:
        return
    if len(raw) < 8:
        raise _broken_off(size)
    group, element, length = header.unpack(raw[:8])
    if (group, element) not in _PIXELS:
        return
    if transfer_syntax == _IMPLICIT:
        file.seek(begin + 8)
    else:
        if len(raw) < 12:
            raise _broken_off(size)
        (length,) = Struct(order + "I").unpack(raw[8:12])
    if length != _UNDEFINED:
        if file.tell() + length > size:
            raise _broken_off(size, file.tell() + length)
        return
    while True:
        raw = file.read(8)
        if len(raw) < 8:
            raise _broken_off(size)
        group, element, length = header.unpack(raw)
        if (group, element) == _SEQUENCE_END:
            return
        if (group, element) != _ITEM or length == _UNDEFINED:
            raise ObjectError(Problem("archive.part10_check.broken_fragments"))
        if file.tell() + length > size:
            raise _broken_off(size, file.tell() + length)
        file.seek(length, 1)


def _broken_off(size: int, needed: int | None = None) -> ObjectError:
    bytes_ = Text("archive.part10_check.at_least", needed=needed)
    more = bytes_ if needed else Text("archive.part10_check.whole_object")
    return ObjectError(Problem("archive.part10_check.breaks_off", size=size, needed=more))
