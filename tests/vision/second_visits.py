"""A second visit made from a photograph by known warps: another camera, light, saliva, a finger."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8]
Array = NDArray[np.float64]


@dataclass(frozen=True)
class SecondVisit:
    """A picture, and the matrix (3, 3) from pixels of the first one to its own."""

    pixels: Pixels
    matrix: Array


def second_visit(first: Pixels, seed: int, *, tilt: float = 12.0) -> SecondVisit:
    """Photograph the same mouth again.

    Turned by up to 15 degrees, 0.8 to 1.25 times as large, the camera tilted by up to `tilt`
    degrees; other light, drops of saliva, something before a part of it, noise and JPEG.
    """
    rng = np.random.default_rng(seed)
    rows, columns = first.shape[:2]
    matrix = _camera(rows, columns, rng, tilt)
    size = (columns, rows)
    seen = cv2.warpPerspective(first, matrix, size, flags=cv2.INTER_AREA, borderValue=(40, 15, 15))
    light = (seen.astype(np.float32) / 255) ** float(np.exp(rng.normal(0, 0.12)))
    light *= np.exp(rng.normal(0, 0.06, 3)).astype(np.float32)
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j].astype(np.float32)
    angle = rng.uniform(0, 2 * np.pi)
    slope = np.exp(0.25 * (np.cos(angle) * x + np.sin(angle) * y))
    light *= slope[..., None] * np.float32(np.exp(rng.normal(0, 0.15)))
    light = _wet(light, rng)
    light = _covered(light, x, y, rng)
    light += rng.normal(0, 0.01, light.shape)
    value = np.clip(255 * light, 0, 255).astype(np.uint8)
    _, packed = cv2.imencode(".jpg", value, [cv2.IMWRITE_JPEG_QUALITY, 85])
    return SecondVisit(np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), np.uint8), matrix)


def _camera(rows: int, columns: int, rng: np.random.Generator, tilt: float) -> Array:
    focal = 2.0 * columns
    axis = rng.uniform(0, 2 * np.pi)
    about = np.array([np.cos(axis), np.sin(axis), 0.0]) * np.radians(rng.uniform(0, tilt))
    turned = (
        cv2.Rodrigues(about)[0]
        @ cv2.Rodrigues(np.array([0, 0, np.radians(rng.uniform(-15, 15))]))[0]
    )
    # A plane at the distance of the focal length, turned about its middle.
    points = np.array([[x, y] for x in (0, columns) for y in (0, rows)], float)
    flat = np.column_stack([points - [columns / 2, rows / 2], np.zeros(4)]) @ turned.T
    scale = np.exp(rng.uniform(np.log(0.8), np.log(1.25)))
    seen = flat[:, :2] * scale * (focal / (focal + flat[:, 2]))[:, None]
    shift = rng.uniform(-0.06, 0.06, 2) * columns
    target = seen + np.array([columns / 2, rows / 2]) + shift
    return np.asarray(
        cv2.getPerspectiveTransform(points.astype(np.float32), target.astype(np.float32)), float
    )


def _wet(light: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.float32]:
    rows, columns = light.shape[:2]
    drops = np.zeros((rows, columns), np.float32)
    for _ in range(int(rng.integers(5, 25))):
        at = (int(rng.integers(columns)), int(rng.integers(rows)))
        axes = tuple(int(v) for v in rng.integers(2, max(4, columns // 90), 2))
        cv2.ellipse(drops, at, axes, float(rng.uniform(0, 180)), 0, 360, 1.0, -1)
    drops = cv2.GaussianBlur(drops, (0, 0), columns / 900)[..., None]
    return np.asarray(light * (1 - drops) + 0.97 * drops, np.float32)


def _covered(
    light: NDArray[np.float32],
    x: NDArray[np.float32],
    y: NDArray[np.float32],
    rng: np.random.Generator,
) -> NDArray[np.float32]:
    angle, far = rng.uniform(0, 2 * np.pi), rng.uniform(0.55, 0.9)
    cover = (np.cos(angle) * x + np.sin(angle) * y) > far
    colour = np.float32([0.55, 0.25, 0.25]) * np.float32(rng.uniform(0.5, 1.5))
    return np.asarray(np.where(cover[..., None], colour, light), np.float32)
