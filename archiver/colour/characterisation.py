"""From patches of known colour to an ICC input profile, and how far it can be trusted.

The neutral patches give each channel's curve, all patches one matrix (matrix-based input
profile, ICC.1:2001-04 6.3.1.2). What is left over is measured on patches that were held out, as
CIEDE2000: the number that limits what may be said of colours under the profile. White is the
perfect diffuser, so that a profile corrects the exposure, too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from archiver.colour.chart_detection import LEAST_PATCHES, ChartSample, find_chart
from archiver.colour.colours import difference, lab_of_xyz
from archiver.colour.reference_chart import COLUMNS, NEUTRALS, ReferenceChart, reference_charts
from archiver.errors import PhotoError, Problem
from archiver.photo import icc

Array = NDArray[np.float64]
Chosen = NDArray[np.bool_]

_D50: Final = np.array(icc.D50)
#: Levels beyond which a pixel says nothing any more.
_DARKEST, _LIGHTEST = 2.0, 252.0
#: The lightest grey that is seen must be at least so light (levels): else noise decides.
_TOO_DARK: Final = 90.0
#: Change of light from one end of the chart to the other: of its strength, from which on it is
#: taken out and from which on the frame is refused, and of its colour. What a matrix cannot do
#: looks like 0.1 and 0.28 at most in even light (`tests/colour/simulated_camera.py`).
_EVEN, _UNEVEN, _MIXED = 0.12, 0.30, 0.32
#: Colours that count most: light ones of little chroma, as teeth have them (L*, a*, b*).
_TEETH, _WIDTH, _OTHERS = np.array([72.0, 3.0, 16.0]), 25.0, 0.02
#: Held-out residual, median CIEDE2000, from which on the fit explains nothing.
_WORST: Final = 5.0


@dataclass(frozen=True)
class Residual:
    """CIEDE2000 left over on held-out patches.

    Parameters
    ----------
    median, upper
        Median and 95th percentile.
    patches
        How many were held out in turn.
    """

    median: float
    upper: float
    patches: int


@dataclass(frozen=True)
class Characterisation:
    """A camera's levels as colours, under the light of one frame.

    Parameters
    ----------
    curves
        Level to linear value, shape (3, 256).
    matrix
        Linear values to XYZ under D50, shape (3, 3): ``xyz = matrix @ linear``.
    residual
        On held-out patches.
    edition
        Which formulation of the chart fits: ``after`` or ``before`` November 2014.
    used
        How many patches the fit rests on.
    """

    curves: Array
    matrix: Array
    residual: Residual
    edition: str
    used: int

    def lab(self, levels: Array) -> Array:
        """Return L*a*b* (D50) of levels (..., 3), 0 to 255."""
        return _lab(_linear(self.curves, levels) @ self.matrix.T)

    def profile(self, name: str) -> bytes:
        """Return the ICC input profile; `name` is ASCII."""
        return matrix_profile(self.curves, self.matrix, name)


def matrix_profile(curves: Array, matrix: Array, name: str) -> bytes:
    """Return a matrix profile of class ``scnr``.

    Parameters
    ----------
    curves
        Shape (3, 256): the linear value of each level.
    matrix
        Shape (3, 3), its columns the XYZ of full red, green and blue.
    name
        Its description, ASCII.
    """
    # A curve ends at one: what a channel can say beyond the perfect diffuser is in its column.
    most = curves.max(axis=1)
    red, green, blue = ((float(x), float(y), float(z)) for x, y, z in (matrix * most).T)
    return icc.assembled(
        [
            (b"desc", icc.description(name)),
            (b"cprt", icc.COPYRIGHT),
            (b"wtpt", icc.xyz_type(icc.D50)),
            (b"rXYZ", icc.xyz_type(red)),
            (b"gXYZ", icc.xyz_type(green)),
            (b"bXYZ", icc.xyz_type(blue)),
            *(
                (tag, icc.sampled_curve([float(v) for v in curve]))
                for tag, curve in zip(_CURVES, curves / most[:, None], strict=True)
            ),
        ]
    )


_CURVES: Final = (b"rTRC", b"gTRC", b"bTRC")


def characterise_picture(pixels: NDArray[np.uint8]) -> Characterisation:
    """Make a characterisation from a picture (rows, columns, 3) of the chart.

    Raises
    ------
    PhotoError
        As `characterise`, or if no chart is found.
    """
    sample = find_chart(pixels)
    if sample is None:
        raise PhotoError(Problem("colour.chart.missing"))
    return characterise(sample)


def characterise(sample: ChartSample) -> Characterisation:
    """Make a characterisation from a chart's patches.

    Raises
    ------
    PhotoError
        If the frame is clipped, too dark, unevenly lit, lit by lights of two colours, shows too
        few patches, or if no profile explains its colours.
    """
    usable = _usable(sample)
    found = [_of_chart(sample, usable, chart) for chart in reference_charts()]
    best = min(found, key=lambda one: one.residual.median)
    if best.residual.median > _WORST:
        raise PhotoError(
            Problem("colour.chart.unexplained", residual=f"{best.residual.median:.1f}")
        )
    return best


def _usable(sample: ChartSample) -> Chosen:
    """Return which patches can be used (24,); refuse a frame whose greys cannot."""
    greys = [n for n in NEUTRALS if sample.free[n]]
    if len(greys) < 4 or sample.free.sum() < LEAST_PATCHES:
        raise PhotoError(
            Problem("colour.chart.covered", free=int(sample.free.sum()), greys=len(greys))
        )
    lightest = greys[0]
    if (sample.lightest[lightest] > _LIGHTEST).any():
        raise PhotoError(Problem("colour.chart.clipped"))
    if sample.levels[lightest].max() < _TOO_DARK:
        raise PhotoError(Problem("colour.chart.too_dark"))
    with np.errstate(invalid="ignore"):
        whole = (sample.darkest > _DARKEST) & (sample.lightest < _LIGHTEST)
    usable: Chosen = sample.free & whole.all(axis=1)
    # Black may end at zero: it anchors the curves and nothing else.
    usable[greys] = True
    return usable


def _of_chart(sample: ChartSample, usable: Chosen, chart: ReferenceChart) -> Characterisation:
    """Fit, leave out what lies on patches, take out the fall of light, and fit again."""
    shade = np.ones((24, 3))
    kept = usable.copy()
    for _ in range(3):
        curves, matrix = _fit(sample.levels, kept, chart.xyz, shade)
        made = _lab(_linear(curves, sample.levels) / shade @ matrix.T)
        apart = difference(made, _lab(chart.xyz))
        kept = usable & ~(apart > max(6.0, 4 * float(np.median(apart[kept]))))
        if kept.sum() < LEAST_PATCHES or kept[list(NEUTRALS)].sum() < 4:
            raise PhotoError(Problem("colour.chart.unlike"))
        shade = _fall_of_light(curves, matrix, sample, kept, chart.xyz)
    curves, matrix = _fit(sample.levels, kept, chart.xyz, shade)
    residual = _held_out(sample.levels, kept, chart.xyz, shade)
    return Characterisation(curves, matrix, residual, chart.edition, int(kept.sum()))


def _held_out(levels: Array, kept: Chosen, xyz: Array, shade: Array) -> Residual:
    """Leave out a column of the chart at a time: a neutral and three others.

    White and black stay in the fit, since no curve is known beyond them, and are not counted.
    """
    ends = {min(n for n in NEUTRALS if kept[n]), max(n for n in NEUTRALS if kept[n])}
    apart: list[float] = []
    for column in range(COLUMNS):
        out = [n for n in range(24) if n % COLUMNS == column and kept[n] and n not in ends]
        if not out:
            continue
        rest = kept.copy()
        rest[out] = False
        curves, matrix = _fit(levels, rest, xyz, shade)
        made = _lab(_linear(curves, levels[out]) / shade[out] @ matrix.T)
        apart += [float(v) for v in difference(made, _lab(xyz[out]))]
    return Residual(float(np.median(apart)), float(np.percentile(apart, 95)), len(apart))


def _fit(levels: Array, chosen: Chosen, xyz: Array, shade: Array) -> tuple[Array, Array]:
    greys = [n for n in NEUTRALS if chosen[n]]
    targets = xyz[greys, 1:2] * shade[greys]
    curves = np.array([_curve(levels[greys, n], targets[:, n]) for n in range(3)])
    linear = _linear(curves, levels[chosen]) / shade[chosen]
    return curves, _matrix(linear, xyz[chosen])


def _curve(levels: Array, luminance: Array) -> Array:
    """Return a curve (256,) through greys: monotone, smooth in the cube root of luminance."""
    order = np.argsort(levels)
    x = np.concatenate([[0.0], levels[order]])
    # Straight on from black to zero, in proportion to the level's share of the curve of sRGB.
    y = np.concatenate([[0.0], np.cbrt(luminance[order])])
    keep = np.concatenate([[True], np.diff(x) > 0.5])
    x, y = x[keep], np.maximum.accumulate(y[keep])
    slope = (y[-1] - y[-2]) / (x[-1] - x[-2])
    x, y = np.append(x, 256.0), np.append(y, y[-1] + slope * (256.0 - x[-1]))
    return np.asarray(_monotone(x, y, np.arange(256.0)) ** 3)


def _monotone(x: Array, y: Array, at: Array) -> Array:
    """Interpolate by monotone cubics (F. N. Fritsch, R. E. Carlson, SIAM J Numer Anal 17, 1980)."""
    step, rise = np.diff(x), np.diff(y)
    secant = rise / step
    slope = np.zeros(len(x))
    slope[0], slope[-1] = secant[0], secant[-1]
    one, other = secant[:-1], secant[1:]
    w1, w2 = 2 * step[1:] + step[:-1], step[1:] + 2 * step[:-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        slope[1:-1] = np.where(one * other > 0, (w1 + w2) / (w1 / one + w2 / other), 0.0)
    place = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(step) - 1)
    t = (at - x[place]) / step[place]
    h = step[place]
    return np.asarray(
        y[place] * (1 + 2 * t) * (1 - t) ** 2
        + y[place + 1] * t**2 * (3 - 2 * t)
        + h * (slope[place] * t * (1 - t) ** 2 + slope[place + 1] * t**2 * (t - 1))
    )


def _matrix(linear: Array, xyz: Array) -> Array:
    """Fit a matrix (3, 3) in L*a*b*, patches near the colours of teeth counting most."""
    wanted = _lab(xyz)
    near = np.exp(-(np.linalg.norm(wanted - _TEETH, axis=1) ** 2) / (2 * _WIDTH**2))
    weight = np.sqrt(_OTHERS + near)[:, None]
    first = weight / (xyz[:, 1:2] + 0.05)
    matrix = np.linalg.lstsq(linear * first, xyz * first, rcond=None)[0].T
    for _ in range(6):
        left = ((_lab(linear @ matrix.T) - wanted) * weight).ravel()
        slopes = np.empty((left.size, 9))
        for n in range(9):
            moved = matrix.copy()
            moved.flat[n] += 1e-5
            slopes[:, n] = (((_lab(linear @ moved.T) - wanted) * weight).ravel() - left) / 1e-5
        matrix = matrix - np.linalg.lstsq(slopes, left, rcond=None)[0].reshape(3, 3)
    return np.asarray(matrix)


def _fall_of_light(
    curves: Array, matrix: Array, sample: ChartSample, kept: Chosen, xyz: Array
) -> Array:
    """Return the light on each patch (24, 3) as a plane; refuse what falls or changes too far."""
    places = sample.places[kept]
    at = (sample.places - places.mean(axis=0)) / float(np.ptp(places, axis=0).max())
    wanted = xyz @ np.linalg.inv(matrix).T
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.log(_linear(curves, sample.levels) / wanted)
    # Dark and saturated patches say little of the light.
    telling = kept & (wanted > 0.045).all(axis=1) & np.isfinite(ratio).all(axis=1)
    if telling.sum() < 11:
        return np.ones((24, 3))
    # What a matrix cannot do follows from the colours, and is told apart from where they stand.
    light, a, b = _lab(xyz[telling]).T / 50
    colours = np.stack([np.ones_like(a), light, a, b, a * a, a * b, b * b], axis=-1)
    design = np.column_stack([at[telling], colours])
    red, green, blue = np.linalg.lstsq(design, ratio[telling], rcond=None)[0][:2].T
    colour, strength = float(np.linalg.norm(red - blue)), float(np.linalg.norm(green))
    if colour > _MIXED:
        raise PhotoError(Problem("colour.chart.mixed", change=f"{colour:.0%}"))
    if strength > _UNEVEN:
        raise PhotoError(Problem("colour.chart.uneven", change=f"{strength:.0%}"))
    if strength < _EVEN:
        return np.ones((24, 3))
    return np.repeat(np.exp(at @ green)[:, None], 3, axis=1)


def _linear(curves: Array, levels: Array) -> Array:
    at = np.arange(256.0)
    safe = np.nan_to_num(levels)
    return np.stack([np.interp(safe[..., n], at, curves[n]) for n in range(3)], axis=-1)


def _lab(xyz: Array) -> Array:
    return lab_of_xyz(np.maximum(xyz, 1e-5), _D50)
