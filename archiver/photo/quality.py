"""Figures of a picture's quality: focus, clipping, exposure, colour cast, glare.

The figures come from a sample: a few small tiles at full resolution, spread over the crop
(`archiver.photo.turning.tile_boxes`). What lies between the tiles is not looked at, so a figure
can miss a small sharp or a small glaring spot. They warn; they never block anything.

No published limits for intraoral photographs are known to us. The default limits are common
practice and from memory, wide on purpose, and every practice can set its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from archiver.errors import Problem, UsageError
from archiver.photo.focus import edge_blur
from archiver.photo.icc import SRGB, linear
from archiver.photo.turning import Box
from archiver.wording import Text

Pixels = NDArray[np.uint8]
_Floats = NDArray[np.float32]

UNITS: Final = {
    "blur": "pixels",
    "blur_share": "per mille of the longer side",
    "highlights": "fraction of the area",
    "shadows": "fraction of the area",
    "lightness": "CIE L*",
    "cast_a": "CIE a*",
    "cast_b": "CIE b*",
    "glare": "fraction of the area",
    "sampled": "pixels",
}
"""Unit of every figure."""


@dataclass(frozen=True)
class QualityFigures:
    """Figures of one picture.

    Parameters
    ----------
    blur
        Standard deviation, in stored pixels, of the blur of the strongest edges; larger is
        softer. None where there is no edge to judge by.
    blur_share
        The same in per mille of the longer side of the region: pictures of different
        resolution compare by it.
    highlights
        Share of pixels of which a channel is at its upper end (254 or more).
    shadows
        Share of pixels of which all channels are at their lower end (2 or less).
    lightness
        Mean CIE L*, 0 to 100: exposure.
    cast_a, cast_b
        Mean CIE a* and b* of the brightest quarter of what is neither clipped nor glare. In
        a mouth that is mostly enamel, the surface nearest to neutral there; it is no
        calibrated white. None for grey pictures and where nothing is left.
    glare
        Share of pixels that are near white in all channels (240 or more): the mirror image
        of the flash on a wet surface.
    sampled
        How many pixels were looked at.
    """

    blur: float | None
    blur_share: float | None
    highlights: float
    shadows: float
    lightness: float
    cast_a: float | None
    cast_b: float | None
    glare: float
    sampled: int


@dataclass(frozen=True)
class QualityLimits:
    """Limits beyond which a figure is worth a warning (common practice, from memory).

    Parameters
    ----------
    blur_share
        Per mille of the longer side: 1.5 is 9 pixels of 6000, which is seen as soft when the
        picture fills a screen.
    blur
        Pixels that are never called soft: a sharp picture reads up to about 2, one of smooth
        crowns whose outlines curve away about 4 (the demo pictures).
    highlights, shadows, glare
        Largest shares. Shadows are wide: a black contrast device fills half of some views.
    lightness
        Lowest and highest mean L*.
    cast_a, cast_b
        Lowest and highest. Enamel has an a* of about 0 to 6 and a b* of about 5 to 25.
    """

    blur_share: float = 1.5
    blur: float = 4.5
    highlights: float = 0.04
    shadows: float = 0.65
    lightness: tuple[float, float] = (22.0, 82.0)
    cast_a: tuple[float, float] = (-8.0, 22.0)
    cast_b: tuple[float, float] = (-8.0, 38.0)
    glare: float = 0.03

    @classmethod
    def changed(cls, given: Mapping[str, float | tuple[float, float]]) -> QualityLimits:
        """Return the limits with a practice's own put in.

        Raises
        ------
        UsageError
            If there is no limit of a name, or it is one number and not two.
        """
        limits, problems = cls(), []
        for name, limit in given.items():
            default = getattr(limits, name, None)
            if default is None:
                names = tuple(cls.__dataclass_fields__)
                problems.append(Problem("photo.quality.unknown_limit", name=name, names=names))
            elif isinstance(default, tuple) is not isinstance(limit, tuple):
                code = "two_numbers" if isinstance(default, tuple) else "one_number"
                problems.append(Problem(f"photo.quality.{code}", name=name, limit=limit))
        if problems:
            raise UsageError(*problems)
        changed: dict[str, Any] = dict(given)
        return replace(limits, **changed)


def measure(tiles: Sequence[Pixels], longer_side: int) -> QualityFigures:
    """Measure a picture by its tiles.

    Parameters
    ----------
    tiles
        uint8 arrays of shape (rows, columns) or (rows, columns, 3), sRGB or near it, at full
        resolution; at least one that has pixels.
    longer_side
        Of the region that the tiles stand for, in pixels.

    Raises
    ------
    ValueError
        If there is nothing to measure.
    """
    tiles = [tile for tile in tiles if tile.size]
    if not tiles:
        raise ValueError("no tiles to measure")
    every_second = _channels(tiles, 2)
    highest, lowest = np.maximum.reduce(every_second), np.minimum.reduce(every_second)
    every_fourth = _channels(tiles, 4)
    lab = _lab(every_fourth)
    cast = None if tiles[0].ndim == 2 else _cast(every_fourth, lab)
    blur = edge_blur(tiles)
    return QualityFigures(
        blur=blur,
        blur_share=None if blur is None else 1000 * blur / longer_side,
        highlights=float((highest >= 254).mean()),
        shadows=float((highest <= 2).mean()),
        lightness=float(lab[0].mean()),
        cast_a=cast[0] if cast else None,
        cast_b=cast[1] if cast else None,
        glare=float((lowest >= 240).mean()),
        sampled=highest.size,
    )


def judge(figures: QualityFigures, limits: QualityLimits) -> tuple[Problem, ...]:
    """Compare figures with limits; every finding is a warning."""
    found: list[Problem] = []
    if figures.blur is None:
        found.append(Problem("photo.quality.no_edges"))
    elif figures.blur > limits.blur and (figures.blur_share or 0) > limits.blur_share:
        found.append(
            Problem(
                "photo.quality.soft",
                blur=f"{figures.blur:.1f}",
                share=f"{figures.blur_share:.1f}",
                limit=f"{limits.blur_share:g}",
            )
        )
    shares = (
        ("photo.quality.highlights", figures.highlights, limits.highlights),
        ("photo.quality.shadows", figures.shadows, limits.shadows),
        ("photo.quality.glare", figures.glare, limits.glare),
    )
    for code, share, limit in shares:
        if share > limit:
            found.append(Problem(code, share=f"{share:.1%}", limit=f"{limit:.0%}"))
    low, high = limits.lightness
    if not low <= figures.lightness <= high:
        code = "photo.quality.dark" if figures.lightness < low else "photo.quality.bright"
        found.append(
            Problem(
                code,
                lightness=f"{figures.lightness:.0f}",
                low=f"{low:g}",
                high=f"{high:g}",
            )
        )
    found += _cast_problems(figures, limits)
    return tuple(found)


def tiles_of(pixels: Pixels, boxes: Sequence[Box]) -> list[Pixels]:
    """Take the same tiles out of a whole picture."""
    return [pixels[box.top : box.bottom, box.left : box.right] for box in boxes]


def _cast_problems(figures: QualityFigures, limits: QualityLimits) -> list[Problem]:
    found = []
    for letter, value, (low, high), below, above in (
        ("a*", figures.cast_a, limits.cast_a, "greenish", "reddish"),
        ("b*", figures.cast_b, limits.cast_b, "bluish", "yellowish"),
    ):
        if value is not None and not low <= value <= high:
            colour = below if value < low else above
            found.append(
                Problem(
                    "photo.quality.cast",
                    colour=Text(f"photo.quality.{colour}"),
                    letter=letter,
                    value=f"{value:.0f}",
                    low=f"{low:g}",
                    high=f"{high:g}",
                )
            )
    return found


def _channels(tiles: Sequence[Pixels], step: int) -> Pixels:
    """Return each `step`-th pixel of each `step`-th row, as an array of shape (3, count)."""
    parts = []
    for tile in tiles:
        thin = tile[::step, ::step]
        if thin.ndim == 2:
            thin = np.repeat(thin[:, :, np.newaxis], 3, axis=2)
        parts.append(thin.reshape(-1, 3).T)
    return np.ascontiguousarray(np.concatenate(parts, axis=1))


_LINEAR: Final = np.array([linear(i / 255, SRGB.curve) for i in range(256)], np.float32)
# IEC 61966-2-1: linear sRGB to XYZ for D65, each row over its white.
_TO_XYZ: Final = np.array(
    (
        (0.4124 / 0.9505, 0.3576 / 0.9505, 0.1805 / 0.9505),
        (0.2126, 0.7152, 0.0722),
        (0.0193 / 1.0890, 0.1192 / 1.0890, 0.9505 / 1.0890),
    ),
    np.float32,
)
_KNEE: Final = (6 / 29) ** 3


def _lab(pixels: Pixels) -> _Floats:
    """Turn sRGB pixels of shape (3, count) into CIE L*a*b* for D65 (ISO/CIE 11664-4)."""
    xyz = _TO_XYZ @ _LINEAR[pixels]
    f = np.where(xyz > _KNEE, np.cbrt(xyz), xyz * np.float32(841 / 108) + np.float32(4 / 29))
    return np.stack((116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])))


def _cast(pixels: Pixels, lab: _Floats) -> tuple[float, float] | None:
    """Mean a* and b* of the brightest quarter of what is neither clipped nor glare."""
    highest = np.maximum.reduce(pixels)
    honest = lab[:, (highest < 250) & (highest > 2)]
    count = honest.shape[1]
    if count < max(16, lab.shape[1] // 100):
        return None
    place = count - count // 4
    bright = honest[:, honest[0] >= np.partition(honest[0], place)[place]]
    return float(bright[1].mean()), float(bright[2].mean())
