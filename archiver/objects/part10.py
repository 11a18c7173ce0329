"""A DICOM file as a few pieces of bytes: the header written anew, the pixels as they are.

The pixel stream is not joined to the header in memory; whoever writes the file writes the
pieces one after the other.
"""

from __future__ import annotations

import struct
from io import BytesIO

from pydicom import Dataset
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import write_dataset, write_file_meta_info
from pydicom.uid import UID, ExplicitVRLittleEndian

from archiver import __version__
from archiver.errors import ObjectError
from archiver.objects.photograph import PhotographInstance

#: This implementation (a random UUID, fixed for good), PS3.7 D.3.3.2.
IMPLEMENTATION_CLASS_UID = "2.25.3510387449066512533754380233866418310"
IMPLEMENTATION_VERSION_NAME = f"ARCHIVER_{__version__}"[:16]

_PIXEL_DATA = struct.pack("<HH2sHI", 0x7FE0, 0x0010, b"OB", 0, 0xFFFFFFFF)
_EMPTY_OFFSET_TABLE = struct.pack("<HHI", 0xFFFE, 0xE000, 0)
_DELIMITER = struct.pack("<HHI", 0xFFFE, 0xE0DD, 0)


def file_meta(dataset: Dataset, transfer_syntax: str) -> FileMetaDataset:
    """Return the File Meta Information (PS3.10 7.1)."""
    meta = FileMetaDataset()
    meta.FileMetaInformationVersion = b"\x00\x01"
    meta.MediaStorageSOPClassUID = dataset.SOPClassUID
    meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    meta.TransferSyntaxUID = UID(transfer_syntax)
    meta.ImplementationClassUID = UID(IMPLEMENTATION_CLASS_UID)
    meta.ImplementationVersionName = IMPLEMENTATION_VERSION_NAME
    return meta


def encoded(dataset: Dataset) -> bytes:
    """Return a dataset in Explicit VR Little Endian, as every encapsulated syntax has it.

    Raises
    ------
    ObjectError
        If a value of it cannot be written.
    """
    buffer = DicomBytesIO()
    buffer.is_little_endian = True
    buffer.is_implicit_VR = False
    try:
        write_dataset(buffer, dataset)
    except Exception as error:
        # pydicom raises whatever a value leads it to.
        raise ObjectError("objects.part10.unwritable") from error
    return buffer.getvalue()


def whole(dataset: Dataset) -> bytes:
    """Return the file of an object without pixels, in Explicit VR Little Endian."""
    buffer = DicomBytesIO()
    buffer.write(b"\0" * 128 + b"DICM")
    write_file_meta_info(buffer, file_meta(dataset, ExplicitVRLittleEndian))
    return buffer.getvalue() + encoded(dataset)


def written(dataset: FileDataset) -> bytes:
    """Return the file of an object that was read, in the transfer syntax that it came in.

    Raises
    ------
    ObjectError
        If a value of it cannot be written.
    """
    buffer = BytesIO()
    try:
        dataset.save_as(buffer, enforce_file_format=True)
    except Exception as error:
        # pydicom raises whatever a value leads it to.
        raise ObjectError("objects.part10.unwritable") from error
    return buffer.getvalue()


def pieces(instance: PhotographInstance, header: bytes | None = None) -> tuple[bytes, bytes, bytes]:
    """Return the file in three pieces: all before the frame, the frame, all behind it.

    One fragment holds the frame, the offset table is empty, and an odd frame is padded by one
    zero byte (PS3.5 A.4).

    Parameters
    ----------
    header
        The instance's dataset as `encoded` gives it, where that has been done already.
    """
    pixels = instance.pixels
    if header is None:
        header = encoded(instance.dataset)
    buffer = DicomBytesIO()
    buffer.write(b"\0" * 128 + b"DICM")
    write_file_meta_info(buffer, file_meta(instance.dataset, pixels.transfer_syntax))
    length = len(pixels.stream)
    padding = b"\0" * (length % 2)
    buffer.write(header + _PIXEL_DATA + _EMPTY_OFFSET_TABLE)
    buffer.write(struct.pack("<HHI", 0xFFFE, 0xE000, length + len(padding)))
    return buffer.getvalue(), pixels.stream, padding + _DELIMITER
