"""An archived picture before it is decoded: how large it is and how it must be turned."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from pydicom.encaps import generate_frames
from starlette.exceptions import HTTPException

from archiver.colour import ColourSpace, space_of
from archiver.dentition import Orientation, Turn
from archiver.errors import ObjectError, PhotoError, Problem
from archiver.network.node.dicomweb import Rendition, render
from archiver.objects import Description, describe, icc_profile, open_dataset
from archiver.photo import check_stream, frame_of, load_turbo
from archiver.priors import display_turn
from archiver.workers import confined

Pixels = NDArray[np.uint8]

#: Pixels of a picture that has to be decoded whole.
_LARGEST_WHOLE = 150_000_000
#: JPEG processes with 8-bit samples that libjpeg-turbo decodes (PS3.5 10.2): baseline, lossless.
_BASELINE, _LOSSLESS = "1.2.840.10008.1.2.4.50", "1.2.840.10008.1.2.4.70"


@dataclass(frozen=True)
class PictureSource:
    """A picture as it is displayed.

    Parameters
    ----------
    path
        The object's file.
    description
        What it says of itself.
    size
        Columns and rows of the full picture in display orientation.
    turn
        From the stored pixels to what is displayed.
    edges
        Orientation as displayed; None where the object does not say.
    space
        What its numbers mean.
    coding
        Transfer syntax of the pixels where libjpeg-turbo decodes them, else an empty text.
    """

    path: Path
    description: Description
    size: tuple[int, int]
    turn: Turn
    edges: Orientation | None
    space: ColourSpace
    coding: str

    @property
    def is_scalable(self) -> bool:
        """True where reduced decoding costs less than the whole."""
        return self.coding == _BASELINE


def read_source(path: Path) -> PictureSource:
    """Read all but the pixels.

    Raises
    ------
    ObjectError
        If the object is no picture.
    """
    dataset = open_dataset(path, pixels=False)
    description = describe(dataset)
    try:
        columns, rows = int(dataset.Columns), int(dataset.Rows)
        samples, bits = int(dataset.SamplesPerPixel), int(dataset.BitsAllocated)
        syntax = str(dataset.file_meta.TransferSyntaxUID)
    except (AttributeError, TypeError, ValueError) as error:
        raise ObjectError(Problem("web.picture_source.no_picture").at(file=str(path))) from error
    if min(columns, rows) < 1:
        raise ObjectError(Problem("web.picture_source.no_pixels").at(file=str(path)))
    turn, edges = display_turn(description)
    plain = samples == 3 and bits == 8 and load_turbo() is not None
    return PictureSource(
        path,
        description,
        (rows, columns) if turn.swaps_sides else (columns, rows),
        turn,
        edges,
        space_of(icc_profile(dataset)),
        syntax if plain and syntax in (_BASELINE, _LOSSLESS) else "",
    )


@confined(ObjectError)
def stored_pixels(source: PictureSource, reduction: int) -> Pixels:
    """Decode the first frame.

    Parameters
    ----------
    reduction
        1, 2, 4 or 8: so many pixels become one, either way.

    Returns
    -------
    ndarray
        uint8, shape (rows, columns, 3), not turned yet.

    Raises
    ------
    ObjectError
        If it cannot be decoded.
    """
    try:
        if not source.coding:
            return _by_rendering(source.path, reduction)
        dataset = open_dataset(source.path, pixels=True)
        frame = next(generate_frames(dataset.PixelData, number_of_frames=1))
        check_stream(frame)
        _check_size(frame, source)
        turbo = load_turbo()
        assert turbo is not None
        pixels = turbo.decode(frame, reduction if source.is_scalable else 1)
    except (PhotoError, HTTPException, AttributeError, StopIteration, ValueError) as error:
        reason = error.problems if isinstance(error, PhotoError) else str(error)
        problem = Problem("web.picture_source.not_shown", reason=reason)
        raise ObjectError(problem.at(file=source.path.name)) from error
    if pixels.ndim == 2:
        pixels = np.repeat(pixels[:, :, np.newaxis], 3, axis=2)
    return pixels if source.is_scalable else _reduced(Image.fromarray(pixels), reduction)


def _check_size(frame: bytes, source: PictureSource) -> None:
    """Refuse a stream that is larger than the object says, before room is made for its pixels."""
    found, size = frame_of(frame), source.size
    columns, rows = size[::-1] if source.turn.swaps_sides else size
    if (found.columns, found.rows) != (columns, rows):
        raise PhotoError(
            Problem(
                "web.picture_source.other_size",
                columns=found.columns,
                rows=found.rows,
                right=f"{columns} x {rows}",
            )
        )
    if not source.is_scalable and columns * rows > _LARGEST_WHOLE:
        raise PhotoError(Problem("web.picture_source.too_many", columns=columns, rows=rows))


def _by_rendering(path: Path, reduction: int) -> Pixels:
    """Let the node render it: radiographs by their window, and what else is no JPEG."""
    with Image.open(io.BytesIO(render(path, Rendition("image/png")))) as picture:
        return _reduced(picture.convert("RGB"), reduction)


def _reduced(picture: Image.Image, reduction: int) -> Pixels:
    if reduction > 1:
        picture = picture.reduce(reduction)
    return np.asarray(picture, np.uint8)
