"""Pictures as they leave: the same scan data without metadata, or pixels where they must change."""

from __future__ import annotations

import io
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from pydicom import Dataset
from pydicom.encaps import generate_frames

from archiver.errors import ObjectError, Problem
from archiver.objects import reason_of
from archiver.photo import (
    JPEG_BASELINE,
    JPEG_LOSSLESS,
    EncodedPixels,
    Limits,
    check_budget,
    encode_lossless,
    load_turbo,
    reduced,
    without_metadata,
)
from archiver.sheets import Face, width, write
from archiver.workers import confined

Pixels = NDArray[np.uint8]
#: Left, top, width, height in pixels of the picture as it is stored.
Box = tuple[int, int, int, int]

#: JPEG Lossless of any predictor; the same markers as a JPEG with loss (T.81).
_ANY_LOSSLESS = "1.2.840.10008.1.2.4.57"
_SOI = b"\xff\xd8"
#: What an ICC segment holds besides its part of the profile (ICC.1:2001-04 B.4).
_ICC_MARK = b"ICC_PROFILE\0"
_ICC_PART = 65535 - 2 - len(_ICC_MARK) - 2
_MASK = 128
#: Height of the margin that a stamp takes, as a part of the longer side.
_MARGIN = 0.065


@dataclass(frozen=True)
class OutgoingFrame:
    """A picture that may go out.

    Parameters
    ----------
    pixels
        Encoded, and without metadata.
    icc
        Its profile, None where it has none.
    changed
        Whether it was masked or stamped, and so no longer has the archive's pixels alone.
    """

    pixels: EncodedPixels = field(repr=False)
    icc: bytes | None = field(repr=False)
    changed: bool = False

    @property
    def is_lossy_jpeg(self) -> bool:
        """True where a picture program opens the stream as it is."""
        return self.pixels.transfer_syntax == JPEG_BASELINE


def frame_of(dataset: Dataset, icc: bytes | None) -> OutgoingFrame:
    """Take the picture out of an object.

    JPEG streams keep their scan data bit for bit; what is kept otherwise is encoded anew without
    loss. Metadata and whatever lies behind the picture are left behind.

    Parameters
    ----------
    dataset
        With its pixel data.
    icc
        The profile that goes with it.

    Raises
    ------
    ObjectError
        If the picture cannot be read.
    """
    syntax = str(dataset.file_meta.TransferSyntaxUID)
    try:
        if syntax not in (JPEG_BASELINE, JPEG_LOSSLESS, _ANY_LOSSLESS):
            return OutgoingFrame(encode_lossless(_decoded(dataset)), icc)
        stream = next(generate_frames(dataset.PixelData, number_of_frames=1))
        pixels = EncodedPixels(
            without_metadata(stream),
            syntax,
            str(dataset.PhotometricInterpretation),
            int(dataset.SamplesPerPixel),
            int(dataset.Rows),
            int(dataset.Columns),
        )
    except Exception as error:
        # pydicom and the decoders raise whatever the bytes lead them to.
        raise ObjectError(Problem("handover.frames.unreadable", error=reason_of(error))) from error
    return OutgoingFrame(pixels, icc)


@confined(ObjectError)
def _decoded(dataset: Dataset) -> Pixels:
    check_budget(int(dataset.Columns), int(dataset.Rows), Limits())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pixels = np.asarray(dataset.pixel_array)
    if pixels.dtype != np.uint8 or pixels.ndim not in (2, 3) or pixels.shape[-1] == 4:
        raise ValueError("it is no picture of eight bits a sample")
    return pixels


def decode(pixels: EncodedPixels, reduction: int = 1) -> Pixels:
    """Return the pixels of a picture: (rows, columns) or (rows, columns, 3).

    Parameters
    ----------
    reduction
        1, 2, 4 or 8; a picture without loss is always decoded whole.
    """
    turbo = load_turbo()
    lossy = pixels.transfer_syntax == JPEG_BASELINE
    if turbo is not None:
        return turbo.decode(pixels.stream, reduction if lossy else 1)
    return np.asarray(reduced(pixels.stream, max(pixels.rows, pixels.columns)), np.uint8)


