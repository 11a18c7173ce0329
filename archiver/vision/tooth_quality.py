"""How good a picture's teeth are: focus, motion, fog, exposure, cast and gleam, on teeth only.

Lips and gloves may be sharp where teeth are not, and a white glove is no exposure; so every
figure is taken where the tooth map has teeth, or gum beside them. Lengths are relative to the
picture's longer side, of a crop as of a whole picture. The limits were found on real photographs of
six mouths; ``python -m tests.benchmarks.real_photographs FOLDER --quality`` measures what is told.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from archiver.vision.opencv import cv2
from archiver.vision.tooth_map import Mask, Part, Pixels, tooth_map

Floats = NDArray[np.float32]

#: Longer side in pixels at which figures are taken, and that of the map.
_SIDE, _MAP_SIDE = 1200, 750
#: Smoothings, per mille of the longer side, between which edges are compared.
_FINE, _COARSE = 0.7, 1.4
_DIRECTIONS = np.radians(np.arange(0, 180, 22.5))
#: Shares of the longer side round teeth that belong to their edges, and to gum beside them.
_EDGE, _BESIDE = 0.008, 0.02
_WHITE, _CERTAIN = 225, 0.6
#: Shares of the picture below which there is nothing to judge by.
_FEWEST_TEETH, _FEWEST_GUM = 0.01, 0.005


class ToothFault(str, Enum):
    """What is wrong with a picture's teeth."""

    SOFT = "soft"
    MOVED = "blurred by motion"
    FOGGED = "fogged"
    DARK = "dark"
    CAST = "of a colour cast"


@dataclass(frozen=True)
class ToothFigures:
    """Figures of a picture's teeth.

    Parameters
    ----------
    sharpness
        Energy of edges smoothed by 0.7 per mille of the longer side over that smoothed by 1.4, in
        the direction in which it is least: 1 is a blur without end, 1.25 on is sharp.
    sharpest
        The same in the direction in which it is most: far above the least where the camera moved.
    colourfulness
        Median saturation of gum beside the teeth, and its 15th percentile, added: a veil of fog
        over all or part takes it away. None where there is too little gum.
    lightness
        CIE L* that a fifth of the enamel surpasses.
    cast
        Median CIE a* and b* of enamel without gleam.
    gleam
        Share of the teeth that is white.
    """

    sharpness: float
    sharpest: float
    colourfulness: float | None
    lightness: float
    cast: tuple[float, float]
    gleam: float


@dataclass(frozen=True)
class ToothLimits:
    """Limits beyond which a figure is told; enamel as `archiver.photo.quality` has it."""

    sharpness: float = 1.235
    moved: float = 1.05
    colourfulness: float = 0.65
    lightness: float = 53.0
    cast_a: tuple[float, float] = (-8.0, 22.0)
    cast_b: tuple[float, float] = (-8.0, 38.0)


def tooth_figures(pixels: Pixels, within: Mask | None = None) -> ToothFigures | None:
    """Measure the teeth of a picture.

    Parameters
    ----------
    pixels
        uint8 sRGB, shape (rows, columns, 3), of any size.
    within
        Only there, say one tooth; shape (rows, columns).

    Returns
    -------
    ToothFigures or None
        None where there are no teeth to judge.
    """
    small = _reduced(pixels, _SIDE)
    size = small.shape[1::-1]
    seen = tooth_map(_reduced(small, _MAP_SIDE))
    teeth = cv2.resize(seen.teeth.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    if within is not None:
        teeth &= cv2.resize(within.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    gleam = cv2.dilate((small.min(axis=2) > _WHITE).astype(np.uint8), np.ones((7, 7))) > 0
    enamel = (teeth > 0) & ~gleam
    if float(teeth.mean()) < _FEWEST_TEETH or not enamel.any():
        return None
    gum = cv2.resize(seen.probable[..., Part.GUM], size) > _CERTAIN
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2LAB)[enamel].astype(float)
    least, most = _sharpness(small, _grown(teeth, _EDGE) & ~gleam)
    return ToothFigures(
        least,
        most,
        _colourfulness(small, gum & _grown(teeth, _BESIDE) & ~gleam),
        float(np.percentile(lab[:, 0], 80)) / 2.55,
        (float(np.median(lab[:, 1])) - 128, float(np.median(lab[:, 2])) - 128),
        float((small.min(axis=2)[teeth > 0] > 245).mean()),
    )


def tooth_faults(
    figures: ToothFigures, limits: ToothLimits | None = None
) -> tuple[ToothFault, ...]:
    """Say which figures are beyond their limits."""
    limits = limits or ToothLimits()
    found = []
    if figures.sharpness < limits.sharpness:
        moved = figures.sharpest > limits.moved * figures.sharpness
        found.append(ToothFault.MOVED if moved else ToothFault.SOFT)
    if figures.colourfulness is not None and figures.colourfulness < limits.colourfulness:
        found.append(ToothFault.FOGGED)
    if figures.lightness < limits.lightness:
        found.append(ToothFault.DARK)
    ranges = (limits.cast_a, limits.cast_b)
    if not all(low <= v <= high for v, (low, high) in zip(figures.cast, ranges, strict=True)):
        found.append(ToothFault.CAST)
    return tuple(found)


def _reduced(pixels: Pixels, side: int) -> Pixels:
    ratio = side / max(pixels.shape[:2])
    if ratio >= 1:
        return pixels
    return np.asarray(
        cv2.resize(pixels, None, fx=ratio, fy=ratio, interpolation=cv2.INTER_AREA), np.uint8
    )


def _grown(teeth: NDArray[np.uint8], share: float) -> Mask:
    width = max(3, round(2 * share * max(teeth.shape))) | 1
    return np.asarray(cv2.dilate(teeth, np.ones((width, width), np.uint8)) > 0)


def _sharpness(pixels: Pixels, where: Mask) -> tuple[float, float]:
    """Ratio of edge energies at two smoothings, in the worst and in the best direction."""
    green, unit = pixels[..., 1].astype(np.float32), max(pixels.shape) / 1000
    slopes = []
    for much in (_FINE, _COARSE):
        smooth = cv2.GaussianBlur(green, (0, 0), much * unit)
        slopes.append([cv2.Sobel(smooth, cv2.CV_32F, *way)[where] for way in ((1, 0), (0, 1))])
    ratios = []
    for angle in _DIRECTIONS:
        fine, coarse = (
            float(((np.cos(angle) * x + np.sin(angle) * y) ** 2).sum()) for x, y in slopes
        )
        ratios.append(fine / max(coarse, 1e-9))
    return min(ratios), max(ratios)


def _colourfulness(pixels: Pixels, gum: Mask) -> float | None:
    if float(gum.mean()) < _FEWEST_GUM:
        return None
    places = pixels[gum].astype(np.float32)
    saturation = 1 - places.min(axis=1) / np.maximum(places.max(axis=1), 1)
    middle, low = np.percentile(saturation, (50, 15))
    return float(middle + low)
