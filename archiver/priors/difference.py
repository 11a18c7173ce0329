"""What differs between two aligned pictures: a map, and the mean colour of a region."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from archiver.colour import Array, White, colours
from archiver.priors.display_pixels import Shown
from archiver.vision import cv2, scaling

Pixels = NDArray[np.uint8]
Mask = NDArray[np.bool_]
Box = tuple[int, int, int, int]

#: Longer side of the map, in pixels.
_MAP_SIDE = 750
#: Standard deviation by which both pictures are smoothed first: noise is no difference.
_SMOOTHING = 1.5
#: CIEDE2000 at the upper end of the scale.
FULL_SCALE = 20.0
_ENOUGH = 20_000


@dataclass(frozen=True)
class Laid:
    """A prior laid on the newest picture, both at the same size.

    Attributes
    ----------
    pixels
        The prior in its own encoding, shape (rows, columns, 3).
    covered
        Where the prior reaches.
    """

    pixels: Pixels
    covered: Mask


@dataclass(frozen=True)
class RegionColour:
    """Mean colour of one region at both dates.

    Parameters
    ----------
    newest, prior
        Mean L*a*b*, D65.
    newest_d50, prior_d50
        The same relative to D50.
    difference
        CIEDE2000 of the D65 means.
    pixels
        How many were averaged, gloss left out.
    chosen
        True where a person chose the region.
    """

    newest: tuple[float, float, float]
    prior: tuple[float, float, float]
    newest_d50: tuple[float, float, float]
    prior_d50: tuple[float, float, float]
    difference: float
    pixels: int
    chosen: bool = False


def shown_matrix(matrix: Array, newest: Shown, prior: Shown) -> Array:
    """Carry a transform between full pictures to the pictures as they were decoded."""
    return np.asarray(scaling(1 / newest.factor) @ matrix @ scaling(prior.factor))


def lay(matrix: Array, newest: Shown, prior: Shown) -> Laid:
    """Lay a prior on the newest picture.

    Parameters
    ----------
    matrix
        From the full prior to the full newest picture.
    """
    inner = shown_matrix(matrix, newest, prior)
    rows, columns = newest.pixels.shape[:2]
    pixels = cv2.warpPerspective(prior.pixels, inner, (columns, rows), flags=cv2.INTER_AREA)
    whole = np.full(prior.pixels.shape[:2], 255, np.uint8)
    covered = cv2.warpPerspective(whole, inner, (columns, rows), flags=cv2.INTER_NEAREST)
    return Laid(np.asarray(pixels, np.uint8), np.asarray(covered > 0))


def difference_map(newest: Shown, prior: Shown, laid: Laid, gains: Sequence[Array]) -> Array:
    """Return CIEDE2000 of every place, NaN where the prior does not reach.

    Parameters
    ----------
    gains
        Factors (3,) of linear light for the newest picture and for the prior.

    Returns
    -------
    ndarray
        Shape (rows, columns), the longer side 750 at most.
    """
    rows, columns = newest.pixels.shape[:2]
    ratio = min(1.0, _MAP_SIDE / max(rows, columns))
    size = (max(1, round(columns * ratio)), max(1, round(rows * ratio)))

    def small(pixels: Pixels) -> Pixels:
        reduced = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
        return np.asarray(cv2.GaussianBlur(reduced, (0, 0), _SMOOTHING), np.uint8)

    one = colours.lab(small(newest.pixels), newest.space, gain=gains[0])
    other = colours.lab(small(laid.pixels), prior.space, gain=gains[1])
    found = colours.difference(one, other)
    covered = cv2.resize(laid.covered.astype(np.uint8), size, interpolation=cv2.INTER_AREA)
    found[covered == 0] = np.nan
    return found


def region_colour(
    newest: Shown, prior: Shown, laid: Laid, region: Mask, gains: Sequence[Array]
) -> RegionColour | None:
    """Average a region of both pictures; None where nothing is left of it.

    Parameters
    ----------
    region
        Of the newest picture as decoded; gloss is to be left out of it already.
    """
    on = region & laid.covered
    if on.sum() < 20:
        return None
    # Some ten thousand pixels settle a mean to a hundredth.
    rows, columns = np.nonzero(on)
    every = 1 + len(rows) // _ENOUGH
    at = (rows[::every], columns[::every])
    means = []
    for white in (White.D65, White.D50):
        for pixels, space, gain in (
            (newest.pixels, newest.space, gains[0]),
            (laid.pixels, prior.space, gains[1]),
        ):
            means.append(colours.lab(pixels[at], space, white, gain).mean(axis=0))
    apart = float(colours.difference(means[0], means[1]))
    one, other, one_d50, other_d50 = (_three(mean) for mean in means)
    return RegionColour(one, other, one_d50, other_d50, apart, len(rows))


def _three(mean: Array) -> tuple[float, float, float]:
    return float(mean[0]), float(mean[1]), float(mean[2])
