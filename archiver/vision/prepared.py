"""A picture made ready for alignment: reduced, evened out, its features found."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from archiver.vision import region
from archiver.vision.opencv import cv2
from archiver.vision.tooth_map import tooth_map
from archiver.vision.transforms import Array

Pixels = NDArray[np.uint8]
Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

#: Longer side in pixels at which features are found and alignment is refined. Finer detail than
#: that is noise and gloss in a photograph of a tooth; places are found to a tenth of a pixel.
WORKING_SIDE = 750
_FEATURES = 2500
#: Contrast below which SIFT sees nothing, for the evened picture.
_CONTRAST = 0.015
#: Standard deviation (share of the longer side) of the surroundings that are evened out.
_SURROUNDINGS = 0.016
_FLAT = 25.0
#: Standard deviations in pixels between which a tooth's texture lies.
_FINE = (1.0, 4.0)


@dataclass(frozen=True)
class Features:
    """Features of a picture.

    Parameters
    ----------
    places
        Shape (n, 2), pixels at working size.
    described
        Shape (n, 128), roots of SIFT's descriptors, unit length.
    bearing
        Shape (n,), degrees clockwise from the right.
    size
        Shape (n,), pixels across.
    """

    places: Array
    described: Floats
    bearing: Floats
    size: Floats

    def reflected(self, columns: int) -> Features:
        """The same features in the picture flipped left to right."""
        return Features(
            self.places * [-1, 1] + [columns - 1, 0],
            _mirrored(self.described),
            (180 - self.bearing) % 360,
            self.size,
        )


@dataclass(frozen=True)
class Prepared:
    """A picture at working size.

    Parameters
    ----------
    detail
        uint8, shape (rows, columns): lightness with slow changes taken out and contrast evened,
        so that another light makes little difference.
    tooth
        Where teeth are.
    usable
        Where nothing but gloss and the dark is left out.
    factor
        Pixels of the full picture for one of working size.
    """

    detail: Pixels
    tooth: Mask
    usable: Mask
    factor: float

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.detail.shape[0], self.detail.shape[1]

    @cached_property
    def features(self) -> Features:
        """Features of the whole picture."""
        # Without the precise doubling every place is off by a quarter of a pixel, and a
        # reflection's the other way.
        finder = cv2.SIFT_create(
            _FEATURES, contrastThreshold=_CONTRAST, enable_precise_upscale=True
        )
        found, described = finder.detectAndCompute(self.detail, None)
        if not found:
            none = np.empty(0, np.float32)
            return Features(np.empty((0, 2)), np.empty((0, 128), np.float32), none, none)
        total = described.sum(axis=1, keepdims=True) + 1e-6
        return Features(
            np.array([one.pt for one in found], float),
            np.sqrt(described / total).astype(np.float32),
            np.array([one.angle for one in found], np.float32),
            np.array([one.size for one in found], np.float32),
        )

    @cached_property
    def texture(self) -> Pixels:
        """The fine part of the detail, uint8.

        Shading follows camera and light as well as the tooth, a seeming movement of places; it
        is mostly coarse, while fissures, cracks and stains are fine.
        """
        value = self.detail.astype(np.float32)
        fine, coarse = (cv2.GaussianBlur(value, (0, 0), one) for one in _FINE)
        return np.asarray(np.clip(128 + 3 * (fine - coarse), 0, 255), np.uint8)

    def reflected(self) -> Prepared:
        """The same picture flipped left to right."""
        flipped = Prepared(
            np.ascontiguousarray(self.detail[:, ::-1]),
            np.ascontiguousarray(self.tooth[:, ::-1]),
            np.ascontiguousarray(self.usable[:, ::-1]),
            self.factor,
        )
        flipped.__dict__["features"] = self.features.reflected(self.detail.shape[1])
        return flipped


def _mirrored(described: Floats) -> Floats:
    """Descriptors of the flipped picture.

    A descriptor is a grid of 4 rows (across the feature's own direction) of 4 cells of 8
    directions. In the flipped picture the side across changes its sign, and with it each
    direction.
    """
    cells = described.reshape(-1, 4, 4, 8)[:, ::-1][..., [0, 7, 6, 5, 4, 3, 2, 1]]
    return np.ascontiguousarray(cells).reshape(-1, 128)


def prepare(pixels: Pixels, factor: float = 1.0, *, teeth: bool = True) -> Prepared:
    """Make a picture ready.

    Parameters
    ----------
    pixels
        uint8 sRGB, shape (rows, columns, 3), in display orientation, of any size.
    factor
        Pixels of the full picture for one of these.
    teeth
        Look for teeth, which takes most of the time; which way round two pictures lie is told
        without.
    """
    longer = max(pixels.shape[:2])
    if longer > WORKING_SIDE:
        ratio = WORKING_SIDE / longer
        size = (round(pixels.shape[1] * ratio), round(pixels.shape[0] * ratio))
        factor *= pixels.shape[1] / size[0]
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    glossy = region.gloss(pixels)
    light = cv2.cvtColor(pixels, cv2.COLOR_RGB2Lab)[..., 0].astype(np.float32)
    usable = (light > 255 * 0.10) & ~glossy
    # Gloss is filled from around it, so that its edge is no feature.
    light = cv2.inpaint(light.astype(np.uint8), glossy.astype(np.uint8), 3, cv2.INPAINT_TELEA)
    tooth = tooth_map(pixels).teeth if teeth else np.zeros(usable.shape, np.bool_)
    return Prepared(_evened(light), tooth, usable, factor)


def _evened(light: Pixels) -> Pixels:
    value = light.astype(np.float32)
    deviation = max(light.shape) * _SURROUNDINGS
    mean = cv2.GaussianBlur(value, (0, 0), deviation)
    spread = cv2.GaussianBlur((value - mean) ** 2, (0, 0), deviation)
    even = (value - mean) / np.sqrt(spread + _FLAT)
    return np.asarray(np.clip(128 + 40 * even, 0, 255), np.uint8)
