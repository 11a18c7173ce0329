"""The frames of an object, read one at a time as they are stored.

Where each frame lies is found once, from the header and the offset tables (PS3.5 A.4), and
remembered for a while: the header of an object of many frames can take seconds to parse.
"""

from __future__ import annotations

import struct
import threading
from array import array
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from cachetools import LRUCache

from archiver.errors import ObjectError, Problem
from archiver.objects.dataset_reader import open_dataset

if TYPE_CHECKING:
    from pydicom import Dataset, FileDataset

_PIXELS = (0x7FE0, 0x0010)
_ITEM = b"\xfe\xff\x00\xe0"
_DEFLATED = "1.2.840.10008.1.2.1.99"
_UNDEFINED = 0xFFFFFFFF
_PIECE = 1 << 20
#: Group of all that says how pixels are to be read, and single elements of others: SOP Class,
#: Presentation LUT Shape.
_IMAGE_PIXEL, _MORE = 0x0028, (0x00080016, 0x20500020)
#: What may differ from frame to frame: Pixel Value Transformation, Frame VOI LUT.
_BY_FRAME = (0x00289145, 0x00289132)
_SHARED, _PER_FRAME = 0x52009229, 0x52009230
#: Bytes of indices that are remembered, as estimated; a header that was parsed takes more than its
#: bytes.
_REMEMBERED, _PARSED = 128 << 20, 64 << 10


@dataclass(frozen=True)
class FrameIndex:
    """Where the frames of an object lie.

    Parameters
    ----------
    header
        What says how its pixels are to be read, and its file meta information.
    of_frames
        For each frame, sequences that hold for it alone; empty where there are none.
    count
        Frames that the object says it has.
    begins, ends
        Of each frame in the file. Compressed ones lie there in items; empty for native ones, which
        follow each other from `first` on.
    first, size
        Where the value of Pixel Data begins, and its bytes.
    inflated
        Pixel Data of a deflated object, None of any other.
    """

    header: FileDataset
    of_frames: tuple[tuple[Any, ...], ...]
    count: int
    begins: array[int]
    ends: array[int]
    first: int
    size: int
    inflated: bytes | None = None


def _weight(index: FrameIndex) -> int:
    of_frames = sum(map(len, index.of_frames)) << 10
    return _PARSED + of_frames + 16 * len(index.begins) + len(index.inflated or b"")


_indices: LRUCache[tuple[Any, ...], FrameIndex] = LRUCache(_REMEMBERED, _weight)
#: Of one object the index is made once, however many ask for it at a time.
_making = tuple(threading.Lock() for _ in range(16))
_looking = threading.Lock()


def _index_of(path: Path) -> FrameIndex:
    found = path.stat()
    key = (str(path), found.st_ino, found.st_mtime_ns, found.st_size)
    with _making[hash(key) % len(_making)]:
        with _looking:
            known = _indices.get(key)
        if known is None:
            with path.open("rb") as file:
                known = _read_index(file, path)
            if _weight(known) < _REMEMBERED:
                with _looking:
                    _indices[key] = known
        return known


def _read_index(file: BinaryIO, path: Path) -> FrameIndex:
    whole = open_dataset(file)
    header, of_frames = _pixel_header(whole)
    count = max(1, int(whole.get("NumberOfFrames") or 1))
    nothing = array("Q")
    syntax = whole.file_meta.TransferSyntaxUID
    if syntax == _DEFLATED:
        pixels = open_dataset(path, pixels=True).PixelData
        return FrameIndex(header, of_frames, count, nothing, nothing, 0, len(pixels), pixels)
    order = "<" if syntax.is_little_endian else ">"
    if struct.unpack(order + "HH", file.read(4)) != _PIXELS:
        raise ObjectError(Problem("objects.stored_frames.none").at(file=path.name))
    if not syntax.is_implicit_VR:
        file.seek(4, 1)
    (length,) = struct.unpack(order + "L", file.read(4))
    if length != _UNDEFINED:
        return FrameIndex(header, of_frames, count, nothing, nothing, file.tell(), length)
    begins, ends = _offsets(file, whole, count, path.stat().st_size)
    return FrameIndex(header, of_frames, count, begins, ends, file.tell(), 0)


