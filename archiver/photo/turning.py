"""Turning and cropping as geometry: boxes, MCU grids, and what a partial MCU costs.

The eight turns are numbered by the EXIF orientation value whose display operation they are
(Exif 2.32, tag 274): 1 none, 2 flip left-right, 3 half turn, 4 flip top-bottom, 5 transpose,
6 quarter turn clockwise, 7 transverse, 8 quarter turn anticlockwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from archiver.errors import PhotoError, Problem

Pixels = npt.NDArray[np.uint8]

# turn -> (columns reversed, rows reversed, then transposed), in terms of the source.
_PARTS: Final = {
    1: (False, False, False),
    2: (True, False, False),
    3: (True, True, False),
    4: (False, True, False),
    5: (False, False, True),
    6: (False, True, True),
    7: (True, True, True),
    8: (True, False, True),
}
INVERSE: Final = {1: 1, 2: 2, 3: 3, 4: 4, 5: 5, 6: 8, 7: 7, 8: 6}
"""The turn that undoes each turn."""


@dataclass(frozen=True)
class Box:
    """A rectangle of whole pixels; `left` and `top` count from the picture's upper left corner."""

    left: int
    top: int
    width: int
    height: int

    @property
    def right(self) -> int:
        """First column to the right of the box."""
        return self.left + self.width

    @property
    def bottom(self) -> int:
        """First row below the box."""
        return self.top + self.height


@dataclass(frozen=True)
class Cut:
    """One picture to be made from the coefficients of a JPEG.

    Parameters
    ----------
    turn
        1..8.
    region
        What to keep, in the picture that the turn makes after partial MCUs that cannot move
        have been dropped; None keeps all. `left` and `top` lie on MCU corners.
    whole
        Whether the source is known to hold whole MCUs only along the axes that the turn
        reverses, so that nothing is dropped. It makes the work cheaper, and changes nothing.
    """

    turn: int = 1
    region: Box | None = None
    whole: bool = False


@dataclass(frozen=True)
class CutPlan:
    """How near a wanted crop comes to what the MCU grid allows.

    Parameters
    ----------
    cut
        What to ask of the transcoder.
    box
        The same region in the corrected, uncropped and untrimmed picture.
    trimmed_left, trimmed_top
        Columns and rows that were wanted and are lost in a partial MCU. A partial MCU stands at
        the right or lower edge; it is lost only where the turn would move it to the left or upper
        edge, so nothing is ever lost at the other two.
    """

    cut: Cut
    box: Box
    trimmed_left: int
    trimmed_top: int


def turned_size(turn: int, columns: int, rows: int) -> tuple[int, int]:
    """Return (columns, rows) of the picture after a turn."""
    return (rows, columns) if _parts(turn)[2] else (columns, rows)


def turned(pixels: Pixels, turn: int) -> Pixels:
    """Return a view of the turned pixels.

    Parameters
    ----------
    pixels
        Array of shape (rows, columns) or (rows, columns, samples).
    turn
        1..8.
    """
    across, down, transposed = _parts(turn)
    view = pixels[:: -1 if down else 1, :: -1 if across else 1]
    return view.swapaxes(0, 1) if transposed else view


def turned_box(box: Box, turn: int, columns: int, rows: int) -> Box:
    """Map a box of a picture of columns x rows pixels into the picture that the turn makes."""
    across, down, transposed = _parts(turn)
    left = columns - box.right if across else box.left
    top = rows - box.bottom if down else box.top
    if transposed:
        return Box(top, left, box.height, box.width)
    return Box(left, top, box.width, box.height)


def source_box(box: Box, turn: int, columns: int, rows: int) -> Box:
    """Map a box of the turned picture back into its source of columns x rows pixels."""
    return turned_box(box, INVERSE[turn], *turned_size(turn, columns, rows))


def cut_out(pixels: Pixels, box: Box | None) -> Pixels:
    """Return a view of the pixels inside a box; all of them for None."""
    return pixels if box is None else pixels[box.top : box.bottom, box.left : box.right]


