"""Smooth repeatable noise in space, for stains, stippling and wandering outlines."""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

Points = NDArray[np.float64]
_LATTICE = np.random.default_rng(20260304).standard_normal((32, 32, 32))


def noise(points: Points, scale: float, octaves: int = 3) -> NDArray[np.float64]:
    """Sum octaves of cubic lattice noise.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        Positions in mm.
    scale : float
        Size of the coarsest bumps in mm.
    octaves : int
        Each octave is twice as fine and half as strong.

    Returns
    -------
    ndarray, shape (n,)
        About zero mean and unit spread.
    """
    total = np.zeros(len(points))
    for octave in range(octaves):
        at = (points / scale * 2.0**octave + 7.31 * octave).T
        total += map_coordinates(_LATTICE, at, order=1, mode="grid-wrap") * 0.5**octave
    return total


def smoothstep(low: float, high: float, value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rise from 0 at ``low`` to 1 at ``high`` (which may be the smaller) without a corner."""
    t = np.clip((value - low) / (high - low), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)