def _pixel_header(whole: FileDataset) -> tuple[FileDataset, tuple[tuple[Any, ...], ...]]:
    """Return what says how pixels are to be read, for all frames and for each (PS3.3 C.7.6.16)."""
    from pydicom import FileDataset

    tags = [tag for tag in list(whole.keys()) if tag.group == _IMAGE_PIXEL or tag in _MORE]
    kept: Any = {tag: whole.get_item(tag) for tag in tags}
    syntax = whole.file_meta.TransferSyntaxUID
    header = FileDataset(
        "",
        kept,
        file_meta=whole.file_meta,
        is_implicit_VR=syntax.is_implicit_VR,
        is_little_endian=syntax.is_little_endian,
    )
    shared = whole[_SHARED].value if _SHARED in whole else ()
    for element in _by_frame(shared[0]) if shared else ():
        header.add(element)
    groups = whole[_PER_FRAME].value if _PER_FRAME in whole else ()
    return header, tuple(_by_frame(group) for group in groups)


def _by_frame(group: Dataset) -> tuple[Any, ...]:
    return tuple(group[tag] for tag in _BY_FRAME if tag in group)


def _offsets(
    file: BinaryIO, header: FileDataset, count: int, size: int
) -> tuple[array[int], array[int]]:
    """Return where frames begin and end, the file standing before the Basic Offset Table.

    Raises
    ------
    ValueError
        If the items are none.
    """
    from pydicom.encaps import parse_basic_offsets, parse_fragments

    basic = parse_basic_offsets(file)
    first = file.tell()
    extended = array("Q", header.get("ExtendedOffsetTable") or b"")
    lengths = array("Q", header.get("ExtendedOffsetTableLengths") or b"")
    if len(extended) == len(lengths) == count:
        begins = array("Q", (first + offset for offset in extended))
        return begins, array("Q", (b + 8 + n for b, n in zip(begins, lengths, strict=True)))
    if len(basic) == count:
        begins = array("Q", (first + offset for offset in basic))
    else:
        _, fragments = parse_fragments(file)
        begins = array("Q", _frame_begins(file, fragments, count))
    return begins, array("Q", [*begins[1:], size])


def _frame_begins(file: BinaryIO, fragments: list[int], count: int) -> list[int]:
    """Return where frames begin that no table tells of."""
    if count == 1 or len(fragments) == count:
        return fragments[:count]
    # A frame ends where its last fragment has the end of an image, EOI or EOC (ISO 10918-1
    # B.1.1.3), before its padding.
    begins, at_begin = [], True
    for place, begin in enumerate(fragments):
        if at_begin:
            begins.append(begin)
        file.seek(begin + 4)
        end = begin + 8 + struct.unpack("<L", file.read(4))[0]
        file.seek(max(begin + 8, end - 10))
        at_begin = b"\xff\xd9" in file.read(min(10, end - begin - 8))
        if place + 1 < len(fragments) and end > fragments[place + 1]:
            raise ValueError("fragments overlap")
    return begins


