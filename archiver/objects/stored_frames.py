"""The frames of an object, read one at a time as they are stored."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from archiver.errors import ObjectError, Problem
from archiver.objects.dataset_reader import open_dataset

if TYPE_CHECKING:
    from pydicom import FileDataset

_PIXELS = (0x7FE0, 0x0010)
_DEFLATED = "1.2.840.10008.1.2.1.99"
_UNDEFINED = 0xFFFFFFFF


class StoredFrames:
    """Reads frames without the rest of the pixel data; use it as a context.

    Parameters
    ----------
    path
        A DICOM file.

    Attributes
    ----------
    header
        All before the pixel data.
    count
        Frames that the object says it has.

    Raises
    ------
    ObjectError
        If the file is no object, or has no frames.
    """

    def __init__(self, path: Path) -> None:
        self._where = path.name
        try:
            self._file: BinaryIO = path.open("rb")
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise self._problem("objects.dataset_reader.unreadable", reason=reason) from error
        try:
            self.header = open_dataset(self._file)
            self._encapsulated, self._size = self._find_pixels()
            self._begin = self._file.tell()
            self.count = max(1, int(self.header.get("NumberOfFrames") or 1))
        except ObjectError:
            self._file.close()
            raise
        except Exception as error:
            # pydicom raises whatever the bytes lead it to.
            self._file.close()
            raise self._problem("objects.stored_frames.none") from error

    def __enter__(self) -> StoredFrames:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    @property
    def is_compressed(self) -> bool:
        """Whether frames are streams of a codec."""
        return self._encapsulated

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame that is not compressed."""
        h = self.header
        samples = int(h.Rows) * int(h.Columns) * int(h.get("SamplesPerPixel", 1))
        if not self.is_compressed and h.get("PhotometricInterpretation") == "YBR_FULL_422":
            samples = samples * 2 // 3  # PS3.3 C.7.6.3.1.2
        return -(-samples * int(h.get("BitsAllocated", 8)) // 8)

    def frame(self, number: int) -> bytes:
        """Return a frame, the first is 1.

        Raises
        ------
        ObjectError
            If it is not there.
        """
        self._file.seek(self._begin)
        try:
            found = self._encapsulated_frame(number) if self._encapsulated else self._native(number)
        except ObjectError:
            raise
        except Exception as error:
            # pydicom raises whatever offsets and fragments lead it to.
            raise self._problem("objects.stored_frames.not_there", number=number) from error
        if not found:
            raise self._problem("objects.stored_frames.not_there", number=number)
        return found

    def frames(self) -> Iterator[bytes]:
        """Yield all frames.

        Raises
        ------
        ObjectError
            If fewer are there than the object says.
        """
        for number in range(1, self.count + 1):
            yield self.frame(number)

    def alone(self, number: int) -> FileDataset:
        """Return the object as if it had this frame alone.

        Raises
        ------
        ObjectError
            If it is not there.
        """
        from pydicom.encaps import encapsulate

        header, frame = self.header, self.frame(number)
        for keyword in ("NumberOfFrames", "ExtendedOffsetTable", "ExtendedOffsetTableLengths"):
            if keyword in header:
                delattr(header, keyword)
        if not self._encapsulated:
            header.add_new(0x7FE00010, "OW" if int(header.BitsAllocated) > 8 else "OB", frame)
            return header
        header.add_new(0x7FE00010, "OB", encapsulate([frame], has_bot=False))
        header["PixelData"].is_undefined_length = True
        return header

    def _encapsulated_frame(self, number: int) -> bytes:
        from pydicom.encaps import get_frame

        header: Any = self.header
        tables = None
        if "ExtendedOffsetTable" in header and "ExtendedOffsetTableLengths" in header:
            tables = (header.ExtendedOffsetTable, header.ExtendedOffsetTableLengths)
        return get_frame(
            self._file, number - 1, extended_offsets=tables, number_of_frames=self.count
        )

    def _native(self, number: int) -> bytes:
        size = self.frame_bytes
        if number * size > self._size:
            raise self._problem("objects.stored_frames.not_there", number=number)
        self._file.seek(self._begin + (number - 1) * size)
        return self._file.read(size)

    def _find_pixels(self) -> tuple[bool, int]:
        """Go to the value of Pixel Data; return whether it is encapsulated, and its bytes."""
        syntax = self.header.file_meta.TransferSyntaxUID
        if syntax == _DEFLATED:
            pixels = open_dataset(Path(self._file.name), pixels=True).PixelData
            self._file.close()
            self._file = BytesIO(pixels)
            return False, len(pixels)
        order = "<" if syntax.is_little_endian else ">"
        group, element = struct.unpack(order + "HH", self._file.read(4))
        if (group, element) != _PIXELS:
            raise self._problem("objects.stored_frames.none")
        if not syntax.is_implicit_VR:
            self._file.seek(4, 1)
        (length,) = struct.unpack(order + "L", self._file.read(4))
        return length == _UNDEFINED, length

    def _problem(self, code: str, **values: object) -> ObjectError:
        return ObjectError(Problem(code, **values).at(file=self._where))
