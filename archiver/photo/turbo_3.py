"""libjpeg-turbo 3 through ctypes: transforms of coefficients, decoding, lossless encoding.

Constants and structures are those of ``turbojpeg.h`` of release 3.0. ctypes releases the GIL.
"""

from __future__ import annotations

import ctypes
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Final

import numpy as np

from archiver.errors import PhotoError
from archiver.photo.in_place import FlipInPlace, TransformRegion
from archiver.photo.jpeg_damage import refuse_damaged
from archiver.photo.turning import Cut, Pixels

_COMPRESS, DECOMPRESS, TRANSFORM = 0, 1, 2
_WIDTH, _HEIGHT, _COLOURSPACE = 5, 6, 8
_LOSSLESS, _PREDICTOR, _POINT_TRANSFORM = 15, 16, 17
_GREY_SPACE: Final = 2
_RGB, _GREY = 0, 6
WARNING: Final = 0
_FUNCTION: Final = re.compile(r"^tj\w+\(\): ")
_TRIM, _CROP, _NO_OUTPUT, _COPY_NONE = 2, 4, 16, 64
_OPERATION: Final = {1: 0, 2: 1, 3: 6, 4: 2, 5: 3, 6: 5, 7: 4, 8: 7}
#: The complaint of release 3 and of 2.1: "Could not determine subsampling level" or "type".
_NO_SAMPLING: Final = "determine subsampling"


class UnusualSampling(PhotoError):
    """The library cannot crop a JPEG with these sampling factors."""


class Transform(ctypes.Structure):
    _fields_ = [
        ("region", TransformRegion),
        ("operation", ctypes.c_int),
        ("options", ctypes.c_int),
        ("own", ctypes.c_void_p),
        ("filter", ctypes.c_void_p),
    ]


class _Scaling(ctypes.Structure):
    _fields_ = [("numerator", ctypes.c_int), ("denominator", ctypes.c_int)]


