"""Reading one camera file: its bytes, once, and what its header tells; nothing is decoded."""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from archiver.errors import PhotoError, Problem
from archiver.photo.bmp import read_bmp
from archiver.photo.camera_file import CameraFile, Format, Limits, LossyStep
from archiver.photo.capture_time import time_problems
from archiver.photo.colour import colour_of, exif_statement
from archiver.photo.exif import read_blocks
from archiver.photo.format_detection import EXTENSIONS, sniff
from archiver.photo.header import PictureHeader, check_budget, check_scans, ratio
from archiver.photo.heif import read_heif
from archiver.photo.jpeg import JpegStructure, parse_jpeg, refusal
from archiver.photo.png import read_png
from archiver.photo.raw import read_raw
from archiver.photo.tiff import read_tiff
from archiver.photo.webp import read_webp

_APP1 = 0xE1
_APP2 = 0xE2
_METADATA = frozenset({*range(0xE0, 0xF0), 0xFE})
#: Their directories are those of the whole file.
_DIRECTORIES = (Format.TIFF, Format.RAW)


def read_camera_file(
    path: Path, *, limits: Limits | None = None, now: datetime | None = None
) -> CameraFile:
    """Read a camera file.

    Parameters
    ----------
    path
        The file. It is read once and never changed.
    limits
        What is refused by its size.
    now
        Aware present time; with it a time of capture in the future is noted.

    Raises
    ------
    PhotoError
        One line that names the file, if it cannot be read or may not be wrapped.
    """
    name = path.name
    try:
        data = _bytes_of(path, limits or Limits())
        return read_camera_bytes(data, name, limits=limits, now=now)
    except PhotoError as error:
        raise PhotoError(
            *(problem.at(file=name) for problem in error.problems)
        ) from error.__cause__


def read_camera_bytes(
    data: bytes, name: str, *, limits: Limits | None = None, now: datetime | None = None
) -> CameraFile:
    """Do the same for bytes that have been read already.

    Raises
    ------
    PhotoError
        Without the file's name.
    """
    limits = limits or Limits()
    kind, header = _header_of(data, limits)
    colour, colour_notes = colour_of(
        header.icc, header.stated or exif_statement(header.exif), header.samples, limits
    )
    notes = (*_name_notes(name, kind), *header.notes, *header.exif.notes, *colour_notes)
    captured = header.exif.claims.captured
    later = (p for p in time_problems(captured, now) if p not in notes)
    return CameraFile(
        name=name,
        data=data,
        sha256=hashlib.sha256(data).hexdigest(),
        format=kind,
        columns=header.columns,
        rows=header.rows,
        exif_orientation=_orientation(header),
        claims=header.exif.claims,
        colour=colour,
        structure=header.structure,
        lossy_past=header.lossy_past,
        notes=(*notes, *later),
        exif=None if kind in _DIRECTORIES else header.exif.layout,
    )


def read_size(path: Path, *, limits: Limits | None = None) -> tuple[int, int, int]:
    """Return (columns, rows, EXIF orientation) of a camera file and nothing else of it.

    Raises
    ------
    PhotoError
        As `read_camera_file`.
    """
    try:
        limits = limits or Limits()
        _, header = _header_of(_bytes_of(path, limits), limits)
    except PhotoError as error:
        raise PhotoError(*(p.at(file=path.name) for p in error.problems)) from error.__cause__
    return header.columns, header.rows, _orientation(header)


def _header_of(data: bytes, limits: Limits) -> tuple[Format, PictureHeader]:
    kind = sniff(data)
    try:
        return kind, _READERS[kind](data, limits)
    except (struct.error, IndexError, OverflowError, ValueError) as error:
        raise PhotoError(Problem("photo.camera_reader.header_damaged", kind=kind.text)) from error


def _orientation(header: PictureHeader) -> int:
    return header.orientation or header.exif.orientation


def read_jpeg(data: bytes, limits: Limits) -> PictureHeader:
    """Read the header of a JPEG file, or of the first picture of several behind one another.

    Raises
    ------
    PhotoError
        If it is damaged, cut short, too large, or of a kind that is not wrapped.
    """
    structure = parse_jpeg(data)
    check_budget(structure.columns, structure.rows, limits)
    check_scans(len(structure.scans), limits)
    refused = refusal(structure)
    if refused is not None:
        raise PhotoError(refused)
    samples = len(structure.components)
    blocks = structure.payloads(data, _APP1, b"Exif\0")
    found = ratio(structure.columns, structure.rows, samples, _picture_size(structure))
    return PictureHeader(
        structure.columns,
        structure.rows,
        samples,
        exif=read_blocks([block[1:] for block in blocks]),
        icc=structure.icc,
        structure=structure,
        lossy_past=(LossyStep("ISO_10918_1", found),),
        notes=(*structure.notes, *_behind(data, structure)),
    )


def _bytes_of(path: Path, limits: Limits) -> bytes:
    try:
        if path.exists() and not path.is_file():
            raise PhotoError("photo.camera_reader.not_a_file")
        size = path.stat().st_size
        if size > limits.max_bytes:
            raise PhotoError(
                Problem(
                    "photo.camera_reader.too_large",
                    size=f"{size / 1e6:.0f}",
                    most=f"{limits.max_bytes / 1e6:.0f}",
                )
            )
        return path.read_bytes()
    except FileNotFoundError:
        raise PhotoError("photo.camera_reader.no_such_file") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise PhotoError(Problem("photo.camera_reader.unreadable", reason=reason)) from error


def _name_notes(name: str, kind: Format) -> tuple[Problem, ...]:
    suffix = Path(name).suffix.lower()
    promised = EXTENSIONS.get(suffix)
    if promised in (None, kind):
        return ()
    return (Problem("photo.camera_reader.misnamed", suffix=suffix, kind=kind.text),)


def _picture_size(structure: JpegStructure) -> int:
    """Bytes of the stream without its metadata segments: what the picture itself takes."""
    metadata = sum(s.end - s.start for s in structure.segments if s.marker in _METADATA)
    return structure.end - metadata


def _behind(data: bytes, structure: JpegStructure) -> tuple[Problem, ...]:
    """Tell of pictures behind the first end of image (multi-picture format, CIPA DC-007)."""
    if structure.trailing == 0:
        return ()
    several = structure.payloads(data, _APP2, b"MPF\0") or data.find(b"\xff\xd8", structure.end) > 0
    code = "photo.camera_reader.further_pictures" if several else "photo.camera_reader.other_bytes"
    return (Problem(code, n=structure.trailing),)


_READERS: dict[Format, Callable[[bytes, Limits], PictureHeader]] = {
    Format.JPEG: read_jpeg,
    Format.PNG: read_png,
    Format.TIFF: read_tiff,
    Format.HEIF: read_heif,
    Format.WEBP: read_webp,
    Format.BMP: read_bmp,
    Format.RAW: read_raw,
}
