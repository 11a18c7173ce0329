"""libjpeg-turbo 2.1 through ctypes, as stable systems have it: all but what is lossless.

Constants and structures are those of ``turbojpeg.h`` of release 2.1; those of the transforms are
the same in release 3. The ABI counts bytes in ``unsigned long``.
"""

from __future__ import annotations

import ctypes
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Final

import numpy as np

from archiver.errors import PhotoError
from archiver.photo.jpeg import frame_of
from archiver.photo.jpeg_damage import refuse_damaged
from archiver.photo.jpeg_structure import Process
from archiver.photo.lossless_stream import decode_in_pillow, encode_in_numpy
from archiver.photo.turbo_3 import DECOMPRESS, TRANSFORM, WARNING, Transform, Turbo, bare
from archiver.photo.turning import Cut, Pixels

_GREY_SPACE: Final = 2
_RGB, _GREY = 0, 6
_TRANSPOSING: Final = frozenset({5, 6, 7, 8})
_INIT: Final = {DECOMPRESS: "tjInitDecompress", TRANSFORM: "tjInitTransform"}


class Turbo2(Turbo):
    """The functions of a library of release 2.1 behind the calls of `Turbo`.

    Parameters
    ----------
    library
        A loaded library with ``tjTransform`` and ``tjGetErrorStr2``.
    newer
        A library of release 3 for what this one cannot, or does slowly; without it numpy encodes
        lossless streams and Pillow decodes them.
    """

    def __init__(self, library: ctypes.CDLL, newer: Turbo | None) -> None:
        super().__init__(library)
        self._newer = newer

    def _prototypes(self) -> dict[str, tuple[Any, list[Any]]]:
        pointer, size, number = ctypes.c_void_p, ctypes.c_ulong, ctypes.c_int
        stream = [pointer, ctypes.c_char_p, size]
        return {
            "tjInitDecompress": (pointer, []),
            "tjInitTransform": (pointer, []),
            "tjDestroy": (number, [pointer]),
            "tjFree": (None, [pointer]),
            "tjGetErrorStr2": (ctypes.c_char_p, [pointer]),
            "tjGetErrorCode": (number, [pointer]),
            "tjDecompressHeader3": (number, [*stream, *[pointer] * 4]),
            "tjDecompress2": (number, [*stream, pointer, *[number] * 5]),
            "tjTransform": (number, [*stream, number, pointer, pointer, pointer, number]),
        }

    def transform(self, stream: bytes, cuts: Sequence[Cut]) -> tuple[bytes, ...]:
        """Make several pictures from the coefficients of one JPEG; see `Turbo.transform`."""
        if self._newer is not None and any(cut.turn in _TRANSPOSING for cut in cuts):
            # Release 2.1 takes twice as long to exchange rows and columns.
            return self._newer.transform(stream, cuts)
        return super().transform(stream, cuts)

    def _transform(self, stream: bytes, wanted: Sequence[Transform]) -> list[bytes]:
        count = len(wanted)
        transforms = (Transform * count)(*wanted)
        buffers, sizes = (ctypes.c_void_p * count)(), (ctypes.c_ulong * count)()
        with self._handle(TRANSFORM) as handle:
            try:
                status = self._lib.tjTransform(
                    handle, stream, len(stream), count, buffers, sizes, transforms, 0
                )
                self._check(status, handle, stream)
                return [bare(buffers[k] or 0, sizes[k]) for k in range(count) if buffers[k]]
            finally:
                for buffer in buffers:
                    self._lib.tjFree(buffer)

    def decode(self, stream: bytes, reduction: int = 1) -> Pixels:
        """Decode a JPEG; see `Turbo.decode`."""
        if _is_lossless(stream):
            newer = self._newer
            return decode_in_pillow(stream) if newer is None else newer.decode(stream)
        with self._handle(DECOMPRESS) as handle:
            facts = [ctypes.c_int() for _ in range(4)]
            status = self._lib.tjDecompressHeader3(
                handle, stream, len(stream), *map(ctypes.byref, facts)
            )
            self._check(status, handle, stream)
            columns, rows, _, space = (fact.value for fact in facts)
            if min(columns, rows) < 1:
                refuse_damaged("no picture in it", stream, fatal=True)
            columns, rows = -(-columns // reduction), -(-rows // reduction)
            grey = space == _GREY_SPACE
            pixels = np.empty((rows, columns) if grey else (rows, columns, 3), np.uint8)
            form = _GREY if grey else _RGB
            # The size says the scale: the largest of the library's that gives no more.
            size = (columns, 0, rows, form, 0)
            status = self._lib.tjDecompress2(handle, stream, len(stream), pixels.ctypes.data, *size)
            self._check(status, handle, stream)
            return pixels

    def encode_lossless(self, pixels: Pixels) -> bytes:
        """Encode pixels as JPEG Lossless; see `Turbo.encode_lossless`."""
        newer = self._newer
        return encode_in_numpy(pixels) if newer is None else newer.encode_lossless(pixels)

    @contextmanager
    def _handle(self, kind: int) -> Iterator[int]:
        handle = getattr(self._lib, _INIT[kind])()
        if not handle:
            raise MemoryError("libjpeg-turbo gave no handle")
        try:
            yield handle
        finally:
            self._lib.tjDestroy(handle)

    def _complaint(self, handle: int) -> tuple[str, bool]:
        words = (self._lib.tjGetErrorStr2(handle) or b"").decode("ascii", "replace")
        return words, self._lib.tjGetErrorCode(handle) != WARNING


def _is_lossless(stream: bytes) -> bool:
    try:
        return frame_of(stream).process is Process.LOSSLESS
    except PhotoError:
        return False  # the library says better what is wrong with it
