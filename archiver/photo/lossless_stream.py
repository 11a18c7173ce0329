"""JPEG Lossless, Huffman, first-order prediction (T.81 Annex H, process 14, selection value 1).

For machines without the TurboJPEG library of release 3. The encoder is in numpy; it is slower and
uses the typical Huffman table for luminance DC differences of T.81 Table K.3, whose 12 categories
are more than the 10 that 8-bit samples need. The decoder is Pillow's.
"""

from __future__ import annotations

import io
import struct
from typing import Final

import numpy as np
import numpy.typing as npt

from archiver.errors import PhotoError, Problem
from archiver.photo.turning import Pixels

# T.81 Table K.3: number of codes of each length 1..16; the categories are their own order.
_CODE_COUNTS: Final = bytes((0, 1, 5, 1, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0))
_CATEGORIES: Final = bytes(range(12))
# A sample takes about 300 bytes while its bits are put together.
_SAMPLES_AT_ONCE: Final = 200_000


def encode_in_numpy(pixels: Pixels) -> bytes:
    """Encode pixels without loss.

    Parameters
    ----------
    pixels
        uint8 of shape (rows, columns) or (rows, columns, 3); three samples are taken as RGB.
    """
    samples = pixels.reshape(*pixels.shape[:2], -1)
    codes, lengths = _code_table()
    pieces, carry = [_headers(samples.shape)], np.zeros(0, np.uint8)
    step = max(1, _SAMPLES_AT_ONCE // (samples.shape[1] * samples.shape[2]))
    for top in range(0, samples.shape[0], step):
        differences = _differences(samples, top, top + step)
        bits = np.concatenate((carry, _bits(differences, codes, lengths)))
        whole = bits.size // 8 * 8
        carry = bits[whole:]
        pieces.append(_stuffed(bits[:whole]))
    if carry.size:
        # T.81 F.1.2.3: the last byte is filled up with ones.
        pieces.append(_stuffed(np.concatenate((carry, np.ones(8 - carry.size, np.uint8)))))
    return b"".join((*pieces, b"\xff\xd9"))


def decode_in_pillow(stream: bytes) -> Pixels:
    """Decode a lossless stream with 8-bit samples by the libjpeg-turbo that Pillow was built with.

    Raises
    ------
    PhotoError
        If it is damaged, or Pillow was built with another library than its wheels.
    """
    from PIL import Image, features

    if (features.version("libjpeg_turbo") or "0").split(".")[0] < "3":
        raise PhotoError(Problem("photo.lossless_stream.needs_turbo"))
    try:
        with Image.open(io.BytesIO(stream), formats=["JPEG"]) as picture:
            return np.array(picture, np.uint8)
    except (OSError, SyntaxError, ValueError) as error:
        raise PhotoError(Problem("photo.lossless_stream.damaged", reason=error)) from error


def _differences(samples: Pixels, top: int, bottom: int) -> npt.NDArray[np.int32]:
    """Return sample minus prediction (T.81 H.1.2.1) for some rows, flat in coding order.

    The sample to the left predicts; in the first column the one above; for the first sample
    half of the range.
    """
    block = samples[top:bottom].astype(np.int32)
    above = samples[top - 1 : top, 0].astype(np.int32) if top else np.full_like(block[:1, 0], 128)
    left = np.empty_like(block)
    left[:, 1:] = block[:, :-1]
    left[0, 0], left[1:, 0] = above[0], block[:-1, 0]
    return (block - left).ravel()


def _bits(
    differences: npt.NDArray[np.int32],
    codes: npt.NDArray[np.int64],
    lengths: npt.NDArray[np.int64],
) -> npt.NDArray[np.uint8]:
    """Code differences (T.81 F.1.2.1.2, H.1.2.2); return one array element a bit."""
    values, extra = codes[differences + 255], lengths[differences + 255]
    ends = np.cumsum(extra)
    which = np.repeat(np.arange(differences.size), extra)
    shift = ends[which] - 1 - np.arange(which.size)
    return ((values[which] >> shift) & 1).astype(np.uint8)


def _code_table() -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return code and length, appended bits included, of the differences -255..255."""
    huffman: list[tuple[int, int]] = []
    code = 0
    for length, count in enumerate(_CODE_COUNTS, start=1):
        for _ in range(count):
            huffman.append((code, length))
            code += 1
        code <<= 1
    codes, lengths = np.zeros(511, np.int64), np.zeros(511, np.int64)
    for difference in range(-255, 256):
        category = abs(difference).bit_length()
        low = difference if difference >= 0 else difference + (1 << category) - 1
        prefix, length = huffman[category]
        codes[difference + 255] = prefix << category | low
        lengths[difference + 255] = length + category
    return codes, lengths


def _stuffed(bits: npt.NDArray[np.uint8]) -> bytes:
    return np.packbits(bits).tobytes().replace(b"\xff", b"\xff\x00")


def _headers(shape: tuple[int, ...]) -> bytes:
    """Return SOI, SOF3, DHT and SOS (T.81 B.2); three components are named R, G, B."""
    rows, columns, count = shape
    names = b"RGB" if count == 3 else b"\x01"
    frame = struct.pack(">BHHB", 8, rows, columns, count)
    frame += b"".join(bytes((name, 0x11, 0)) for name in names)
    table = b"\x00" + _CODE_COUNTS + _CATEGORIES
    scan = bytes((count,)) + b"".join(bytes((name, 0)) for name in names) + b"\x01\x00\x00"
    segments = ((0xC3, frame), (0xC4, table), (0xDA, scan))
    return b"\xff\xd8" + b"".join(
        struct.pack(">BBH", 0xFF, marker, len(content) + 2) + content
        for marker, content in segments
    )
