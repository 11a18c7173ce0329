"""Decoding of camera files to pixels, for what cannot stay a JPEG.

The pixels are those that `CameraFile` calls stored: EXIF's orientation is not applied.
"""

from __future__ import annotations

import io
import struct
import threading
import warnings
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import numpy as np
from numpy.typing import NDArray
from PIL import BmpImagePlugin, Image, JpegImagePlugin, PngImagePlugin, TiffImagePlugin
from PIL import WebPImagePlugin as WebP

from archiver.errors import PhotoError, Problem
from archiver.photo.camera_file import CameraFile, Format
from archiver.photo.header import check_stream
from archiver.photo.heif import decode_heif
from archiver.photo.jpeg_structure import Process
from archiver.photo.lossless import decode_lossless_stream
from archiver.photo.png import GREY_ALPHA, SIGNATURE
from archiver.photo.raw import decode_raw
from archiver.photo.tiff import for_decoder
from archiver.workers import confined, narrow

Pixels = NDArray[np.uint8]

_OPENERS: dict[Format, Callable[[io.BytesIO], Image.Image]] = {
    Format.JPEG: JpegImagePlugin.JpegImageFile,
    Format.PNG: PngImagePlugin.PngImageFile,
    Format.TIFF: TiffImagePlugin.TiffImageFile,
    Format.WEBP: WebP.WebPImageFile,
    Format.BMP: BmpImagePlugin.BmpImageFile,
}

_BAND = 256
#: What a decoder needs beside the pixels (bytes), and for each of them.
_DECODER, _COPIES = 256 << 20, 20

# The budget is checked when a header is read, and may be set higher than Pillow's own.
Image.MAX_IMAGE_PIXELS = None

# Python keeps its warning filters for the whole interpreter; the lock covers our own threads.
_OPENING = threading.Lock()


@confined(PhotoError)
def decode(photo: CameraFile) -> Pixels:
    """Decode the stored picture to 8 bits a sample.

    Sixteen bits are rounded (not cut) to eight; palettes and single bits are expanded; what is
    transparent becomes black (see `archiver.photo.header.ALPHA_NOTE`).

    Returns
    -------
    ndarray
        uint8, C order, of shape (rows, columns) for grey, (rows, columns, 3) for colour.

    Raises
    ------
    PhotoError
        If the picture is damaged.
    """
    narrow(_DECODER + _COPIES * photo.rows * photo.columns)
    with decoder_errors(photo.format):
        pixels = _without_alpha(_decoded(photo))
    wanted: tuple[int, ...] = (photo.rows, photo.columns)
    if photo.colour.samples == 3:
        wanted += (3,)
        if pixels.ndim == 2:
            pixels = np.repeat(pixels[:, :, np.newaxis], 3, axis=2)
    if pixels.shape != wanted:
        raise PhotoError(Problem("photo.pixels.other_shape", shape=pixels.shape, wanted=wanted))
    return np.ascontiguousarray(pixels)


def reduced(source: CameraFile | bytes, max_side: int) -> Image.Image:
    """Decode at reduced size, for thumbnails and contact sheets.

    Parameters
    ----------
    source
        A camera file, or a JPEG stream (lossy or lossless).
    max_side
        Longer side of the result in pixels, at most; a smaller picture is not enlarged.

    Returns
    -------
    Image
        Mode ``L`` or ``RGB``, in stored orientation.

    Raises
    ------
    PhotoError
        If the picture is damaged.
    """
    if isinstance(source, CameraFile):
        lossy = source.structure is not None
        picture = _drafted(source.data, max_side) if lossy else Image.fromarray(decode(source))
    elif _is_lossless(source):
        check_stream(source)
        picture = Image.fromarray(decode_lossless_stream(source))
    else:
        check_stream(source)
        picture = _drafted(source, max_side)
    picture.thumbnail((max_side, max_side), Image.Resampling.LANCZOS, reducing_gap=None)
    return picture


def to_eight_bits(values: NDArray[np.uint16]) -> Pixels:
    """Round 16-bit samples to 8: 0 to 0, 65535 to 255, 257 n to n."""
    result = np.empty(values.shape, np.uint8)
    for start in range(0, values.shape[0], _BAND):  # a large picture needs little more than itself
        band = values[start : start + _BAND].astype(np.uint32)
        result[start : start + _BAND] = (band + 128) // 257
    return result


@contextmanager
def decoder_errors(kind: Format) -> Iterator[None]:
    """Translate whatever a decoder raises on damaged bytes.

    Raises
    ------
    PhotoError
        For every other exception but those of the interpreter itself.
    """
    try:
        yield
    except PhotoError:
        raise
    except MemoryError:
        raise PhotoError(Problem("photo.pixels.too_little_memory", kind=kind.text)) from None
    except Exception as error:
        # Decoders fail on hostile bytes in many classes: OSError, SyntaxError, KeyError, ...
        raise PhotoError(Problem("photo.pixels.damaged", kind=kind.text)) from error


