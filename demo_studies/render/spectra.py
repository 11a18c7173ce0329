"""From light of known spectrum to what a camera makes of it, for the shade case.

Sensitivities, illuminants, the observer, the chart's reflectances and the three basis reflectances
by which linear red, green and blue become a spectrum (I. Mallett and C. Yuksel, EGSR 2019) are
those that colour-science carries.
"""

from functools import cache

import colour
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SHAPE = colour.SpectralShape(400, 700, 10)
SENSITIVITIES = "Nikon 5100 (NPL)"
#: The flash, and the light for which the white balance is set by hand.
FLASH, BALANCE = "D65", "D55"
_OBSERVER = "CIE 1931 2 Degree Standard Observer"
_SRGB_OF_XYZ = np.array(
    [[3.2404542, -1.5371385, -0.4985314], [-0.9692660, 1.8760108, 0.0415560],
     [0.0556434, -0.2040259, 1.0572252]]
)  # fmt: skip


@cache
def basis() -> Array:
    """Return the reflectances of linear red, green and blue, shape (3, 31)."""
    known = colour.recovery.MSDS_BASIS_FUNCTIONS_sRGB_MALLETT2019.copy().align(SHAPE)
    return np.asarray(known.values.T)


@cache
def chart() -> Array:
    """Return the reflectances of the 24 patches, shape (24, 31)."""
    patches = colour.SDS_COLOURCHECKERS["BabelColor Average"].values()
    return np.array([one.copy().align(SHAPE).values for one in patches])


@cache
def _light(name: str) -> Array:
    return np.asarray(colour.SDS_ILLUMINANTS[name].copy().align(SHAPE).values)


def xyz_of(reflectances: Array) -> Array:
    """Return XYZ under D50 of reflectances (n, 31), the perfect diffuser being 1 in Y."""
    cmfs = np.asarray(colour.MSDS_CMFS[_OBSERVER].copy().align(SHAPE).values)
    weights = _light("D50")[:, None] * cmfs
    return np.asarray(reflectances @ weights / weights[:, 1].sum())


def lab_of(reflectances: Array) -> Array:
    """Return L*a*b* under D50 of reflectances (n, 31)."""
    white = xyz_of(np.ones((1, SHAPE.wavelengths.size)))[0]
    return np.asarray(colour.XYZ_to_Lab(xyz_of(reflectances), colour.XYZ_to_xy(white)))


def seen(reflectances: Array) -> Array:
    """Return the linear red, green and blue (n, 3) that the camera makes of reflectances."""
    known = colour.MSDS_CAMERA_SENSITIVITIES[SENSITIVITIES].copy().align(SHAPE)
    sensitive = np.asarray(known.values)
    flash, balanced = _light(FLASH)[:, None] * sensitive, _light(BALANCE)[:, None] * sensitive
    whites = balanced.sum(axis=0)
    wanted = xyz_of(chart()) / xyz_of(np.ones((1, SHAPE.wavelengths.size)))[0]
    wanted = wanted * [0.95047, 1.0, 1.08883] @ _SRGB_OF_XYZ.T
    matrix = np.linalg.lstsq(chart() @ balanced / whites, wanted, rcond=None)[0]
    strength = (flash.sum(axis=0) / whites)[1]
    return np.asarray(reflectances @ flash / whites / strength @ matrix)


def photographed(linear: Array) -> Array:
    """Return what the camera makes of linear red, green and blue (..., 3) of the scene."""
    return np.asarray(linear @ seen(basis()))
