"""A DICOM file as a few pieces of bytes: the header written anew, the pixels as they are.

The pixel stream is not joined to the header in memory; whoever writes the file writes the
pieces one after the other.
"""

from __future__ import annotations

import struct
from io import BytesIO

from pydicom import Dataset
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.filewriter import dcmwrite
from pydicom.uid import UID

from archiver import __version__
from archiver.objects.photograph import Instance

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


def pieces(instance: Instance) -> tuple[bytes, bytes, bytes]:
    """Return the file in three pieces: all before the frame, the frame, all behind it.

    One fragment holds the frame, the offset table is empty, and an odd frame is padded by one
    zero byte (PS3.5 A.4).
    """
    dataset, pixels = instance.dataset, instance.pixels
    buffer = BytesIO()
    head = FileDataset(buffer, dataset, preamble=b"\0" * 128)
    head.file_meta = file_meta(dataset, pixels.transfer_syntax)
    dcmwrite(buffer, head, enforce_file_format=True)
    length = len(pixels.stream)
    padding = b"\0" * (length % 2)
    buffer.write(_PIXEL_DATA + _EMPTY_OFFSET_TABLE)
    buffer.write(struct.pack("<HHI", 0xFFFE, 0xE000, length + len(padding)))
    return buffer.getvalue(), pixels.stream, padding + _DELIMITER