def _decoded(photo: CameraFile) -> NDArray[np.uint8]:
    if photo.format is Format.HEIF:
        return decode_heif(photo.data)
    if photo.format is Format.RAW:
        return decode_raw(photo.data)
    if photo.format is Format.PNG and photo.data[24:26] == bytes((16, GREY_ALPHA)):
        return _grey_alpha_16(photo.data)
    data, inverted = photo.data, False
    if photo.format is Format.TIFF:
        data, inverted = for_decoder(data)
    picture = _opened(data, photo.format)
    if picture.mode in ("I;16", "I;16B", "I;16L", "I"):
        values = _sixteen_grey(picture)
        return to_eight_bits(~values if inverted else values)
    if _has_sixteen_bits(photo, picture):
        return _sixteen_colour(data, photo.format, picture)
    if picture.mode == "P":
        transparent = "transparency" in picture.info
        return np.asarray(picture.convert("RGBA" if transparent else "RGB"))
    if "transparency" in picture.info and picture.mode in ("1", "L", "RGB"):
        picture = picture.convert("RGBA" if picture.mode == "RGB" else "LA")
    if picture.mode == "1":
        picture = picture.convert("L")
    if picture.mode not in ("L", "LA", "RGB", "RGBA"):
        # YCbCr of a TIFF, RGBX of a BMP: Pillow's own conversion is the standard's.
        picture = picture.convert("RGB")
    return np.asarray(picture)


def _opened(data: bytes, kind: Format) -> Image.Image:
    # Not Image.open, which would look for the kind again.
    with _OPENING, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return _OPENERS[kind](io.BytesIO(data))


def _sixteen_grey(picture: Image.Image) -> NDArray[np.uint16]:
    values = np.asarray(picture)
    if values.dtype.itemsize > 2:
        values = values.clip(0, 65535)
    return values.astype(np.uint16)


def _has_sixteen_bits(photo: CameraFile, picture: Image.Image) -> bool:
    if photo.format is Format.PNG:
        return photo.data[24] == 16
    return any(";16" in str(part) for tile in getattr(picture, "tile", ()) for part in _parts(tile))


def _sixteen_colour(data: bytes, kind: Format, picture: Image.Image) -> Pixels:
    """Decode 16-bit colour, of which Pillow keeps one byte a sample.

    It takes the upper byte by the byte order that it is told. Told the other order it takes the
    lower one; the two together are the sample.
    """
    upper = np.asarray(picture)
    other = _opened(data, kind)
    tiles = getattr(other, "tile", [])
    other.tile = [_other_order(tile) for tile in tiles]  # type: ignore[attr-defined]
    return _from_halves(upper, np.asarray(other))


def _from_halves(upper: Pixels, lower: Pixels) -> Pixels:
    """Round 16-bit samples, given as their upper and their lower bytes, to 8 bits."""
    result = np.empty(upper.shape, np.uint8)
    for start in range(0, upper.shape[0], _BAND):
        high = upper[start : start + _BAND].astype(np.uint32)
        band = (high << 8) + lower[start : start + _BAND]
        result[start : start + _BAND] = (band + 128) // 257
    return result


def _parts(tile: tuple[object, ...]) -> tuple[object, ...]:
    arguments = tile[3]
    return arguments if isinstance(arguments, tuple) else (arguments,)


def _other_order(tile: tuple[object, ...]) -> object:
    native = "B" if np.little_endian else "L"
    swapped = {"B": "L", "L": "B", "N": native}
    parts = tuple(
        part[:-1] + swapped[part[-1]] if isinstance(part, str) and ";16" in part else part
        for part in _parts(tile)
    )
    arguments = parts if isinstance(tile[3], tuple) else parts[0]
    if hasattr(tile, "_replace"):
        return tile._replace(args=arguments)
    return (*tile[:3], arguments)


def _grey_alpha_16(data: bytes) -> Pixels:
    """Decode a PNG of 16-bit grey with alpha, of which Pillow keeps the upper bytes.

    Its pixel has four bytes, as one of 8-bit RGBA has, and a PNG's filters work on bytes: with
    its header changed to RGBA the same stream decodes to upper and lower bytes.
    """
    place = len(SIGNATURE) + 4
    header = bytearray(data[place : place + 17])
    header[12:14] = bytes((8, 6))
    altered = data[:place] + header + struct.pack(">I", zlib.crc32(header)) + data[place + 21 :]
    picture = _opened(altered, Format.PNG)
    octets = np.asarray(picture)
    return _from_halves(octets[:, :, ::2], octets[:, :, 1::2])


def _without_alpha(pixels: NDArray[np.uint8]) -> Pixels:
    """Compose on black: value times alpha, rounded."""
    if pixels.ndim == 2 or pixels.shape[2] == 3:
        return pixels
    colours, alpha = pixels[:, :, :-1], pixels[:, :, -1]
    if not (alpha == 255).all():
        weighted = colours.astype(np.uint16) * alpha[:, :, np.newaxis]
        colours = ((weighted.astype(np.uint32) + 127) // 255).astype(np.uint8)
    return colours[:, :, 0] if colours.shape[2] == 1 else colours


def _drafted(stream: bytes, max_side: int) -> Image.Image:
    with decoder_errors(Format.JPEG):
        picture = _opened(stream, Format.JPEG)
        picture.draft(None, (max_side, max_side))
        picture.load()
        return picture if picture.mode == "L" else picture.convert("RGB")


def _is_lossless(stream: bytes) -> bool:
    from archiver.photo.jpeg import frame_of

    return frame_of(stream).process is Process.LOSSLESS
