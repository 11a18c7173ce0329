"""Where one crown ends among others: its outline is a dark line all round.

Crowns that overlap in the picture (cusps behind, a tooth that stands before another) cannot be
told apart by the shape of all of them together. Each crown is parted from what lies round it by
a groove or a shadow, so from a place inside it the outline is looked for as the closed line, one
radius for each direction, that is dark all the way: the shortest path round, found by dynamic
programming on the picture unrolled about that place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from archiver.vision import region
from archiver.vision.opencv import cv2

Pixels = NDArray[np.uint8]
Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

_DIRECTIONS, _RADII = 96, 80
#: Width in pixels at working size of what counts as a line, and darkness beyond which a line is
#: no likelier an outline.
_LINE = 11
_DARK = 60.0
#: Darkness that the edge of all teeth counts as at least.
_EDGE = 12.0
#: What a step of one radius to the next direction costs, in darkness; and the most steps.
_BENT = 4.0
_STEPS = 2
_OUTSIDE = -60.0
#: Lines darker than this part crowns that the shape of all teeth does not.
_PARTS = 30
#: Mean darkness by which such a crown must be the better outlined, and the share of the area of
#: the other that it must have: a filling is outlined too. Found on rendered pictures, where
#: outlines of crowns had a mean of 28 to 47 and wrong ones of 12 to 30.
_CLEARER = 8.0
_LEAST_AREA = 0.3


@dataclass(frozen=True)
class _Seed:
    """A place inside a crown, and between which radii round it the outline is looked for.

    Parameters
    ----------
    mask
        What the crown is a part of.
    x, y
        The place.
    least, most
        Radii in pixels.
    """

    mask: Mask
    x: int
    y: int
    least: float
    most: float


def single_teeth(detail: Pixels, teeth: Mask, aim: tuple[float, float] | None) -> list[Mask]:
    """Return the single teeth of a picture, the one that it is most likely about first.

    Parameters
    ----------
    detail
        Evened lightness, uint8, shape (rows, columns).
    teeth
        Where teeth are.
    aim
        (x, y) in pixels; the middle of the picture where it is None.

    Returns
    -------
    list of ndarray of bool
        Four at most.
    """
    parted = [_inscribed(mask) for mask in region.single_teeth(teeth, aim)]
    if not parted:
        return []
    dark = _dark_lines(detail)
    discs = region.nearest(region.discs(teeth & (dark <= _PARTS)), aim, teeth.shape)
    others = [_Seed(teeth, x, y, 0.8 * r, 3.5 * r) for x, y, r in discs]
    traced = _traced(dark, [*parted, *others])
    found = [mask for mask, _ in traced[: len(parted)]]
    first, clear = traced[0]
    other, clearer = max(traced[len(parted) :], key=lambda one: one[1], default=(first, 0.0))
    if clearer >= clear + _CLEARER and other.sum() > _LEAST_AREA * first.sum():
        found.insert(0, other)
    return found


def _inscribed(mask: Mask) -> _Seed:
    """Start from the middle of the largest disc in a mask."""
    inner = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
    _, radius, _, (x, y) = cv2.minMaxLoc(inner)
    rows, columns = np.nonzero(mask)
    most = float(np.hypot(columns - x, rows - y).max())
    return _Seed(mask, x, y, 0.7 * radius, most + 4)


def _dark_lines(detail: Pixels) -> Pixels:
    """How much darker a place is than both sides of a line through it."""
    smooth = cv2.GaussianBlur(detail, (0, 0), 1)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_LINE, _LINE))
    return np.asarray(cv2.morphologyEx(smooth, cv2.MORPH_BLACKHAT, kernel), np.uint8)


def _traced(dark: Pixels, seeds: list[_Seed]) -> list[tuple[Mask, float]]:
    """Return what lies within the darkest line round each seed, and how dark the line is."""
    clear = np.stack([_unrolled(dark, seed) for seed in seeds])
    paths = _darkest(clear)
    turn = 2 * np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
    found = []
    for seed, path, score in zip(seeds, paths, clear, strict=True):
        radius = path * seed.most / _RADII
        line = np.column_stack([radius * np.cos(turn) + seed.x, radius * np.sin(turn) + seed.y])
        filled = np.zeros(dark.shape, np.uint8)
        cv2.fillPoly(filled, [np.round(line).astype(np.int32)], 1)
        darkness = float(score[np.arange(_DIRECTIONS), path].mean())
        found.append(((filled > 0) & seed.mask, darkness))
    return found


def _unrolled(dark: Pixels, seed: _Seed) -> Floats:
    """Darkness by direction and radius, low where the outline cannot be."""
    size, at = (_RADII, _DIRECTIONS), (seed.x, seed.y)
    lines = cv2.warpPolar(dark, size, at, seed.most, cv2.INTER_LINEAR).astype(np.float32)
    inside = cv2.warpPolar(seed.mask.astype(np.uint8), size, at, seed.most, cv2.INTER_NEAREST) > 0
    least = seed.least * _RADII / seed.most
    left = np.where(inside.all(axis=1), _RADII - 1, (~inside).argmax(axis=1))
    end = np.maximum(left, int(least) + 1)[:, None]
    radius = np.arange(_RADII)[None]
    clear = np.minimum(lines, _DARK)
    clear = np.where(radius >= end - 1, np.maximum(clear, _EDGE), clear)
    return np.where((radius < least) | (radius > end + 2), np.float32(_OUTSIDE), clear)


def _darkest(clear: Floats) -> NDArray[np.int_]:
    """Return the radius for each direction of the closed line that is darkest, shape (k, n).

    Parameters
    ----------
    clear
        Shape (k, directions, radii). The line is followed for two turns, and the middle one of
        them kept, so that its ends meet.
    """
    half = _DIRECTIONS // 2
    twice = np.concatenate([clear[:, half:], clear, clear[:, :half]], axis=1)
    k, n, radii = twice.shape
    bent = _BENT * np.abs(np.arange(-_STEPS, _STEPS + 1, dtype=np.float32))[:, None, None]
    padded = np.full((k, radii + 2 * _STEPS), -1e9, np.float32)
    padded[:, _STEPS:-_STEPS] = twice[:, 0]
    windows = [padded[:, j : j + radii] for j in range(2 * _STEPS + 1)]
    from_ = np.empty((n, k, radii), np.int8)
    for i in range(1, n):
        ways = np.stack(windows) - bent
        from_[i] = ways.argmax(axis=0) - _STEPS
        padded[:, _STEPS:-_STEPS] = ways.max(axis=0) + twice[:, i]
    path = np.empty((n, k), int)
    path[-1] = padded[:, _STEPS:-_STEPS].argmax(axis=1)
    for i in range(n - 1, 0, -1):
        path[i - 1] = path[i] + from_[i, np.arange(k), path[i]]
    return np.asarray(path[half : half + _DIRECTIONS].T)
