"""Telling the kind of a camera file by its first bytes; its name is only compared."""

from __future__ import annotations

from archiver.errors import PhotoError, Problem
from archiver.photo import png, tiff
from archiver.photo.camera_file import Format
from archiver.wording import Text

_HEIF_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx"})
_GENERIC_BRANDS = frozenset({b"mif1", b"msf1"})
_AV1_BRANDS = frozenset({b"avif", b"avis"})
_TIFF_MAGIC = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")

_OTHERS = (
    (b"GIF8", "GIF"),
    (b"%PDF", "PDF"),
    (b"\0\0\0\x0cjP  ", "JPEG_2000"),
    (b"\xff\x4f\xff\x51", "JPEG_2000"),
    (b"\xff\x0a", "JPEG_XL"),
    (b"\0\0\0\x0cJXL ", "JPEG_XL"),
    (b"8BPS", "editor"),
    (b"PK\x03\x04", "ZIP"),
)

EXTENSIONS = {
    ".jpg": Format.JPEG,
    ".jpeg": Format.JPEG,
    ".jpe": Format.JPEG,
    ".jfif": Format.JPEG,
    ".mpo": Format.JPEG,
    ".png": Format.PNG,
    ".tif": Format.TIFF,
    ".tiff": Format.TIFF,
    ".heic": Format.HEIF,
    ".heif": Format.HEIF,
    ".hif": Format.HEIF,
    ".webp": Format.WEBP,
    ".bmp": Format.BMP,
    ".dib": Format.BMP,
    ".dng": Format.RAW,
}
"""What a file's name promises, in small letters."""


def sniff(data: bytes) -> Format:
    """Tell the kind of a file by its content.

    Raises
    ------
    PhotoError
        If it is empty or none of the kinds that are read.
    """
    if not data:
        raise PhotoError(Problem("photo.format_detection.empty"))
    if data[:2] == b"\xff\xd8":
        return Format.JPEG
    if data.startswith(png.SIGNATURE):
        return Format.PNG
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return Format.WEBP
    if data[4:8] == b"ftyp":
        return _by_brand(data)
    if tiff.is_raw(data):
        return Format.RAW
    if data[:4] in _TIFF_MAGIC:
        return Format.TIFF
    if data[:2] == b"BM" and len(data) >= 18 and data[15:18] == b"\0\0\0":
        return Format.BMP
    for start, kind in _OTHERS:
        if data.startswith(start):
            raise PhotoError(
                Problem(
                    "photo.format_detection.other_kind", kind=Text(f"photo.format_detection.{kind}")
                )
            )
    if data[128:132] == b"DICM":
        raise PhotoError(Problem("photo.format_detection.dicom"))
    if not any(data[:4096]):
        raise PhotoError(Problem("photo.format_detection.zeros"))
    raise PhotoError(Problem("photo.format_detection.unknown"))


def _by_brand(data: bytes) -> Format:
    """Tell by the brands of an ISO base media file (ISO/IEC 14496-12 4.3)."""
    size = min(int.from_bytes(data[:4], "big"), 512, len(data))
    brands = {data[8:12]} | {data[i : i + 4] for i in range(16, size - 3, 4)}
    if data[8:12] == b"crx ":
        return Format.RAW
    if brands & _HEIF_BRANDS:
        return Format.HEIF
    if brands & _AV1_BRANDS:
        raise PhotoError(Problem("photo.format_detection.avif"))
    if brands & _GENERIC_BRANDS:
        return Format.HEIF
    raise PhotoError(Problem("photo.format_detection.film"))
