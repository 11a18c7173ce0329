"""What the header of a camera file tells before anything is decoded."""

from __future__ import annotations

from dataclasses import dataclass, field

from archiver.errors import PhotoError, Problem
from archiver.photo.camera_file import Format, Limits, LossyStep
from archiver.photo.colour import StatedColour
from archiver.photo.exif import ExifBlock
from archiver.photo.jpeg import JpegStructure, frame_of


@dataclass(frozen=True)
class PictureHeader:
    """Size and metadata of one picture.

    Parameters
    ----------
    columns, rows
        Of the stored pixels.
    samples
        1 (grey) or 3 (colour), as they will be decoded.
    exif
        Metadata.
    icc
        The file's own profile.
    stated
        What the container (not EXIF) states of the colours.
    orientation
        What still has to be done to the stored pixels, where the container and not EXIF
        decides it; None to go by EXIF.
    structure
        JPEG structure, for JPEG.
    lossy_past, notes
        As in `CameraFile`.
    """

    columns: int
    rows: int
    samples: int
    exif: ExifBlock = field(default_factory=ExifBlock)
    icc: bytes | None = None
    stated: StatedColour | None = None
    orientation: int | None = None
    structure: JpegStructure | None = None
    lossy_past: tuple[LossyStep, ...] = ()
    notes: tuple[Problem, ...] = ()


#: Start of scan (T.81 table B.1); entropy-coded data never hold it.
_SCAN = b"\xff\xda"
ALPHA_NOTE = Problem("photo.header.alpha_channel")
"""Why black: what somebody made transparent, a face perhaps, must not come to light again, and
black is what surrounds a picture on a viewer (a decision, no source)."""


def check_budget(columns: int, rows: int, limits: Limits) -> None:
    """Refuse a picture by the size that its header tells.

    Raises
    ------
    PhotoError
        If a side is zero or too long, or the pixels exceed the budget.
    """
    if columns < 1 or rows < 1:
        raise PhotoError(Problem("photo.header.no_size", columns=columns, rows=rows))
    if max(columns, rows) > limits.max_side:
        raise PhotoError(
            Problem("photo.header.side_too_long", columns=columns, rows=rows, most=limits.max_side)
        )
    if columns * rows > limits.max_pixels:
        raise PhotoError(
            Problem(
                "photo.header.too_many_pixels",
                columns=columns,
                rows=rows,
                megapixels=f"{columns * rows / 1e6:.0f}",
                most=f"{limits.max_pixels / 1e6:g}",
            )
        )


def check_scans(scans: int, limits: Limits) -> None:
    """Refuse a JPEG over whose pixels a decoder would have to go too often.

    Raises
    ------
    PhotoError
        If there are more scans than the limits allow.
    """
    if scans > limits.max_scans:
        raise PhotoError(Problem("photo.header.too_many_scans", scans=scans, most=limits.max_scans))


def check_stream(stream: bytes) -> None:
    """Refuse a JPEG by its size and its scans before it is decoded.

    Raises
    ------
    PhotoError
        If either is beyond what the settings allow, or there is no frame header.
    """
    frame, limits = frame_of(stream), Limits()
    check_budget(frame.columns, frame.rows, limits)
    # Metadata may hold the mark by chance; more than a few times it does not.
    check_scans(stream.count(_SCAN), limits)


def cut_short(kind: Format) -> PhotoError:
    """Make the error of a file that ends too early."""
    return PhotoError(Problem("photo.header.cut_short", kind=kind.text))


def ratio(columns: int, rows: int, samples: int, compressed: int) -> float:
    """Return the compression ratio: bytes of 8-bit pixels over compressed bytes."""
    return columns * rows * samples / max(compressed, 1)
