"""Training pictures changed at random: camera, light, fog, blur, gloves laid over."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from archiver.vision.tooth_map import Part
from tests.vision.training.truth import UNKNOWN

Pixels = NDArray[np.uint8]
Floats = NDArray[np.float32]
ROWS, COLUMNS = 192, 256
_AROUND = ((0, 0, 0), (255, 255, 255), (90, 90, 140))


def changed(
    picture: Pixels, parts: Pixels, donor: tuple[Pixels, Pixels] | None, rng: np.random.Generator
) -> tuple[Floats, Pixels]:
    """Return a changed piece, from -0.5 to 0.5, and its parts at half the size."""
    piece, shown = _piece(picture, parts, rng)
    light = piece[..., ::-1].astype(np.float32) / 255
    if donor is not None:
        light, shown = _gloved(light, shown, donor, rng)
    light = light ** np.float32(np.exp(rng.normal(0, 0.22)))
    light *= (np.exp(rng.normal(0, 0.16, 3)) * np.exp(rng.normal(-0.05, 0.25))).astype(np.float32)
    grey = light.mean(axis=-1, keepdims=True)
    light = grey + (light - grey) * np.float32(np.exp(rng.normal(-0.1, 0.3)))
    y, x = np.mgrid[0 : 1 : ROWS * 1j, 0 : 1 : COLUMNS * 1j].astype(np.float32)
    if rng.random() < 0.5:  # light falls unevenly
        away = (x - rng.random()) ** 2 + ((y - rng.random()) * 0.75) ** 2
        spot = np.exp(-away / (2 * rng.uniform(0.08, 0.4) ** 2))[..., None]
        light *= (1 + rng.uniform(-0.6, 1.3) * spot).astype(np.float32)
    if rng.random() < 0.3:
        light = _fogged(light, x, y, rng)
    if rng.random() < 0.35:
        light = cv2.GaussianBlur(light, (0, 0), float(rng.uniform(0.5, 3)))
    light = light + rng.normal(0, rng.uniform(0, 0.02), light.shape)
    return np.clip(light, 0, 1).astype(np.float32) - np.float32(0.5), shown[::2, ::2]


def _turned(scale: float, angle: float) -> NDArray[np.float64]:
    c, d = np.cos(angle) * scale, np.sin(angle) * scale
    return np.array([[c, -d], [d, c]])


def _piece(picture: Pixels, parts: Pixels, rng: np.random.Generator) -> tuple[Pixels, Pixels]:
    rows, columns = parts.shape
    scale = np.exp(rng.uniform(np.log(0.8), np.log(2.0))) * COLUMNS / columns
    quarter = rng.choice([0, 0, 1, 2, 2, 3]) * np.pi / 2
    stretch = np.exp(rng.normal(0, 0.06))
    flip = -1 if rng.integers(2) else 1
    linear = _turned(scale, np.radians(rng.normal(0, 12)) + quarter)
    linear = linear @ np.diag([flip * stretch, 1 / stretch])
    places = np.argwhere(parts == Part.TOOTH)
    if len(places) and rng.random() < 0.35:
        middle = places[rng.integers(len(places)), ::-1].astype(float)
    else:
        middle = np.array([columns, rows]) * (0.5 + rng.normal(0, 0.08, 2))
    matrix = np.column_stack([linear, np.array([COLUMNS, ROWS]) / 2 - linear @ middle])
    around = int(rng.integers(3))
    piece = cv2.warpAffine(
        picture, matrix, (COLUMNS, ROWS), flags=cv2.INTER_AREA, borderValue=_AROUND[around]
    )
    shown = cv2.warpAffine(
        parts, matrix, (COLUMNS, ROWS), flags=cv2.INTER_NEAREST,
        borderValue=int(Part.VOID) if around < 2 else UNKNOWN,
    )  # fmt: skip
    return np.asarray(piece, np.uint8), np.asarray(shown, np.uint8)


def _gloved(
    light: Floats, shown: Pixels, donor: tuple[Pixels, Pixels], rng: np.random.Generator
) -> tuple[Floats, Pixels]:
    """Lay a glove or retractor of another picture over the outer part."""
    picture, parts = donor
    places = np.argwhere(parts == Part.FOREIGN)
    linear = _turned(
        np.exp(rng.uniform(-0.2, 0.7)) * COLUMNS / parts.shape[1], rng.uniform(0, 6.28)
    )
    angle = rng.uniform(0, 2 * np.pi)
    aim = np.array([COLUMNS, ROWS]) * (0.5 + 0.48 * np.array([np.cos(angle), np.sin(angle)]))
    chosen = places[rng.integers(len(places)), ::-1]
    matrix = np.column_stack([linear, aim - linear @ chosen])
    glove = cv2.warpAffine(picture, matrix, (COLUMNS, ROWS))[..., ::-1].astype(np.float32) / 255
    there = (parts == Part.FOREIGN).astype(np.uint8)
    mask = cv2.warpAffine(there, matrix, (COLUMNS, ROWS), flags=cv2.INTER_NEAREST) > 0
    y, x = np.mgrid[-0.5 : 0.5 : ROWS * 1j, -0.5 : 0.5 : COLUMNS * 1j]
    mask &= np.hypot(x, y) > 0.6 * rng.uniform(0.3, 0.7)
    glove *= np.exp(rng.normal(0, 0.08, 3)).astype(np.float32)
    covered = np.where(mask, np.uint8(Part.FOREIGN), shown)
    return np.where(mask[..., None], glove, light), covered


def _fogged(light: Floats, x: Floats, y: Floats, rng: np.random.Generator) -> Floats:
    much = rng.uniform(0.1, 0.6)
    veil = np.full(x.shape, much, np.float32)
    if rng.random() < 0.5:
        angle = rng.uniform(0, 2 * np.pi)
        across = (x - 0.5) * np.cos(angle) + (y - 0.5) * np.sin(angle)
        veil = (much / (1 + np.exp(-12 * across))).astype(np.float32)
    white = np.float32([1, 0.97, 0.96]) * np.float32(rng.uniform(0.6, 0.95))
    return np.asarray(light * (1 - veil[..., None]) + veil[..., None] * white, np.float32)
