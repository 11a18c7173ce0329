"""How good a picture's teeth are: focus, motion, fog, exposure, shadow, cast and glare.

Lips and gloves may be sharp where teeth are not, and a white glove is no exposure; so every
figure is taken where the tooth map has teeth, or gum beside them. Lengths are relative to the
picture's longer side, of a crop as of a whole picture. ``python -m tests.benchmarks.bench_quality``
measures what is told, and of which real photographs falsely.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from archiver.vision import region
from archiver.vision.opencv import cv2
from archiver.vision.tooth_light import Floats, ToothLight, enlarged
from archiver.vision.tooth_map import Mask, Pixels, ToothMap, glance

#: Longer side in pixels at which edges are measured: finer detail than that tells nothing of
#: blurs of a per mille. Light and colour need half of it.
LOOKED_AT: Final = 1200
_COLOURS: Final = 600
#: Pixels of the longer side below which a picture shows too little to judge it.
LEAST_SIDE: Final = 400
#: Smoothings, per mille of the longer side, between which edges are compared.
_FINE, _COARSE = 0.5, 1.4
#: Variance in pixels of the difference of two places that are two pixels apart.
_OWN = 1 / 3
_DIRECTIONS = np.radians(np.arange(0, 180, 22.5))
_LARGEST = 5.0
#: Green from which edges are overexposed, and how far round it.
_OVEREXPOSED, _ROUND = 240, 7
#: Share of a tooth's places that are no edge. Of 54 real photographs blurred by 1.2 per mille, with
#: the noise of a sensor laid over, the tenth that is steepest tells 49, all places told 34.
_GENTLE = 0.9
#: Share of the picture below which there are no teeth to judge by.
_FEWEST_TEETH = 0.01

UNITS: Final = {
    "blur_share": "per mille of the longer side",
    "motion": "per mille of the longer side",
    "fog": "fraction of the light",
    "fog_beside": "fraction of the light",
    "lightness": "CIE L*",
    "highlights": "fraction of the teeth",
    "unevenness": "fraction of L*",
    "unevenness_across": "fraction of L*",
    "cast_a": "CIE a*",
    "cast_b": "CIE b*",
    "glare": "fraction of the teeth",
    "crowns": "one by one",
}
"""Unit of every figure."""


@dataclass(frozen=True)
class CrownFigures:
    """Figures of one tooth.

    Parameters
    ----------
    across, down
        Where its middle lies, as fractions of the picture.
    size
        Radius of the largest disc in it, as a fraction of the longer side.
    blur_share, lightness
        As of the picture; no blur where it has no edges.
    """

    across: float
    down: float
    size: float
    blur_share: float | None
    lightness: float


@dataclass(frozen=True)
class QualityFigures:
    """Figures of a picture's teeth.

    Parameters
    ----------
    blur_share
        Standard deviation of the blur of the teeth's clearest edges in the direction in which it is
        worst, in per mille of the picture's longer side.
    motion
        How much of that is in this direction alone: root of the difference of the variances of
        the worst and the best direction.
    fog
        How much of the light is a veil over the whole picture, about: 0 for most clear pictures,
        0.25 where a quarter is white. From the darkest places between and beside the teeth (the
        dark channel of K. He, J. Sun, X. Tang, "Single image haze removal using dark channel
        prior", IEEE TPAMI 33:2341, 2011) and how colourful gum beside them is.
    fog_beside
        The same of the part of the picture where gum is least colourful. None, as `fog`, where
        there is too little gum.
    lightness
        CIE L* that a fifth of the enamel surpasses.
    highlights
        Share of the teeth of which a channel is at its upper end.
    unevenness, unevenness_across
        How much darker the darker half of the picture's teeth is than the other; and of the left
        and the right half alone.
    cast_a, cast_b
        Median CIE a* and b* of the lighter half of enamel, away from gum; None of a grey picture.
    glare
        Share of the teeth that is white among darker: the flash on a wet tooth, bubbles of saliva.
    crowns
        The teeth one by one, the largest first.
    """

    blur_share: float
    motion: float
    fog: float | None
    fog_beside: float | None
    lightness: float
    highlights: float
    unevenness: float
    unevenness_across: float
    cast_a: float | None
    cast_b: float | None
    glare: float
    crowns: tuple[CrownFigures, ...] = ()

    @property
    def numbers(self) -> dict[str, float]:
        """The figures of the whole picture that there are, by name."""
        given = ((name, getattr(self, name)) for name in UNITS if name != "crowns")
        return {name: float(value) for name, value in given if value is not None}


def quality_figures(pixels: Pixels, seen: ToothMap | None = None) -> QualityFigures | None:
    """Measure the teeth of a picture.

    Parameters
    ----------
    pixels
        uint8 sRGB, shape (rows, columns, 3), or grey, (rows, columns); of any size and turn, though
        more than `LOOKED_AT` pixels of the longer side only cost time.
    seen
        What it shows, where that is known already; of any size.

    Returns
    -------
    QualityFigures or None
        None where there are no teeth to judge, or too few pixels.
    """
    grey = pixels.ndim == 2
    whole = np.repeat(pixels[:, :, None], 3, axis=2) if grey else pixels
    if max(whole.shape[:2]) < LEAST_SIDE:
        return None
    small = _reduced(whole, LOOKED_AT)
    seen = seen or glance(small)
    if float(seen.teeth.mean()) < _FEWEST_TEETH:
        return None
    light = ToothLight.of(_reduced(small, _COLOURS), seen)
    if not light.enamel.any():
        return None
    crowns = _crowns(seen.teeth)
    blur, motion, single = _blurs(small, seen.teeth, crowns[1])
    fog, beside = (None, None) if grey else light.fog()
    cast_a, cast_b = (None, None) if grey else light.cast()
    return QualityFigures(
        blur,
        motion,
        fog,
        beside,
        light.lightness(light.enamel),
        light.highlights(),
        *light.unevenness(),
        cast_a,
        cast_b,
        light.glare(),
        _each(crowns, single, light),
    )


_Crowns = tuple[list[region.Disc], NDArray[np.int32]]


def _crowns(teeth: Mask) -> _Crowns:
    """Tell the crowns apart, and which each place of the teeth belongs to (from 1, 0 for none)."""
    discs = region.discs(teeth)
    if not discs:
        return [], np.zeros(teeth.shape, np.int32)
    y, x = np.mgrid[0 : teeth.shape[0], 0 : teeth.shape[1]].astype(np.float32)
    power = np.stack([(x - cx) ** 2 + (y - cy) ** 2 - r * r for cx, cy, r in discs])
    return discs, np.where(teeth, power.argmin(axis=0) + 1, 0).astype(np.int32)


def _each(
    crowns: _Crowns, blurs: NDArray[np.float64], light: ToothLight
) -> tuple[CrownFigures, ...]:
    discs, owner = crowns
    rows, columns = owner.shape
    large = cv2.resize(owner.astype(np.float32), light.teeth.shape[::-1],
                       interpolation=cv2.INTER_NEAREST)  # fmt: skip
    found = []
    for number, (x, y, radius) in enumerate(discs, start=1):
        mine = light.enamel & (large == number)
        if mine.any():
            blur = float(blurs[number])
            found.append(
                CrownFigures(
                    x / columns,
                    y / rows,
                    radius / max(rows, columns),
                    blur if np.isfinite(blur) else None,
                    light.lightness(mine),
                )
            )
    return tuple(found)


def _blurs(
    pixels: Pixels, teeth: Mask, owner: NDArray[np.int32]
) -> tuple[float, float, NDArray[np.float64]]:
    """Blur of the teeth's edges: of all, what of it is motion, and of each crown."""
    size, unit = pixels.shape[1::-1], max(pixels.shape[:2]) / 1000
    whiter = (pixels[..., 1] > _OVEREXPOSED).astype(np.uint8)
    whiter = cv2.dilate(whiter, np.ones((_ROUND, _ROUND), np.uint8))
    inside = enlarged(teeth, size) & (whiter == 0)
    label = cv2.resize(owner.astype(np.float32), size, interpolation=cv2.INTER_NEAREST)[inside]
    green = np.ascontiguousarray(pixels[..., 1]).astype(np.float32)
    slopes = []
    for much in (_FINE, _COARSE):
        smooth = cv2.GaussianBlur(green, (0, 0), much * unit)
        ways = (cv2.Sobel(smooth, cv2.CV_32F, *way, scale=0.125) for way in ((1, 0), (0, 1)))
        slopes.append([one[inside] for one in ways])
    every = np.array(slopes)
    whole = _blur_by_direction(every, unit)
    each = [_blur_by_direction(every[..., label == n], unit) for n in range(owner.max() + 1)]
    moved = float(np.sqrt(whole.max() - whole.min()))
    return float(np.sqrt(whole.max())), moved, np.sqrt([one.max() for one in each])


def _blur_by_direction(slopes: Floats, unit: float) -> NDArray[np.float64]:
    """Variance of the blur of the clearest edges for each direction; NaN where there are none.

    A step blurred by a Gaussian of variance v, smoothed by one of variance s, has a gradient
    energy proportional to 1 / sqrt(v + s). So the ratio of the energies at two known s gives v,
    and the contrast cancels. Where there is no edge, a sensor's noise passes for a sharp one, so
    that only the steepest places count.

    Parameters
    ----------
    slopes
        Shape (2, 2, places): after each smoothing, across and down.
    unit
        Pixels of a per mille of the longer side.
    """
    places = slopes.shape[2]
    energies = np.zeros((2, len(_DIRECTIONS)))
    if places:
        steep = np.hypot(*slopes[1])
        least = np.partition(steep, int(_GENTLE * places))[int(_GENTLE * places)]
        x, y = slopes[:, :, steep >= least].astype(float).transpose(1, 0, 2)
        sums = [(one * other).sum(axis=1)[:, None] for one, other in ((x, x), (x, y), (y, y))]
        turned = (np.cos(_DIRECTIONS) ** 2, np.sin(2 * _DIRECTIONS), np.sin(_DIRECTIONS) ** 2)
        energies = sum(part * share for part, share in zip(sums, turned, strict=True))
    fine, coarse = energies
    narrow, wide = (much**2 + _OWN / unit**2 for much in (_FINE, _COARSE))
    ratio = (fine / np.maximum(coarse, 1e-9)) ** 2
    blur = (wide - ratio * narrow) / np.maximum(ratio - 1, 1e-3)
    return np.where(coarse > 1e-6, np.clip(blur, 0.01, _LARGEST**2), np.nan)


def _reduced(pixels: Pixels, side: int) -> Pixels:
    ratio = side / max(pixels.shape[:2])
    if ratio >= 1:
        return pixels
    return np.asarray(
        cv2.resize(pixels, None, fx=ratio, fy=ratio, interpolation=cv2.INTER_AREA), np.uint8
    )
