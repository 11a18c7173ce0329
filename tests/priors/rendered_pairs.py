"""Photographs cut out of base pictures, as a camera would have taken them, and their truth."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from rendered_pictures import STEPS, WIDER, Base, Sight, base

from demo_studies.render.finish import develop

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]

COLUMNS, ROWS = 1500, 1000


@dataclass(frozen=True)
class Framing:
    """How the camera was held: shift in fractions of the width, scale, degrees about its axis."""

    shift: tuple[float, float] = (0.0, 0.0)
    scale: float = 1.0
    turn: float = 0.0

    def matrix(self, one: Base) -> Array:
        """Return the matrix (3, 3) from pixels of the base picture to those of the photograph."""
        rows, columns = one.labels.shape
        s = self.scale * COLUMNS * WIDER / columns
        angle = np.radians(self.turn)
        c, d = s * np.cos(angle), s * np.sin(angle)
        middle = np.array([(columns - 1) / 2, (rows - 1) / 2])
        aim = np.array([(COLUMNS - 1) / 2, (ROWS - 1) / 2]) + np.array(self.shift) * COLUMNS
        linear = np.array([[c, -d], [d, c]])
        return np.vstack([np.column_stack([linear, aim - linear @ middle]), [0, 0, 1]])


@dataclass(frozen=True)
class Photo:
    """A photograph and its truth."""

    pixels: Pixels
    source: Base
    matrix: Array

    def places(self, points: Array) -> Array:
        """Where places (n, 3) lie in the photograph (n, 2)."""
        at = np.column_stack([self.source.project(points), np.ones(len(points))]) @ self.matrix.T
        return at[:, :2] / at[:, 2:]


@dataclass(frozen=True)
class Pair:
    """Two photographs of one tooth: the newer and the prior."""

    newer: Photo
    prior: Photo

    def truth(self) -> tuple[Array, Array]:
        """Where the same places of the tooth lie in the newer one and in the prior (n, 2)."""
        points = self.prior.source.points
        seen = self.newer.source.sees(points) & self.prior.source.sees(points)
        there, here = self.newer.places(points[seen]), self.prior.places(points[seen])
        within = np.ones(len(there), bool)
        for at in (there, here):
            within &= (at > 4).all(1) & (at < [COLUMNS - 5, ROWS - 5]).all(1)
        return there[within], here[within]


def photograph(source: Base, framing: Framing, seed: int, *, rim: bool) -> Photo:
    """Take a photograph: blur by depth, surroundings, glow, vignette, tone and noise."""
    rng = np.random.default_rng(seed)
    matrix = framing.matrix(source)
    shape = (COLUMNS, ROWS)
    light = source.light.astype(np.float32) / STEPS + np.float32([0.016, 0.0055, 0.005])
    light = cv2.warpPerspective(
        light, matrix, shape, flags=cv2.INTER_LINEAR, borderValue=(0.06, 0.02, 0.02, 0)
    )
    reach = cv2.warpPerspective(source.reach, matrix, shape, flags=cv2.INTER_NEAREST)
    near = np.median(reach[reach > 0]) if (reach > 0).any() else 0.0
    away = np.abs(cv2.GaussianBlur(np.where(reach > 0, reach - near, 20.0), (0, 0), 1.5))
    soft = cv2.GaussianBlur(light, (0, 0), 2.2)
    share = np.clip((away - 3.0) / 5.0, 0, 1)[..., None].astype(np.float32)
    light = light * (1 - share) + soft * share
    light = _surrounded(light, rng, rim)
    glow = cv2.resize(
        np.clip(light - 0.5, 0, 2), (COLUMNS // 4, ROWS // 4), interpolation=cv2.INTER_AREA
    )
    light += 0.035 * cv2.resize(cv2.GaussianBlur(glow, (0, 0), 4.5), shape)
    light = cv2.GaussianBlur(light, (0, 0), float(rng.uniform(0.5, 1.1)))
    y, x = np.mgrid[-1 : 1 : ROWS * 1j, -1 : 1 : COLUMNS * 1j].astype(np.float32)
    light *= (1 - 0.14 * (0.6 * x * x + 0.4 * y * y))[..., None]
    warmth = rng.uniform(-1, 1)
    light *= np.float32([1 + 0.05 * warmth, 1.0, 1 - 0.09 * warmth])
    value = develop(light, float(rng.uniform(-0.35, 0.35))).astype(np.float32)
    grain = rng.standard_normal((ROWS, COLUMNS, 3), dtype=np.float32) * 0.6
    grain += rng.standard_normal((ROWS, COLUMNS, 1), dtype=np.float32) * 0.8
    value += 1.6 * grain * (0.45 + 0.75 * np.sqrt(np.clip(value, 4, 255) / 128))
    return Photo(np.clip(np.round(value), 0, 255).astype(np.uint8), source, matrix)


def _surrounded(
    light: NDArray[np.float32], rng: np.random.Generator, rim: bool
) -> NDArray[np.float32]:
    """Lay a mirror's rim, or lips and the edge of a retractor, round the picture."""
    y, x = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float32)
    x, y = (x - COLUMNS / 2) / ROWS, (y - ROWS / 2) / ROWS
    x, y = x - rng.uniform(-0.04, 0.04), y - rng.uniform(-0.04, 0.04)
    a, b = 0.76 * rng.uniform(0.96, 1.08), 0.53 * rng.uniform(0.96, 1.08)
    beyond = ((np.abs(x / a) ** 3.6 + np.abs(y / b) ** 3.6) ** (1 / 3.6) - 1) * b
    cover = np.clip(beyond / 0.012, 0, 1)[..., None]
    if rim:
        metal = 0.12 + 0.6 * np.exp(-(((beyond - 0.012) / 0.006) ** 2)) * (
            0.75 + 0.25 * np.sin(9 * x)
        )
        around = np.where(
            (beyond < 0.035)[..., None],
            metal[..., None] * np.float32([0.62, 0.64, 0.66]),
            np.float32([0.10, 0.035, 0.03]),
        )
    else:
        around = (
            np.float32([0.50, 0.20, 0.17])
            * (0.3 + 0.7 * np.sin(np.clip(beyond / 0.1, 0, 1.6)))[..., None]
        )
        gleam = np.exp(-(((beyond + 0.012) / 0.005) ** 2)) * np.clip(np.abs(x) * 2.5 - 0.9, 0, 1)
        light = light + 0.7 * gleam[..., None].astype(np.float32)
    return (light * (1 - cover) + around * cover).astype(np.float32)


def framings(rng: np.random.Generator) -> tuple[Framing, Framing]:
    """Two ways of holding the camera, up to 15 % of shift, 0.8 to 1.25, 20 degrees apart."""
    angle, length = rng.uniform(0, 2 * np.pi), rng.uniform(0.03, 0.15)
    half = np.array([np.cos(angle), np.sin(angle)]) * length / 2
    turn, scale = rng.uniform(-20, 20) / 2, float(np.exp(rng.uniform(np.log(0.8), np.log(1.25))))
    first = Framing((half[0], half[1]), float(np.sqrt(scale)), turn)
    return first, Framing((-half[0], -half[1]), float(1 / np.sqrt(scale)), -turn)


SIGHTS = (
    (16, "occlusal"),
    (36, "occlusal"),
    (24, "buccal"),
    (11, "labial"),
    (45, "occlusal"),
    (46, "lingual"),
)


def photo_of(sight: Sight, framing: Framing, seed: int) -> Photo:
    """Take a photograph of a sight."""
    return photograph(base(sight), framing, seed, rim=sight.view not in ("labial",))
