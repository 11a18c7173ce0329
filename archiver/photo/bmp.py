"""Headers of BMP files (layout of the headers as published for the Windows API)."""

from __future__ import annotations

import struct

from archiver.errors import PhotoError, Problem
from archiver.photo.camera_file import Format, Limits
from archiver.photo.header import PictureHeader, check_budget, cut_short

_CORE, _INFO = 12, 40
_PLAIN, _RLE8, _RLE4, _BITFIELDS = 0, 1, 2, 3


def read_bmp(data: bytes, limits: Limits) -> PictureHeader:
    """Read the header of a BMP file.

    Raises
    ------
    PhotoError
        If it is damaged, cut short, too large, or holds another format inside.
    """
    if len(data) < 26:
        raise cut_short(Format.BMP)
    start, size = struct.unpack_from("<II", data, 10)
    compression = _PLAIN
    if size == _CORE:
        columns, rows, _planes, depth = struct.unpack_from("<HHHH", data, 18)
    elif _INFO <= size <= 256 and len(data) >= 14 + size:
        columns, rows, _planes, depth, compression = struct.unpack_from("<iiHHI", data, 18)
        rows = abs(rows)  # negative: the first row is the top one
    else:
        raise PhotoError("photo.bmp.header_damaged")
    if depth not in (1, 4, 8, 16, 24, 32) or compression > _BITFIELDS:
        raise PhotoError(Problem("photo.bmp.unknown_coding", depth=depth, compression=compression))
    check_budget(columns, rows, limits)
    stride = (columns * depth + 31) // 32 * 4
    if compression in (_PLAIN, _BITFIELDS) and start + stride * rows > len(data):
        raise cut_short(Format.BMP)
    return PictureHeader(columns, rows, 3)
