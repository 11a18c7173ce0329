"""Single teeth among those of a picture, and what only looks like something there: gloss.

Gloss is the image of the flash on a wet surface: it moves with the camera
and not with the tooth, so nothing may be aligned by it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from archiver.vision.opencv import cv2

Pixels = NDArray[np.uint8]
Mask = NDArray[np.bool_]
#: Middle (x, y) of a crown and the radius of the largest disc in it.
Disc = tuple[int, int, float]

#: Middles of two crowns are farther apart than this many radii of the larger one.
_APART = 1.5
_MOST_TEETH = 24
#: Crowns that a picture of one tooth shows at most, and the least radius of the largest in its
#: middle, as a share of the longer side.
_FEW, _CLOSE = 7, 0.085


def gloss(pixels: Pixels) -> Mask:
    """Return where a picture is near white or much brighter than its surroundings.

    Parameters
    ----------
    pixels
        uint8 sRGB, shape (rows, columns, 3).
    """
    lowest = pixels.min(axis=2)
    step = max(3, round(pixels.shape[1] / 60))
    around = cv2.blur(lowest, (step, step)).astype(np.int16)
    bright = (lowest >= 236) | ((lowest > 170) & (lowest.astype(np.int16) - around > 34))
    grown = max(3, round(pixels.shape[1] / 250)) | 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (grown, grown))
    return np.asarray(cv2.dilate(bright.astype(np.uint8), kernel) > 0)


def shows_few(teeth: Mask) -> bool:
    """Return whether a picture is about a tooth in its middle and not about an arch.

    Of an arch the middle shows whatever stands there, not the tooth that is named. Found on
    rendered pictures of one tooth and its neighbours and on real ones of arches.
    """
    crowns = discs(teeth)
    largest = max((r for _, _, r in nearest(crowns, None, teeth.shape)), default=0.0)
    return len(crowns) <= _FEW and largest >= _CLOSE * max(teeth.shape)


def single_teeth(teeth: Mask, aim: tuple[float, float] | None = None) -> list[Mask]:
    """Return the single teeth of a picture, the one that it is most likely about first.

    Crowns are told apart by the largest discs that fit into the region of teeth, each pixel
    going to the disc whose edge is nearest (power diagram): crowns that touch are parted at
    their contact.

    Parameters
    ----------
    teeth
        As `teeth` gives it.
    aim
        (x, y) in pixels; the middle of the picture where it is None.

    Returns
    -------
    list of ndarray of bool
        Three at most.
    """
    rows, columns = teeth.shape
    crowns = discs(teeth)
    if not crowns:
        return []
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    power = np.stack([(x - cx) ** 2 + (y - cy) ** 2 - r * r for cx, cy, r in crowns])
    owner = power.argmin(axis=0)
    found = []
    for one in nearest(crowns, aim, teeth.shape):
        mine = owner == crowns.index(one)
        _, parts = cv2.connectedComponents((teeth & mine).astype(np.uint8))
        middle = parts[one[1], one[0]]
        if middle:
            found.append(np.asarray(parts == middle))
    return found


def nearest(
    crowns: list[Disc], aim: tuple[float, float] | None, shape: tuple[int, ...]
) -> list[Disc]:
    """Return the three crowns that are likeliest meant, the likeliest first.

    Parameters
    ----------
    aim
        (x, y) in pixels; the middle of the picture where it is None.
    shape
        Rows and columns of the picture.
    """
    x, y = aim or (shape[1] / 2, shape[0] / 2)
    # A large crown is somewhat likelier meant than a sliver beside it.
    return sorted(crowns, key=lambda one: np.hypot(one[0] - x, one[1] - y) - 0.3 * one[2])[:3]


def discs(teeth: Mask) -> list[Disc]:
    """Middles (x, y) and radii of crowns, largest first."""
    columns = teeth.shape[1]
    framed = cv2.copyMakeBorder(teeth.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    inner = cv2.distanceTransform(framed, cv2.DIST_L2, 5)[1:-1, 1:-1]
    inner = cv2.GaussianBlur(inner, (0, 0), columns / 150)
    found: list[Disc] = []
    while len(found) < _MOST_TEETH:
        _, radius, _, (x, y) = cv2.minMaxLoc(inner)
        if radius < columns * 0.03:
            break
        found.append((x, y, float(radius)))
        cv2.circle(inner, (x, y), int(radius * _APART), 0.0, -1)
    return found
