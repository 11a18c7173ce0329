"""How a picture is framed against an earlier one of the same teeth, from their alignment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from archiver.vision.transforms import Array, Model, carried, size_and_turn

Size = tuple[int, int]
#: (left, top, width, height) in pixels.
Frame = tuple[int, int, int, int]


@dataclass(frozen=True)
class Framing:
    """A newer picture against a prior.

    Parameters
    ----------
    closer
        How much of the frame's side a tooth takes, against the prior: above one where the newer
        picture was taken closer, whatever the cameras' pixels.
    turn
        By how much the prior has to be turned, degrees clockwise.
    shift
        How far right and down the middle of the prior lies from that of the newer picture, in
        shares of the newer one's width and height.
    tilt
        How much nearer to the camera the right and the lower edge are, against the opposite edges,
        than in the prior: logarithms of the proportion of distances. None where the transform that
        was fitted can't tell.
    frame
        The prior's frame in full pixels of the newer picture, upright and with its proportions; it
        may reach beyond the picture.
    """

    closer: float
    turn: float
    shift: tuple[float, float]
    tilt: tuple[float, float] | None
    frame: Frame


def framing_of(matrix: Array, model: Model, prior: Size, newer: Size) -> Framing:
    """Tell how a picture is framed.

    Parameters
    ----------
    matrix
        From pixels of the full prior to those of the full newer picture.
    model
        Only a homography tells of a tilt.
    prior, newer
        Columns and rows of both, as displayed.
    """
    middle = (np.array(prior, float) - 1) / 2
    size, turn = size_and_turn(matrix, middle)
    at = carried(matrix, middle[None])[0]
    side = size * np.sqrt(prior[0] * prior[1])
    off = (at - (np.array(newer, float) - 1) / 2) / newer
    width, height = (round(size * length) for length in prior)
    left, top = (
        round(float(place) + 0.5 - side / 2)
        for place, side in zip(at, (width, height), strict=True)
    )
    return Framing(
        float(side / np.sqrt(newer[0] * newer[1])),
        turn,
        (float(off[0]), float(off[1])),
        _tilt(matrix, newer) if model is Model.HOMOGRAPHY else None,
        (left, top, width, height),
    )


def _tilt(matrix: Array, newer: Size) -> tuple[float, float]:
    """Compare how much the prior is enlarged at opposite edges of the newer picture.

    A plane that is seen at distance z has areas that go with z to the power of -3 where it is
    tilted: with 1/z across, twice along and once more for the slope (the determinant of a
    homography's derivative is det H / w^3, w going with z).
    """
    columns, rows = newer
    back: Array = np.linalg.inv(matrix).astype(np.float64)

    def nearness(x: float, y: float) -> float:
        place = carried(back, np.array([[x, y]]))[0]
        return float(2 / 3 * np.log(size_and_turn(matrix, place)[0]))

    across = nearness(columns, rows / 2) - nearness(0, rows / 2)
    down = nearness(columns / 2, rows) - nearness(columns / 2, 0)
    return across, down