def jpeg_parts(frame: OutgoingFrame) -> list[bytes | memoryview]:
    """Return a JPEG file in parts: the stream with its profile in it, and nothing else."""
    parts: list[bytes | memoryview] = [_SOI]
    profile = frame.icc or b""
    count = -(-len(profile) // _ICC_PART)
    for number in range(count):
        part = profile[number * _ICC_PART : (number + 1) * _ICC_PART]
        segment = _ICC_MARK + bytes((number + 1, count)) + part
        parts.append(b"\xff\xe2" + (len(segment) + 2).to_bytes(2, "big") + segment)
    parts.append(memoryview(frame.pixels.stream)[2:])
    return parts


def png_bytes(frame: OutgoingFrame) -> bytes:
    """Return a PNG file of the same pixels: header, profile, pixels, end."""
    out = io.BytesIO()
    made = Image.fromarray(decode(frame.pixels))
    # Quick and a little larger: the package is looked at, not kept.
    made.save(out, "PNG", icc_profile=frame.icc, compress_level=2)
    return out.getvalue()


def picture_file(
    frame: OutgoingFrame, *, png: bool = False
) -> tuple[str, list[bytes | memoryview]]:
    """Return the suffix and the parts of a file for a picture program.

    Parameters
    ----------
    png
        Whether it is PNG where the camera's own JPEG data could stay, too.
    """
    if frame.is_lossy_jpeg and not png:
        return ".jpg", jpeg_parts(frame)
    return ".png", [png_bytes(frame)]


def is_within(box: Box, pixels: Pixels) -> bool:
    """Return whether a region has an area and lies within a picture."""
    left, top, wide, high = box
    rows, columns = pixels.shape[:2]
    spans = ((left, wide, columns), (top, high, rows))
    return all(start >= 0 and size >= 1 and start + size <= end for start, size, end in spans)


def altered(frame: OutgoingFrame, masks: Sequence[Box], stamps: Sequence[str]) -> OutgoingFrame:
    """Return a picture with parts covered, and with words in a margin below it.

    It is encoded without loss, so that every other pixel is what it was.

    Raises
    ------
    ObjectError
        If a part lies outside.
    """
    if not masks and not stamps:
        return frame
    pixels = decode(frame.pixels).copy()
    rows, columns = pixels.shape[:2]
    for left, top, wide, high in masks:
        if not is_within((left, top, wide, high), pixels):
            part, size = f"{wide}x{high}+{left}+{top}", f"{columns}x{rows}"
            raise ObjectError(Problem("handover.frames.outside", part=part, size=size))
        pixels[top : top + high, left : left + wide] = _MASK
    if stamps:
        pixels = _stamped(pixels, " · ".join(stamps))
    return OutgoingFrame(encode_lossless(pixels), frame.icc, changed=True)


def _stamped(pixels: Pixels, words: str) -> Pixels:
    rows, columns = pixels.shape[:2]
    high = max(24, round(max(rows, columns) * _MARGIN))
    size = round(high * 0.6)
    while size > 8 and width(words, Face(size, bold=True)) > columns * 0.96:
        size -= 1
    face = Face(size, bold=True)
    margin = Image.new("RGB", (columns, high), "#FFFFFF")
    draw = ImageDraw.Draw(margin)
    draw.rectangle((0, 0, columns, max(2, high // 16)), fill="#000000")
    place = ((columns - width(words, face)) // 2, (high + size) // 2)
    write(draw, place, words, face, "#000000")
    band = np.asarray(margin, np.uint8)
    if pixels.ndim == 2:
        band = band[:, :, 0]
    return np.ascontiguousarray(np.concatenate((pixels, band)))


def set_frame(dataset: Dataset, frame: OutgoingFrame) -> None:
    """Let an object describe the picture that it now holds."""
    pixels = frame.pixels
    dataset.SamplesPerPixel = pixels.samples
    dataset.PhotometricInterpretation = pixels.photometric
    if pixels.samples > 1:
        dataset.PlanarConfiguration = 0
    dataset.Rows, dataset.Columns = pixels.rows, pixels.columns
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit = 8, 8, 7
    dataset.PixelRepresentation = 0
    if frame.changed:
        # Pixels that are computed from others (PS3.3 C.7.6.1.1.2).
        dataset.ImageType = ["DERIVED", *list(dataset.get("ImageType") or ["", "PRIMARY"])[1:]]
