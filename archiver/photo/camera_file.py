"""What a camera file is to the rest of the program: its bytes and what they claim.

Only types live here. Reading is in `archiver.photo.camera_reader`; this module imports neither
numpy nor Pillow.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import Enum
from typing import TYPE_CHECKING, Literal, TypeAlias

from archiver.errors import Problem
from archiver.wording import Text
from archiver.workers import allowance

if TYPE_CHECKING:
    from archiver.photo.ifd import TiffLayout
    from archiver.photo.jpeg import JpegStructure

AttributeValue: TypeAlias = "str | int | float | bytes | tuple[str, ...] | tuple[int, ...]"
"""A value that suits the value representation of its keyword (DS as its decimal text)."""


class Format(str, Enum):
    """Kinds of camera file, told by content and never by file name."""

    JPEG = "JPEG"
    PNG = "PNG"
    TIFF = "TIFF"
    HEIF = "HEIF"
    WEBP = "WebP"
    BMP = "BMP"
    RAW = "camera raw"

    def __str__(self) -> str:
        return str(self.value)

    @property
    def text(self) -> Text:
        """How the kind is called."""
        return Text(f"photo.format.{self.name}")


@dataclass(frozen=True)
class Limits:
    """What is refused before anything is decoded.

    Parameters
    ----------
    max_bytes
        Largest file, in bytes.
    max_pixels
        Pixel budget: rows x columns as the header tells them; left out: what the settings
        allow. 120 megapixels admits every camera that a practice is likely to own and keeps
        one decoded RGB picture under 400 MB (common practice, no source).
    max_side
        Rows and Columns are 16-bit unsigned (PS3.6, VR US).
    max_profile
        Largest ICC profile believed, in bytes.
    max_scans
        Scans of a JPEG; left out: what the settings allow.
    """

    max_bytes: int = 512 * 1024 * 1024
    max_pixels: int = field(default_factory=lambda: allowance().pixels)
    max_side: int = 65_535
    max_profile: int = 4 * 1024 * 1024
    max_scans: int = field(default_factory=lambda: allowance().scans)


@dataclass(frozen=True)
class LossyStep:
    """One lossy compression that the pixels have been through (PS3.3 C.7.6.1.1.5).

    Parameters
    ----------
    method
        Defined term of Lossy Image Compression Method (0028,2114), such as ``ISO_10918_1``;
        empty where the standard has no term for the method (WebP).
    ratio
        Uncompressed size divided by compressed size (0028,2112).
    """

    method: str
    ratio: float


@dataclass(frozen=True)
class ColourClaim:
    """What the pixel values mean as colours.

    Parameters
    ----------
    icc
        Input-device profile (class ``scnr``) ready for ICC Profile (0028,2000), or None.
    color_space
        Defined term of Color Space (0028,2002): ``SRGB``, ``ADOBERGB``, ``ROMMRGB``; or None.
    samples
        1 (grey) or 3 (colour).
    origin
        ``embedded``: the file's own profile; ``claimed``: built from a claim in the metadata;
        ``assumed``: the file says nothing and sRGB was assumed; ``none``: no profile.
    embedded
        The file's own profile, byte for byte but for what stands behind its end, where it has one
        that could be read.
    """

    icc: bytes | None
    color_space: str | None
    samples: int
    origin: Literal["embedded", "claimed", "assumed", "none"] = "none"
    embedded: bytes | None = None


@dataclass(frozen=True)
class CaptureTime:
    """When the camera says that the picture was taken.

    Parameters
    ----------
    text
        The words of the file, unaltered: date and time, fraction, offset.
    when
        The same as a time; aware where the file tells its offset from UTC, else naive.
        None where the text cannot be a time.
    source
        Names of the EXIF tags that were used.
    """

    text: str
    when: datetime | None
    source: str

    @property
    def offset(self) -> timedelta | None:
        """Offset from UTC, or None where it is not told."""
        return self.when.utcoffset() if self.when is not None else None


@dataclass(frozen=True)
class Claims:
    """What the file's metadata say about the photograph and the camera.

    Parameters
    ----------
    rows
        (keyword, value) for attributes of the modules VL Photographic Equipment and VL
        Photographic Acquisition, in order of their tags.
    make, model, serial_number
        The camera, for General Equipment or Contributing Equipment.
    software
        Firmware or program that wrote the file.
    captured
        Time of capture, or None where the file tells none.
    """

    rows: tuple[tuple[str, AttributeValue], ...] = ()
    make: str | None = None
    model: str | None = None
    serial_number: str | None = None
    software: str | None = None
    captured: CaptureTime | None = None

    def value(self, keyword: str) -> AttributeValue | None:
        """Return the value of a keyword, or None."""
        return next((value for key, value in self.rows if key == keyword), None)


@dataclass(frozen=True)
class CameraFile:
    """One camera file, read once and undecoded.

    Parameters
    ----------
    name
        Base name, for messages only: a file name is no identity.
    data
        The bytes as on the card.
    sha256
        Digest of `data`, in hexadecimal.
    format
        Kind of file.
    columns, rows
        Size of the stored pixels, before any EXIF orientation.
    exif_orientation
        1..8: what still has to be done to the stored pixels for upright display; 1 when it
        is absent or nonsense. For HEIF and camera raw, whose decoders turn the pixels, the
        turned pixels count as the stored ones and this is 1.
    claims, colour
        Metadata and colour.
    structure
        Structure of the JPEG stream where the format is JPEG.
    lossy_past
        Lossy compressions that the pixels have been through, oldest first.
    notes
        Warnings worth telling.
    exif
        EXIF's own directories; None where there are none that can be read, and for TIFF and camera
        raw, whose directories are those of the whole file.
    """

    name: str
    data: bytes = field(repr=False)
    sha256: str
    format: Format
    columns: int
    rows: int
    exif_orientation: int
    claims: Claims
    colour: ColourClaim
    structure: JpegStructure | None
    lossy_past: tuple[LossyStep, ...]
    notes: tuple[Problem, ...]
    exif: TiffLayout | None = field(default=None, repr=False, compare=False)
