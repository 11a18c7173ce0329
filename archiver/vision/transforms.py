"""Plane transforms: fitting them to matched places, from the simplest on.

All matrices are (3, 3) and take (x, y, 1) of the prior to the newer picture. A similarity has
four parameters, an affine six, a homography eight. None of them reflects: a prior that has to be
reflected to fit is the business of `archiver.vision.wrong_way`.
"""

from __future__ import annotations

from enum import Enum

import numpy as np
from numpy.typing import NDArray

from archiver.vision.opencv import cv2

Array = NDArray[np.float64]


class Model(str, Enum):
    """Kinds of transform, the simplest first."""

    SIMILARITY = "similarity"
    AFFINE = "affine"
    HOMOGRAPHY = "homography"

    @property
    def parameters(self) -> int:
        """How many numbers it has."""
        return {"similarity": 4, "affine": 6, "homography": 8}[self.value]


def carried(matrix: Array, points: Array) -> Array:
    """Return places (n, 2) after a transform."""
    ahead = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(ahead[:, :2] / ahead[:, 2:])


def scaling(factor: float) -> Array:
    """Return the transform between pixel centres of a picture and of it enlarged by a factor.

    Pixel (0, 0) has its centre at (0, 0): edges, not centres, stay in proportion.
    """
    shift = (factor - 1) / 2
    return np.array([[factor, 0, shift], [0, factor, shift], [0, 0, 1.0]])


def fit(model: Model, source: Array, target: Array, weights: Array) -> Array:
    """Fit a transform by weighted least squares.

    Parameters
    ----------
    source, target
        Matched places, shape (n, 2), n at least half the parameters.
    weights
        Shape (n,), not negative.

    Returns
    -------
    ndarray
        The matrix from source to target.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the places do not settle it.
    """
    before, after = _unit(source, weights), _unit(target, weights)
    s, t, w = carried(before, source), carried(after, target), np.sqrt(weights)
    if model is Model.SIMILARITY:
        inner = _similarity(s, t, w)
    elif model is Model.AFFINE:
        rows = np.column_stack([s, np.ones(len(s))])
        solved = np.linalg.lstsq(rows * w[:, None], t * w[:, None], rcond=None)[0]
        inner = np.vstack([solved.T, [0, 0, 1]])
    else:
        inner = _homography(s, t, w)
    made = np.linalg.inv(after) @ inner @ before
    return np.asarray(made / made[2, 2])


def robust_fit(model: Model, source: Array, target: Array, weights: Array) -> Array:
    """Fit with the weight of far-off matches taken down (Tukey's biweight, 4.685 deviations)."""
    matrix = fit(model, source, target, weights)
    for _ in range(8):
        off = np.linalg.norm(carried(matrix, source) - target, axis=1)
        # 1.17741 is the median of a Rayleigh distribution of unit deviation.
        spread = max(float(np.median(off)) / 1.17741, 0.25)
        share = np.clip(1 - (off / (4.685 * spread)) ** 2, 0, None) ** 2
        matrix = fit(model, source, target, weights * share + 1e-9)
    return matrix


def robust_similarity(
    source: Array, target: Array, within: float
) -> tuple[Array, NDArray[np.bool_]]:
    """Find the similarity that most matches agree with, and which those are.

    Parameters
    ----------
    within
        Pixels by which an agreeing match may be off.

    Raises
    ------
    numpy.linalg.LinAlgError
        If there is none.
    """
    cv2.setRNGSeed(1)
    matrix, chosen = cv2.estimateAffinePartial2D(
        source, target, method=cv2.RANSAC, ransacReprojThreshold=within,
        maxIters=4000, confidence=0.999, refineIters=10,
    )  # fmt: skip
    if matrix is None:
        raise np.linalg.LinAlgError("no similarity agrees with the matches")
    return np.vstack([matrix, [0, 0, 1]]).astype(float), chosen.ravel().astype(bool)


def size_and_turn(matrix: Array, at: Array) -> tuple[float, float]:
    """Return by how much lengths grow about a place, and the turn in degrees (clockwise)."""
    step = 1.0
    x, y = at
    around = carried(matrix, np.array([[x, y], [x + step, y], [x, y + step]]))
    jacobian = np.column_stack([around[1] - around[0], around[2] - around[0]]) / step
    area = float(np.linalg.det(jacobian))
    turn = float(np.degrees(np.arctan2(jacobian[1, 0] - jacobian[0, 1], np.trace(jacobian))))
    return float(np.sqrt(abs(area))), turn


def _unit(points: Array, weights: Array) -> Array:
    """Hartley's normalisation: middle at 0, mean distance of the square root of 2."""
    middle = np.average(points, axis=0, weights=weights + 1e-12)
    away = np.average(np.linalg.norm(points - middle, axis=1), weights=weights + 1e-12)
    k = np.sqrt(2) / max(float(away), 1e-9)
    return np.array([[k, 0, -k * middle[0]], [0, k, -k * middle[1]], [0, 0, 1]])


def _similarity(s: Array, t: Array, w: Array) -> Array:
    n = len(s)
    rows, values = np.zeros((2 * n, 4)), np.empty(2 * n)
    rows[:n] = np.column_stack([s[:, 0], -s[:, 1], np.ones(n), np.zeros(n)]) * w[:, None]
    rows[n:] = np.column_stack([s[:, 1], s[:, 0], np.zeros(n), np.ones(n)]) * w[:, None]
    values[:n], values[n:] = t[:, 0] * w, t[:, 1] * w
    a, b, x, y = np.linalg.lstsq(rows, values, rcond=None)[0]
    return np.array([[a, -b, x], [b, a, y], [0, 0, 1]])


def _homography(s: Array, t: Array, w: Array) -> Array:
    n = len(s)
    one, none = np.ones(n), np.zeros(n)
    x = np.column_stack([s, one])
    upper = np.column_stack([x, none, none, none, -t[:, :1] * s])
    lower = np.column_stack([none, none, none, x, -t[:, 1:] * s])
    rows = np.concatenate([upper, lower]) * np.concatenate([w, w])[:, None]
    values = np.concatenate([t[:, 0] * w, t[:, 1] * w])
    solved = np.linalg.lstsq(rows, values, rcond=None)[0]
    return np.append(solved, 1.0).reshape(3, 3)
