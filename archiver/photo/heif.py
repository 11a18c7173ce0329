"""HEIF files with HEVC pictures (ISO/IEC 23008-12), through pi-heif, which has a decoder only.

The decoder applies the container's own rotation and mirroring (irot, imir), as the standard
demands, and EXIF's orientation is then only informative (ISO/IEC 23008-12 Annex A). So the
turned pixels count as the stored ones and nothing remains to be done to them.
"""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from numpy.typing import NDArray

from archiver.errors import PhotoError, Problem
from archiver.photo.camera_file import Limits, LossyStep
from archiver.photo.colour import StatedColour, coded_statement
from archiver.photo.exif import ExifBlock, read_exif
from archiver.photo.header import ALPHA_NOTE, PictureHeader, check_budget, ratio
from archiver.wording import Text
from archiver.workers import confined

_TRANSFORMS = (b"irot", b"imir")


def open_picture(data: bytes) -> Any:
    """Open the primary picture; nothing is decoded yet.

    Raises
    ------
    PhotoError
        If the container is damaged or holds no picture that can be decoded.
    """
    import pi_heif

    try:
        return pi_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
    except Exception as error:
        # The library's own errors come in many classes; all mean the same to the caller.
        raise PhotoError(Problem("photo.heif.damaged")) from error


@confined(PhotoError)
def read_heif(data: bytes, limits: Limits) -> PictureHeader:
    """Read the header of a HEIF file.

    Raises
    ------
    PhotoError
        If it is damaged, cut short, or too large.
    """
    picture = open_picture(data)
    columns, rows = picture.size
    check_budget(columns, rows, limits)
    facts: dict[str, Any] = dict(picture.info)
    exif = read_exif(facts.get("exif")) if facts.get("exif") else ExifBlock()
    samples = 1 if picture.mode.split(";")[0] in ("L", "LA", "La", "I") else 3
    notes: list[Problem] = []
    if len(picture) > 1:
        notes.append(Problem("photo.heif.further_pictures", others=len(picture) - 1))
    if "a" in picture.mode.lower().split(";")[0]:
        notes.append(ALPHA_NOTE)
    depth = int(facts.get("bit_depth") or 8)
    if depth > 8:
        notes.append(Problem("photo.header.bits_rounded", depth=depth))
    if exif.orientation != 1 and not any(mark in data for mark in _TRANSFORMS):
        notes.append(Problem("photo.heif.orientation_doubtful", orientation=exif.orientation))
    return PictureHeader(
        columns,
        rows,
        samples,
        exif=exif,
        icc=facts.get("icc_profile") or None,
        stated=_stated(facts.get("nclx_profile")),
        orientation=1,
        # HEVC can be lossless, but no camera writes it so, and the header does not tell.
        lossy_past=(LossyStep("ISO_23008_2", ratio(columns, rows, samples, len(data))),),
        notes=tuple(notes),
    )


def decode_heif(data: bytes) -> NDArray[np.uint8]:
    """Decode the primary picture to 8 bits.

    Returns
    -------
    ndarray
        (rows, columns) or (rows, columns, samples), alpha still there.

    Raises
    ------
    PhotoError
        If it cannot be decoded.
    """
    picture = open_picture(data)
    try:
        # A copy: what the library lends is its own memory, gone with the picture.
        pixels = np.array(picture)
    except Exception as error:
        raise PhotoError(Problem("photo.heif.undecodable")) from error
    if pixels.dtype == np.uint8:
        return pixels
    # The library puts the bits at the upper end of 16.
    depth = int(picture.info.get("bit_depth") or 16)
    top = (1 << depth) - 1
    values = (pixels >> (16 - depth)).astype(np.uint32)
    return ((values * 255 + top // 2) // top).astype(np.uint8)


def _stated(nclx: dict[str, Any] | None) -> StatedColour | None:
    if not nclx:
        return None
    primaries = int(nclx.get("color_primaries", 2))
    transfer = int(nclx.get("transfer_characteristics", 2))
    return coded_statement(primaries, transfer, Text("photo.colour.heif_box"))
