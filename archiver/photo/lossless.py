"""Encoding and decoding JPEG Lossless by whatever this machine has for it."""

from __future__ import annotations

from archiver.photo.lossless_stream import decode_in_pillow, encode_in_numpy
from archiver.photo.turbo import load_turbo
from archiver.photo.turning import Pixels


def encode_lossless_stream(pixels: Pixels) -> bytes:
    """Encode pixels without loss.

    Parameters
    ----------
    pixels
        uint8 of shape (rows, columns) or (rows, columns, 3); three samples are taken as RGB.
    """
    turbo = load_turbo()
    return encode_in_numpy(pixels) if turbo is None else turbo.encode_lossless(pixels)


def decode_lossless_stream(stream: bytes) -> Pixels:
    """Decode a lossless stream with 8-bit samples.

    Raises
    ------
    PhotoError
        If it is damaged, or nothing here can decode it.
    """
    turbo = load_turbo()
    return decode_in_pillow(stream) if turbo is None else turbo.decode(stream)