def check_crop(crop: Box | None, columns: int, rows: int) -> Box:
    """Return the crop, or the whole picture of columns x rows pixels for None.

    Raises
    ------
    PhotoError
        If the crop is empty or passes the picture's edge.
    """
    if crop is None:
        return Box(0, 0, columns, rows)
    inside = 0 <= crop.left < crop.right <= columns and 0 <= crop.top < crop.bottom <= rows
    if not inside:
        raise PhotoError(
            Problem(
                "photo.turning.crop_outside",
                width=crop.width,
                height=crop.height,
                left=crop.left,
                top=crop.top,
                columns=columns,
                rows=rows,
            )
        )
    return crop


def plan_cut(
    turn: int, crop: Box | None, *, size: tuple[int, int], mcu: tuple[int, int]
) -> CutPlan | None:
    """Fit a turn and a crop to the MCU grid.

    The crop grows outward to MCU boundaries and stops at the picture's edge. Where rows and
    columns are exchanged and an MCU is not square, its left and upper edge goes to a multiple
    of the longer side, since libjpeg-turbo 3.0 tests the crop against the source's MCU and
    later releases against the result's.

    Parameters
    ----------
    turn
        1..8.
    crop
        In pixels of the turned picture; None for all of it.
    size, mcu
        (width, height) of the source and of its MCU, in pixels.

    Returns
    -------
    CutPlan or None
        None where nothing of the crop lies in an MCU that can be moved.
    """
    across, down, transposed = _parts(turn)
    columns, rows = turned_size(turn, *size)
    wanted = check_crop(crop, columns, rows)
    grid = mcu[::-1] if transposed else mcu
    backwards = (down, across) if transposed else (across, down)
    start_grid = (max(mcu), max(mcu)) if transposed else mcu
    horizontal = _fit((wanted.left, wanted.right), columns, grid[0], start_grid[0], backwards[0])
    vertical = _fit((wanted.top, wanted.bottom), rows, grid[1], start_grid[1], backwards[1])
    if horizontal is None or vertical is None:
        return None
    (left, right, dropped_x, trimmed_left), (top, bottom, dropped_y, trimmed_top) = (
        horizontal,
        vertical,
    )
    everything = (left, top) == (dropped_x, dropped_y) and (right, bottom) == (columns, rows)
    region = Box(left - dropped_x, top - dropped_y, right - left, bottom - top)
    return CutPlan(
        Cut(turn, None if everything else region, (dropped_x, dropped_y) == (0, 0)),
        Box(left, top, right - left, bottom - top),
        trimmed_left,
        trimmed_top,
    )


def crop_done(
    crop: Box, turn: int, *, size: tuple[int, int], grid: tuple[int, int], trims: bool = True
) -> Box:
    """Return a crop as it will be done: grown to the grid where coefficients are moved.

    Parameters
    ----------
    crop
        In pixels of the turned picture.
    size, grid
        (width, height) of the source and of its MCU; the latter 1 x 1 where pixels are cut.
    trims
        False where a lossless codec is used rather than that a partial MCU is left out.

    Raises
    ------
    PhotoError
        If the crop is empty or passes the picture's edge.
    """
    plan = plan_cut(turn, crop, size=size, mcu=grid)
    if plan is None or (not trims and (plan.trimmed_left or plan.trimmed_top)):
        return crop
    return plan.box


def _fit(
    span: tuple[int, int], length: int, step: int, start_step: int, backwards: bool
) -> tuple[int, int, int, int] | None:
    """Grow one axis of a crop to the grid.

    Returns (start, end, dropped, trimmed): the grown span in the untrimmed picture, the
    length of the partial MCU that the turn drops at the axis's start, and how much of the
    wanted span lay in it.
    """
    dropped = length % step if backwards else 0
    trimmed = max(0, dropped - span[0])
    start = (max(span[0], dropped) - dropped) // start_step * start_step
    end = min(-(-(span[1] - dropped) // step) * step, length - dropped)
    if end <= start:
        return None
    return start + dropped, end + dropped, dropped, trimmed


def _parts(turn: Any) -> tuple[bool, bool, bool]:
    if turn not in _PARTS:
        raise ValueError(f"turn {turn!r}; expected 1 to 8")
    return _PARTS[turn]
