"""A photograph's pixels from its DICOM file: reduced, in display orientation, colours stated."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from pydicom import Dataset
from pydicom.encaps import generate_frames

from archiver.colour import ColourBasis, ColourSpace, basis_of, space_of
from archiver.dentition import Orientation, Sight, Turn, sight
from archiver.errors import MeaningError, ObjectError, PhotoError, Problem
from archiver.objects import Description, describe, icc_profile, open_dataset
from archiver.photo import Limits, check_budget, reduced, turned
from archiver.workers import confined

Pixels = NDArray[np.uint8]

#: Longer side of what is decoded, in pixels; nothing shown or measured needs more.
SIDE = 1500


@dataclass(frozen=True)
class Shown:
    """A photograph as it is displayed.

    Parameters
    ----------
    description
        What it says of itself.
    pixels
        uint8, shape (rows, columns, 3), in display orientation and its own colour encoding.
    size
        Columns and rows of the full picture in display orientation.
    edges
        Orientation as displayed; None where the object does not say.
    space
        What its numbers mean.
    turn
        From the stored pixels to what is shown.
    path
        The file.
    basis
        What its colours rest on.
    """

    description: Description
    pixels: Pixels
    size: tuple[int, int]
    edges: Orientation | None
    space: ColourSpace
    turn: Turn
    path: Path
    basis: ColourBasis = field(default_factory=ColourBasis)

    @property
    def factor(self) -> float:
        """Full pixels for one that is shown."""
        return self.size[0] / int(self.pixels.shape[1])


@confined(ObjectError)
def load(path: Path, side: int = SIDE, beside: Orientation | None = None) -> Shown:
    """Read a photograph.

    Parameters
    ----------
    path
        A DICOM file.
    side
        Longer side of what is decoded.
    beside
        Orientation of a picture that it is compared with; see `display_turn`.

    Raises
    ------
    ObjectError
        If it is no photograph that can be shown.
    """
    dataset = open_dataset(path, pixels=True)
    description = describe(dataset)
    try:
        picture, size = _decoded(dataset, side)
    except PhotoError as error:
        raise ObjectError(*(problem.at(file=str(path)) for problem in error.problems)) from error
    turn, edges = display_turn(description, beside)
    if turn.swaps_sides:
        size = (size[1], size[0])
    return Shown(
        description,
        np.ascontiguousarray(turned(np.asarray(picture.convert("RGB"), np.uint8), turn.value)),
        size,
        edges,
        space_of(icc_profile(dataset)),
        turn,
        path,
        basis_of(dataset),
    )


def sight_of(description: Description) -> Sight | None:
    """What it looks at; None where it does not say, or contradicts itself."""
    if description.view is None:
        return None
    try:
        return sight(description.view, description.teeth)
    except MeaningError:
        return None


def display_turn(
    description: Description, beside: Orientation | None = None
) -> tuple[Turn, Orientation | None]:
    """Return the turn from stored pixels to display, and the orientation reached.

    A picture that still is mirror-reversed is turned back by it.

    Parameters
    ----------
    beside
        An orientation that it is to have as well, where its view may be displayed so: practices
        differ in palatal and lingual pictures of front teeth. None for its own.
    """
    stored, seen = description.orientation, sight_of(description)
    if stored is None:
        return Turn.IDENTITY, None
    if seen is not None:
        try:
            display = seen.displayed(beside or stored).display
            return stored.turn_to(display), display
        except ValueError:  # it does not look where its view does
            pass
    return Turn.IDENTITY, stored


def _decoded(dataset: Dataset, side: int) -> tuple[Image.Image, tuple[int, int]]:
    """The first frame, reduced, and columns and rows of the whole."""
    try:
        size = (int(dataset.Columns), int(dataset.Rows))
        check_budget(*size, Limits())
        if dataset.file_meta.TransferSyntaxUID.is_encapsulated:
            frame = next(generate_frames(dataset.PixelData, number_of_frames=1))
            return reduced(frame, side), size
        picture = Image.fromarray(dataset.pixel_array)
    except (AttributeError, NotImplementedError, StopIteration, TypeError, ValueError) as error:
        raise PhotoError(Problem("priors.display_pixels.unreadable", error=error)) from error
    picture.thumbnail((side, side), Image.Resampling.LANCZOS)
    return picture, size
