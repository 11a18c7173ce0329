"""A grey card: cast and exposure taken out of what the picture itself says of its colours.

One grey fixes three numbers, so curves stay those that the camera claims and its primaries are
adapted as a whole (Bradford, ICC.1:2004 Annex E). What a camera's picture style adds of contrast
stays, and how far it leads away from the truth cannot be known from the card.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from archiver.colour.characterisation import matrix_profile
from archiver.errors import PhotoError, Problem
from archiver.photo import icc

Pixels = NDArray[np.uint8]
Array = NDArray[np.float64]

#: Reflectance of the usual grey card.
GREY_CARD: Final = 0.18
_SMALLEST: Final = 16
_LIGHTEST, _TOO_DARK = 252.0, 20.0
#: Change of light across the card that is refused: of its strength, and of its colour.
_UNEVEN, _MIXED = 0.15, 0.04


def grey_profile(
    pixels: Pixels, region: tuple[int, int, int, int], profile: bytes, name: str, reflectance: float
) -> bytes:
    """Return the ICC input profile under which the card is neutral and as light as it is.

    Parameters
    ----------
    pixels
        uint8, shape (rows, columns, 3).
    region
        Left, top, width and height of the card's even part, pixels.
    profile
        What the picture's levels are claimed to mean: a matrix profile.
    name
        Description of the profile, ASCII.
    reflectance
        Of the card, 0 to 1.

    Raises
    ------
    PhotoError
        If the card is clipped, too dark, unevenly lit or lit by lights of two colours, if the
        region is outside or too small, or if the claimed profile is a table.
    """
    linear = _linear_card(_part(pixels, region), profile)
    claimed = icc.read_profile(profile).columns
    assert claimed is not None
    columns = np.array(claimed).T
    x, y, z = (float(v) for v in columns @ linear)
    adapted = np.array(icc.adaptation((x / (x + y + z), y / (x + y + z)))) @ columns
    return matrix_profile(_curves(profile), adapted * (reflectance / y), name)


def _curves(profile: bytes) -> Array:
    curves = icc.curves_of(profile)
    if curves is None:
        raise PhotoError(Problem("colour.card.table"))
    return np.array(curves)


def _part(pixels: Pixels, region: tuple[int, int, int, int]) -> Pixels:
    left, top, wide, high = region
    rows, columns = pixels.shape[:2]
    if left < 0 or top < 0 or left + wide > columns or top + high > rows:
        what = f"{wide}x{high}+{left}+{top}"
        raise PhotoError(Problem("colour.card.outside", region=what, size=f"{columns}x{rows}"))
    if min(wide, high) < _SMALLEST:
        raise PhotoError(Problem("colour.card.small"))
    return pixels[top : top + high, left : left + wide]


def _linear_card(part: Pixels, profile: bytes) -> Array:
    """Return the card's linear red, green and blue, having looked at how it is lit."""
    if (np.percentile(part, 98, axis=(0, 1)) > _LIGHTEST).any():
        raise PhotoError(Problem("colour.card.clipped"))
    if part.mean(axis=(0, 1)).max() < _TOO_DARK:
        raise PhotoError(Problem("colour.card.too_dark"))
    tables = _curves(profile)
    linear = np.stack([tables[n][part[..., n]] for n in range(3)], axis=-1)
    rows, columns = linear.shape[:2]
    fields = np.array(
        [
            linear[
                y * rows // 3 : (y + 1) * rows // 3, x * columns // 3 : (x + 1) * columns // 3
            ].mean(axis=(0, 1))
            for y in range(3)
            for x in range(3)
        ]
    )
    mean = fields.mean(axis=0)
    strength = (fields / mean).mean(axis=1)
    colour = float(np.ptp(fields / mean / strength[:, None], axis=0).max())
    if colour > _MIXED:
        raise PhotoError(Problem("colour.card.mixed", change=f"{colour:.0%}"))
    if float(np.ptp(strength)) > _UNEVEN:
        raise PhotoError(Problem("colour.card.uneven", change=f"{float(np.ptp(strength)):.0%}"))
    return np.asarray(mean)
