"""Where the teeth are in a picture, and what there only looks like something: gloss.

Enamel and fillings are the bright or grey parts of a mouth; gum, lips and tongue are red, the
background dark. Gloss is the image of the flash on a wet surface: it moves with the camera
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

#: Redness (a* of 8-bit Lab, 128 neutral) from which a pixel is soft tissue, when the picture
#: itself shows no two groups (common practice; gums have an a* of 15 to 35, enamel of 0 to 8).
_RED = 128 + 11
#: Share of a picture's width that a structure must exceed to be a tooth.
_SMALLEST = 0.035
#: Middles of two crowns are farther apart than this many radii of the larger one.
_APART = 1.5
_MOST_TEETH = 24


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


def teeth(pixels: Pixels) -> Mask:
    """Return where teeth are, small gaps filled and their outlines taken along.

    Parameters
    ----------
    pixels
        uint8 sRGB, shape (rows, columns, 3).

    Returns
    -------
    ndarray of bool
        Shape (rows, columns); all False where nothing looks like a tooth.
    """
    small = cv2.resize(pixels, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    small = cv2.medianBlur(small, 5)
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2Lab)
    light, red = lab[..., 0], lab[..., 1]
    candidate = light > 255 * 0.28
    if not candidate.any():
        return np.zeros(pixels.shape[:2], bool)
    split = _split(red[candidate])
    found = (candidate & (red < split)).astype(np.uint8)
    size = max(3, round(small.shape[1] * _SMALLEST)) | 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    # What is thinner than a tooth (rim of a mirror, gleam of a retractor) goes.
    found = cv2.morphologyEx(found, cv2.MORPH_CLOSE, kernel)
    found = cv2.morphologyEx(found, cv2.MORPH_OPEN, kernel)
    found = cv2.dilate(found, np.ones((5, 5), np.uint8))
    return np.asarray(cv2.resize(found, pixels.shape[1::-1], interpolation=cv2.INTER_NEAREST) > 0)


def _split(red: NDArray[np.uint8]) -> float:
    """Otsu's threshold of redness where it lies between enamel and gum, else the usual one."""
    value, _ = cv2.threshold(red.reshape(1, -1), 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    return float(value) if 128 + 6 <= value <= 128 + 20 else float(_RED)


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
