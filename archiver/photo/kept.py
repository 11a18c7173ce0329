"""Turning a picture anew from a stream that is kept already, instead of from a camera file."""

from __future__ import annotations

from archiver.errors import PhotoError, Problem
from archiver.photo.camera_reader import read_camera_bytes
from archiver.photo.encoding import (
    JPEG_BASELINE,
    JPEG_LOSSLESS,
    Corrected,
    Edges,
    EncodedPixels,
    corrected_by_pixels,
    encode_corrected,
)
from archiver.photo.lossless import decode_lossless_stream
from archiver.photo.transcoding import crop_grid
from archiver.photo.turning import Box
from archiver.wording import Text


def kept_grid(pixels: EncodedPixels) -> tuple[int, int]:
    """Return the grid of a kept picture, as `archiver.photo.transcoding.crop_grid` does.

    Raises
    ------
    PhotoError
        If the stream is damaged.
    """
    if pixels.transfer_syntax != JPEG_BASELINE:
        return 1, 1
    return crop_grid(read_camera_bytes(pixels.stream, str(Text("photo.kept.as_shot"))).structure)


def corrected_from(
    pixels: EncodedPixels, turn: int, crop: Box | None, *, edges: Edges = "trim"
) -> Corrected:
    """Turn and crop a picture as `archiver.photo.encoding.encode_corrected` does a camera file.

    Parameters
    ----------
    pixels
        As shot. A JPEG with loss is moved on its coefficients; one without is decoded and
        encoded again, which changes no sample.

    Raises
    ------
    PhotoError
        If the stream is damaged, of another kind, or the crop passes the picture's edge.
    """
    if pixels.transfer_syntax == JPEG_BASELINE:
        photo = read_camera_bytes(pixels.stream, str(Text("photo.kept.as_shot")))
        return encode_corrected(photo, turn, crop, edges=edges)
    if pixels.transfer_syntax != JPEG_LOSSLESS:
        raise PhotoError(
            Problem("photo.kept.not_turned_here", transfer_syntax=pixels.transfer_syntax)
        )
    return corrected_by_pixels(decode_lossless_stream(pixels.stream), turn, crop)