def frame_bytes(header: FileDataset) -> int:
    """Return the bytes of one frame that is not compressed."""
    samples = int(header.Rows) * int(header.Columns) * int(header.get("SamplesPerPixel", 1))
    encapsulated = header.file_meta.TransferSyntaxUID.is_encapsulated
    if not encapsulated and header.get("PhotometricInterpretation") == "YBR_FULL_422":
        samples = samples * 2 // 3  # PS3.3 C.7.6.3.1.2
    return -(-samples * int(header.get("BitsAllocated", 8)) // 8)


class StoredFrames:
    """Reads frames without the rest of the pixel data; use it as a context.

    Parameters
    ----------
    path
        A DICOM file.

    Attributes
    ----------
    header
        What says how its pixels are to be read: the attributes of group 0028, those of functional
        groups that all frames share among them, and the file meta information. Not to be changed.
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
            self._index = _index_of(path)
            inflated = self._index.inflated
            self._file: BinaryIO = path.open("rb") if inflated is None else BytesIO(inflated)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise self._problem("objects.dataset_reader.unreadable", reason=reason) from error
        except ObjectError:
            raise
        except Exception as error:
            # pydicom raises whatever the bytes lead it to.
            raise self._problem("objects.stored_frames.none") from error
        self.header, self.count = self._index.header, self._index.count

    def __enter__(self) -> StoredFrames:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    @property
    def is_compressed(self) -> bool:
        """Whether frames are streams of a codec."""
        return bool(self._index.begins)

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame that is not compressed."""
        return frame_bytes(self.header)

    def frame(self, number: int) -> bytes:
        """Return a frame, the first is 1.

        Raises
        ------
        ObjectError
            If it is not there.
        """
        return b"".join(self.pieces(number))

    def pieces(self, number: int) -> Iterator[bytes]:
        """Return a frame piece by piece, so that it is never in memory whole; the first is 1.

        Raises
        ------
        ObjectError
            If it is not there.
        """
        try:
            stretches = list(self._stretches(number)) if number > 0 else []
        except Exception as error:
            # Whatever offsets and items lead it to.
            raise self._problem("objects.stored_frames.not_there", number=number) from error
        if not stretches:
            raise self._problem("objects.stored_frames.not_there", number=number)
        return self._read(stretches, number)

    def _read(self, stretches: list[tuple[int, int]], number: int) -> Iterator[bytes]:
        turned = self._turned()
        for begin, length in stretches:
            self._file.seek(begin)
            while length and (piece := self._file.read(min(length, _PIECE))):
                length -= len(piece)
                yield turned(piece)
            if length:
                raise self._problem("objects.stored_frames.not_there", number=number)

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
        """Return how one frame's pixels are to be read, and the frame, as an object of its own.

        Raises
        ------
        ObjectError
            If it is not there.
        """
        from copy import deepcopy

        from pydicom.encaps import encapsulate

        # What is remembered for others must not change; a shallow copy would share its elements.
        frame, header = self.frame(number), deepcopy(self.header)
        if number <= len(self._index.of_frames):
            for element in self._index.of_frames[number - 1]:
                header.add(deepcopy(element))
        if "NumberOfFrames" in header:
            del header.NumberOfFrames
        if not self.is_compressed:
            header.add_new(0x7FE00010, "OW" if int(header.BitsAllocated) > 8 else "OB", frame)
            return header
        header.add_new(0x7FE00010, "OB", encapsulate([frame], has_bot=False))
        header["PixelData"].is_undefined_length = True
        return header

    def _stretches(self, number: int) -> Iterator[tuple[int, int]]:
        """Yield begin and bytes of each stretch of the file that belongs to a frame."""
        index = self._index
        if not self.is_compressed:
            size = self.frame_bytes
            if number * size <= index.size:
                yield index.first + (number - 1) * size, size
            return
        place, end = index.begins[number - 1], index.ends[number - 1]
        while place < end:
            self._file.seek(place)
            tag, length = struct.unpack("<4sL", self._file.read(8))
            if tag != _ITEM:
                break
            yield place + 8, length
            place += 8 + length

    def _turned(self) -> Callable[[bytes], bytes]:
        """Return what brings words of a big-endian object into little endian."""
        big = not self.header.file_meta.TransferSyntaxUID.is_little_endian
        if not big or int(self.header.get("BitsAllocated", 8)) <= 8:
            return lambda piece: piece

        def swapped(piece: bytes) -> bytes:
            words = array("H", piece)
            words.byteswap()
            return words.tobytes()

        return swapped

    def _problem(self, code: str, **values: object) -> ObjectError:
        return ObjectError(Problem(code, **values).at(file=self._where))
