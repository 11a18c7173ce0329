"""The one function through which coefficients of a JPEG are moved, whatever does the work."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from archiver.errors import ArchiverError, Problem
from archiver.photo.jpeg_structure import ColourModel, JpegStructure
from archiver.photo.jpegtran import find_jpegtran, transform_by_process
from archiver.photo.turbo import load_turbo
from archiver.photo.turbo_3 import UnusualSampling
from archiver.photo.turning import Cut

# Sampling factors that every libjpeg-turbo has a name for; it refuses to crop all others.
_NAMED_BY_TURBO: Final = frozenset(
    {
        ((1, 1), (1, 1), (1, 1)),
        ((2, 1), (1, 1), (1, 1)),
        ((1, 2), (1, 1), (1, 1)),
        ((2, 2), (1, 1), (1, 1)),
        ((4, 1), (1, 1), (1, 1)),
        ((2, 2), (1, 2), (1, 2)),
        ((2, 2), (2, 1), (2, 1)),
    }
)


def transcode(stream: bytes, cuts: Sequence[Cut]) -> tuple[bytes, ...]:
    """Make pictures from the DCT coefficients of a JPEG, without touching a coefficient.

    Parameters
    ----------
    stream
        An 8-bit JPEG of any DCT process.
    cuts
        Turn and region of each picture. With none, the stream is decoded to its coefficients
        all the same, to find damage.

    Returns
    -------
    tuple of bytes
        One sequential Huffman stream for each cut, without metadata.

    Raises
    ------
    PhotoError
        If the stream is cut short or damaged.
    ArchiverError
        If this machine has neither libjpeg-turbo nor ``jpegtran``.
    """
    turbo, program = load_turbo(), find_jpegtran()
    if turbo is not None:
        try:
            return turbo.transform(stream, cuts)
        except UnusualSampling:
            if program is None:
                raise
    if program is None:
        raise ArchiverError(Problem("photo.transcoding.no_transcoder"))
    return transform_by_process(program, stream, cuts)


def can_crop(structure: JpegStructure) -> bool:
    """Whether regions of such a JPEG can be cut out here without decoding pixels."""
    factors = tuple((c.horizontal, c.vertical) for c in structure.components)
    by_turbo = load_turbo() is not None and (len(factors) == 1 or factors in _NAMED_BY_TURBO)
    return by_turbo or find_jpegtran() is not None


def crop_grid(structure: JpegStructure | None) -> tuple[int, int]:
    """Return width and height of the blocks on whose corners a crop without loss must lie.

    1 and 1 where any pixel will do; `structure` is None for what is no JPEG.
    """
    if structure is None or structure.colour is ColourModel.RGB or not structure.fits_baseline:
        return 1, 1
    return structure.mcu if can_crop(structure) else (1, 1)