class Turbo:
    """The functions of one loaded library. Every call has its own handle: threads may share it.

    Parameters
    ----------
    library
        A loaded library with the ``tj3`` functions.
    """

    def __init__(self, library: ctypes.CDLL) -> None:
        self._lib = library
        for name, (result, arguments) in self._prototypes().items():
            function = getattr(library, name)
            function.restype, function.argtypes = result, arguments

    def _prototypes(self) -> dict[str, tuple[Any, list[Any]]]:
        pointer, size, number = ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int
        return {
            "tj3Init": (pointer, [number]),
            "tj3Destroy": (None, [pointer]),
            "tj3Free": (None, [pointer]),
            "tj3Set": (number, [pointer, number, number]),
            "tj3Get": (number, [pointer, number]),
            "tj3GetErrorStr": (ctypes.c_char_p, [pointer]),
            "tj3GetErrorCode": (number, [pointer]),
            "tj3SetScalingFactor": (number, [pointer, _Scaling]),
            "tj3DecompressHeader": (number, [pointer, ctypes.c_char_p, size]),
            "tj3Decompress8": (
                number,
                [pointer, ctypes.c_char_p, size, pointer, number, number],
            ),
            "tj3Compress8": (
                number,
                [pointer, pointer, number, number, number, number, pointer, pointer],
            ),
            "tj3Transform": (
                number,
                [pointer, ctypes.c_char_p, size, number, pointer, pointer, pointer],
            ),
        }

    def transform(self, stream: bytes, cuts: Sequence[Cut]) -> tuple[bytes, ...]:
        """Make several pictures from the coefficients of one JPEG, decoding entropy once.

        Parameters
        ----------
        stream
            JPEG with 8-bit samples.
        cuts
            What to make. Partial MCUs that a turn cannot move are dropped. With no cuts the
            stream is only decoded to its coefficients, to find damage.

        Returns
        -------
        tuple of bytes
            Sequential Huffman streams without any metadata, JFIF segment included.

        Raises
        ------
        UnusualSampling
            If a region is wanted and the library has no name for the sampling.
        PhotoError
            If the stream is damaged.
        """
        if not cuts:
            self._transform(stream, [Transform(TransformRegion(), 0, _NO_OUTPUT, None, None)])
            return ()
        # The flip in place alters what the others are cut from, so it goes last.
        order = sorted(range(len(cuts)), key=lambda k: _can_flip_in_place(cuts[k]))
        transforms = [_transform(cuts[k]) for k in order]
        flip = None
        if _can_flip_in_place(cuts[order[-1]]):
            flip = FlipInPlace(cuts[order[-1]].turn)
            transforms[-1] = Transform(TransformRegion(), 0, _COPY_NONE, None, flip.address)
        try:
            made = self._transform(stream, transforms)
        except PhotoError:
            if flip is not None and flip.failure is not None:
                raise flip.failure from None
            raise
        return tuple(made[order.index(k)] for k in range(len(cuts)))

    def _transform(self, stream: bytes, wanted: Sequence[Transform]) -> list[bytes]:
        count = len(wanted)
        transforms = (Transform * count)(*wanted)
        buffers, sizes = (ctypes.c_void_p * count)(), (ctypes.c_size_t * count)()
        with self._handle(TRANSFORM) as handle:
            try:
                status = self._lib.tj3Transform(
                    handle, stream, len(stream), count, buffers, sizes, transforms
                )
                self._check(status, handle, stream)
                return [bare(buffers[k] or 0, sizes[k]) for k in range(count) if buffers[k]]
            finally:
                for buffer in buffers:
                    self._lib.tj3Free(buffer)

    def decode(self, stream: bytes, reduction: int = 1) -> Pixels:
        """Decode a JPEG to pixels of shape (rows, columns) or (rows, columns, 3).

        Parameters
        ----------
        stream
            JPEG with 8-bit samples.
        reduction
            1, or for a lossy JPEG 2, 4 or 8: as many pixels of the picture, either way, become
            one, incomplete ones at the right and lower edge included.

        Raises
        ------
        PhotoError
            If the stream is damaged.
        """
        with self._handle(DECOMPRESS) as handle:
            status = self._lib.tj3DecompressHeader(handle, stream, len(stream))
            self._check(status, handle, stream)
            columns, rows, space = (
                self._lib.tj3Get(handle, parameter) for parameter in (_WIDTH, _HEIGHT, _COLOURSPACE)
            )
            if min(columns, rows) < 1:
                refuse_damaged("no picture in it", stream, fatal=True)
            if reduction != 1:
                status = self._lib.tj3SetScalingFactor(handle, _Scaling(1, reduction))
                self._check(status, handle, stream)
                columns, rows = -(-columns // reduction), -(-rows // reduction)
            grey = space == _GREY_SPACE
            pixels = np.empty((rows, columns) if grey else (rows, columns, 3), np.uint8)
            status = self._lib.tj3Decompress8(
                handle, stream, len(stream), pixels.ctypes.data, 0, _GREY if grey else _RGB
            )
            self._check(status, handle, stream)
            return pixels

    def encode_lossless(self, pixels: Pixels) -> bytes:
        """Encode pixels as JPEG Lossless, predictor 1, no point transform (T.81 H).

        Parameters
        ----------
        pixels
            uint8 of shape (rows, columns) or (rows, columns, 3).
        """
        source = np.ascontiguousarray(pixels)
        rows, columns = source.shape[:2]
        form = _GREY if source.ndim == 2 else _RGB
        buffer, size = ctypes.c_void_p(), ctypes.c_size_t()
        with self._handle(_COMPRESS) as handle:
            for parameter, value in ((_LOSSLESS, 1), (_PREDICTOR, 1), (_POINT_TRANSFORM, 0)):
                self._lib.tj3Set(handle, parameter, value)
            try:
                status = self._lib.tj3Compress8(
                    handle,
                    source.ctypes.data,
                    columns,
                    0,
                    rows,
                    form,
                    ctypes.byref(buffer),
                    ctypes.byref(size),
                )
                self._check(status, handle, b"")
                return bare(buffer.value or 0, size.value)
            finally:
                self._lib.tj3Free(buffer)

    @contextmanager
    def _handle(self, kind: int) -> Iterator[int]:
        handle = self._lib.tj3Init(kind)
        if not handle:
            raise MemoryError("libjpeg-turbo gave no handle")
        try:
            yield handle
        finally:
            self._lib.tj3Destroy(handle)

    def _check(self, status: int, handle: int, stream: bytes) -> None:
        """Raise what a call's status means; return if it means nothing bad."""
        if status == 0:
            return
        words, fatal = self._complaint(handle)
        words = _FUNCTION.sub("", words).replace("\n", " ")
        if _NO_SAMPLING in words:
            raise UnusualSampling(f"the JPEG cannot be cropped: {words}")
        refuse_damaged(words, stream, fatal=fatal)

    def _complaint(self, handle: int) -> tuple[str, bool]:
        """Return what the library objected to, and whether it gave up."""
        words = (self._lib.tj3GetErrorStr(handle) or b"").decode("ascii", "replace")
        return words, self._lib.tj3GetErrorCode(handle) != WARNING


def _can_flip_in_place(cut: Cut) -> bool:
    return cut.whole and cut.region is None and cut.turn in (2, 3, 4)


def _transform(cut: Cut) -> Transform:
    options = _TRIM | _COPY_NONE
    region = TransformRegion(0, 0, 0, 0)
    if cut.region is not None:
        options |= _CROP
        box = cut.region
        region = TransformRegion(box.left, box.top, box.width, box.height)
    return Transform(region, _OPERATION[cut.turn], options, None, None)


def bare(address: int, size: int) -> bytes:
    """Copy a stream out of the library's memory, without its file header segments."""
    view = memoryview((ctypes.c_ubyte * size).from_address(address)).cast("B")
    return without_file_header(view)


def without_file_header(view: memoryview) -> bytes:
    """Drop the APPn and COM segments that libjpeg writes directly behind SOI."""
    position = 2
    while view[position] == 0xFF and (
        0xE0 <= view[position + 1] <= 0xEF or view[position + 1] == 0xFE
    ):
        position += 2 + int.from_bytes(view[position + 2 : position + 4], "big")
    return b"".join((view[:2], view[position:]))
