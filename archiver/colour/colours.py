"""Colours of pictures as CIE L*a*b*, and how far two of them are apart.

A camera picture is no colour measurement: without a known light, profile and target these
figures only compare pictures taken the same way. The thresholds are of flat ceramic pairs in a
viewing booth (R. D. Paravina et al., J Esthet Restor Dent 27:S1-S9, 2015: 50:50 perceptibility
0.8, acceptability 1.8). A difference is never turned into the name of a shade.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from archiver.photo import icc
from archiver.wording import words_of

Pixels = NDArray[np.uint8]
Array = NDArray[np.float64]

PERCEPTIBLE: Final = 0.8
ACCEPTABLE: Final = 1.8
#: How far a CIEDE2000 between two tooth colours taken alike may be wrong by what cameras and light
#: make of colours (95 %, differences up to 6): `tests/benchmarks/bench_shade.py` measures it.
UNCERTAIN, UNCERTAIN_BY_CHART = 1.1, 0.6
#: What a grey card leaves of tooth colours, CIEDE2000, median and 95th percentile over all cameras
#: of the same benchmark; most of it where the camera adds contrast.
BY_CARD: Final = (3.15, 5.91)

_KNOWN: Final = {"SRGB": icc.SRGB, "ADOBERGB": icc.ADOBE_RGB}


class White(str, Enum):
    """Reference white, CIE 1931 2-degree observer."""

    D65 = "D65/2°"
    D50 = "D50/2°"


@dataclass(frozen=True)
class ColourSpace:
    """What a picture's numbers mean.

    Parameters
    ----------
    encoding
        With which they are decoded.
    profile
        An ICC profile by which they are first brought to sRGB, None where `encoding` is theirs.
    stated
        In words; says so where nothing is characterised.
    characterised
        False where the picture does not say what its numbers mean and sRGB is assumed.
    """

    encoding: icc.ColourEncoding
    profile: bytes | None
    stated: str
    characterised: bool


def space_of(profile: bytes | None) -> ColourSpace:
    """Read a profile; sRGB is assumed where there is none or it is damaged."""
    if profile is None:
        return ColourSpace(icc.SRGB, None, words_of()("colour.space.none"), False)
    try:
        term = icc.known_space(icc.read_profile(profile))
    except ValueError:
        return ColourSpace(icc.SRGB, None, words_of()("colour.space.damaged"), False)
    if term in _KNOWN:
        name = "sRGB" if term == "SRGB" else "Adobe RGB (1998)"
        return ColourSpace(_KNOWN[term], None, name, True)
    return ColourSpace(icc.SRGB, profile, words_of()("colour.space.own"), True)


def as_srgb(pixels: Pixels, space: ColourSpace) -> Pixels:
    """Return pixels (rows, columns, 3) for a screen: encoded as sRGB, what is outside cut."""
    if space.profile is not None:
        return _by_profile(pixels, space.profile)
    if space.encoding == icc.SRGB:
        return pixels
    table = (np.arange(256) / 255) ** float(space.encoding.curve or 1.0)
    there = np.array(icc.columns(space.encoding)).T
    matrix = np.linalg.inv(np.array(icc.columns(icc.SRGB)).T) @ there
    made = np.empty_like(pixels)
    encode = _encoding_table()
    for first in range(0, len(pixels), 128):
        linear = table[pixels[first : first + 128]] @ matrix.T
        made[first : first + 128] = encode[np.clip(np.round(linear * 4095), 0, 4095).astype(int)]
    return made


def lab(
    pixels: Pixels, space: ColourSpace, white: White = White.D65, gain: Array | None = None
) -> Array:
    """Return CIE L*a*b* of pixels.

    Parameters
    ----------
    pixels
        uint8, shape (..., 3), in the picture's own encoding.
    gain
        Factors (3,) of linear red, green and blue, applied before.

    Returns
    -------
    ndarray
        float64, shape (..., 3). Both whites by Bradford's adaptation (ICC.1:2004 Annex E);
        lightness and chroma by CIE 15:2004, 8.2.1.
    """
    if space.profile is not None:
        pixels = _by_profile(pixels.reshape(1, -1, 3), space.profile).reshape(pixels.shape)
    table = np.array([icc.linear(n / 255, space.encoding.curve) for n in range(256)])
    linear = table[pixels] if gain is None else table[pixels] * gain
    matrix, reference = np.array(icc.columns(space.encoding)).T, np.array(icc.D50)
    if white is White.D65:
        matrix = np.linalg.inv(np.array(icc.adaptation(icc.D65))) @ matrix
        x, y = icc.D65
        reference = np.array([x / y, 1.0, (1 - x - y) / y])
    return lab_of_xyz(linear @ matrix.T, reference)


def lab_of_xyz(xyz: Array, white: Array) -> Array:
    """Return CIE L*a*b* of tristimulus values (..., 3) relative to a white (3,)."""
    t = xyz / white
    f = np.where(t > (6 / 29) ** 3, np.cbrt(np.maximum(t, 0)), t / (3 * (6 / 29) ** 2) + 4 / 29)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def difference(one: Array, other: Array) -> Array:
    """Return CIEDE2000 between L*a*b* values (..., 3); parametric factors are 1.

    CIE 142-2001; formulas and the handling of hue after G. Sharma, W. Wu and E. N. Dalal, Color
    Res Appl 30:21-30, 2005.
    """
    l1, a1, b1 = np.moveaxis(np.asarray(one, float), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(other, float), -1, 0)
    chroma7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    stretch = 1.5 - 0.5 * np.sqrt(chroma7 / (chroma7 + 25.0**7))
    c1, c2 = np.hypot(a1 * stretch, b1), np.hypot(a2 * stretch, b2)
    h1 = np.degrees(np.arctan2(b1, a1 * stretch)) % 360
    h2 = np.degrees(np.arctan2(b2, a2 * stretch)) % 360
    grey = c1 * c2 == 0
    turn = h2 - h1
    # Opposite hues are 180 degrees apart but for rounding, and then count as not beyond.
    beyond = np.abs(turn) > 180 + 1e-9
    turn = np.where(beyond, turn - 360 * np.sign(turn), turn)
    turn = np.where(grey, 0.0, turn)
    hue = (h1 + h2) / 2
    hue = np.where(beyond, np.where(h1 + h2 < 360, hue + 180, hue - 180), hue)
    hue = np.where(grey, h1 + h2, hue)
    light, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    return _weighed(
        (l2 - l1, c2 - c1, 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn) / 2)),
        (light, chroma, hue),
    )


def _weighed(steps: tuple[Array, Array, Array], means: tuple[Array, Array, Array]) -> Array:
    """Weigh differences of lightness, chroma and hue (Sharma 2005, equations 15 to 22)."""
    light, chroma, hue = means
    t = (
        1
        - 0.17 * np.cos(np.radians(hue - 30))
        + 0.24 * np.cos(np.radians(2 * hue))
        + 0.32 * np.cos(np.radians(3 * hue + 6))
        - 0.20 * np.cos(np.radians(4 * hue - 63))
    )
    away = (light - 50) ** 2
    s_light = 1 + 0.015 * away / np.sqrt(20 + away)
    s_chroma, s_hue = 1 + 0.045 * chroma, 1 + 0.015 * chroma * t
    blue = 30 * np.exp(-(((hue - 275) / 25) ** 2))
    rotation = -2 * np.sqrt(chroma**7 / (chroma**7 + 25.0**7)) * np.sin(np.radians(2 * blue))
    dl, dc, dh = steps[0] / s_light, steps[1] / s_chroma, steps[2] / s_hue
    return np.asarray(np.sqrt(np.maximum(dl**2 + dc**2 + dh**2 + rotation * dc * dh, 0)))


def gain_between(one: Pixels, other: Pixels, spaces: tuple[ColourSpace, ColourSpace]) -> Array:
    """Return the factors (3,) that bring the linear mean of one set of pixels to the other's.

    Parameters
    ----------
    one, other
        uint8, shape (n, 3); what is clipped or near black in either is left out.
    """
    whole = ((one > 8) & (one < 248) & (other > 8) & (other < 248)).all(axis=1)
    if whole.sum() < 50:
        return np.ones(3)
    sets = []
    for pixels, space in zip((one, other), spaces, strict=True):
        table = np.array([icc.linear(n / 255, space.encoding.curve) for n in range(256)])
        sets.append(np.median(table[pixels[whole]], axis=0))
    return np.asarray(np.clip(sets[1] / np.maximum(sets[0], 1e-4), 0.25, 4.0))


def neutral_gain(patch: Pixels, space: ColourSpace) -> Array:
    """Return the factors (3,) that make the mean of a grey card neutral, its luminance kept."""
    table = np.array([icc.linear(n / 255, space.encoding.curve) for n in range(256)])
    mean = table[patch.reshape(-1, 3)].mean(axis=0)
    luminance = float(mean @ np.array(icc.columns(space.encoding))[:, 1])
    return np.asarray(luminance / np.maximum(mean, 1e-4))


def _encoding_table() -> Pixels:
    linear = np.arange(4096) / 4095
    curve = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.round(curve * 255).astype(np.uint8)


def _by_profile(pixels: Pixels, profile: bytes) -> Pixels:
    from PIL import Image, ImageCms

    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        target = ImageCms.ImageCmsProfile(io.BytesIO(icc.input_profile(icc.SRGB)))
        made = ImageCms.profileToProfile(
            Image.fromarray(pixels), source, target,
            ImageCms.Intent.RELATIVE_COLORIMETRIC, outputMode="RGB",
        )  # fmt: skip
    except (ImageCms.PyCMSError, OSError, ValueError):
        return pixels
    return np.asarray(made, np.uint8) if made is not None else pixels
