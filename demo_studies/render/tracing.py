"""Rays from the camera, by the mirror where there is one, to the teeth; and light back."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .camera import Pose, Setup, reflect
from .scene import Surface

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Hits:
    """What each ray meets. All arrays are flat, row by row.

    Attributes
    ----------
    found : ndarray of bool
    triangle : ndarray of int
    weights : ndarray, shape (n, 3)
        Barycentric.
    reach : ndarray
        mm from the start of the ray.
    """

    found: NDArray[np.bool_]
    triangle: NDArray[np.int64]
    weights: Array
    reach: Array


@dataclass(frozen=True)
class Look:
    """One way of looking at the surface: rays from an eye, and the light round that eye."""

    start: Array
    direction: Array
    eye: Array
    right: Array
    top: Array


def rays(pose: Pose, rows: int, columns: int) -> Array:
    """Unit directions (rows * columns, 3) through the middles of the pixels."""
    x = ((np.arange(columns) + 0.5) / columns - 0.5) * pose.width
    y = (0.5 - (np.arange(rows) + 0.5) / rows) * pose.width * rows / columns
    plane = (
        pose.forward * pose.focus + x[None, :, None] * pose.right + y[:, None, None] * pose.top
    ).reshape(-1, 3)
    return plane / np.linalg.norm(plane, axis=1, keepdims=True)


def cast(surface: Surface, start: Array, direction: Array) -> Hits:
    """Find the nearest triangle on each ray."""
    answer = surface.caster.run(start.astype(np.float32), direction.astype(np.float32), output=1)
    triangle = answer["primID"].astype(np.int64)
    found = triangle >= 0
    u, v = answer["u"].astype(float), answer["v"].astype(float)
    weights = np.stack([1 - u - v, u, v], axis=1)
    reach = np.where(found, answer["tfar"], np.inf).astype(float)
    return Hits(found, np.where(found, triangle, 0), weights, reach)


def near_start(pose: Pose, direction: Array) -> Array:
    """Start of each ray: where it crosses the plane before which nothing is seen."""
    if pose.slant is not None:
        point, normal = pose.slant
        return (
            pose.eye
            + direction * (float((point - pose.eye) @ normal) / (direction @ normal))[:, None]
        )
    return pose.eye + direction * (pose.near / (direction @ pose.forward))[:, None]


def plane_reach(setup: Setup, direction: Array) -> Array:
    """Distance in mm from the real camera to the mirror's plane along each ray."""
    assert setup.mirror_point is not None and setup.mirror_normal is not None
    towards = direction @ setup.mirror_normal
    reach = float((setup.mirror_point - setup.real.eye) @ setup.mirror_normal) / towards
    return np.where(reach > 0, reach, np.inf)


def reflected(setup: Setup, direction: Array, reach: Array) -> Look:
    """Rays after the mirror, with the virtual eye and its light."""
    assert setup.mirror_normal is not None
    start = setup.real.eye + direction * reach[:, None]
    return Look(
        start,
        reflect(direction, setup.mirror_normal),
        setup.seen.eye,
        setup.seen.right,
        setup.seen.top,
    )


_RING = 34.0
_LAMPS = 6
_CHUNK = 120_000
# How far light creeps round an edge (red, green, blue).
_SOFT_WRAP = np.array([0.42, 0.26, 0.20], np.float32)
_HARD_WRAP = np.array([0.30, 0.26, 0.22], np.float32)


def shade(surface: Surface, hits: Hits, look: Look, lopsided: float) -> Array:
    """Linear light (n, 3) that comes back along each ray.

    Parameters
    ----------
    lopsided : float
        How much stronger the right half of the ring flash is; 0 for comparable pictures.
    """
    light = np.zeros((len(hits.found), 3))
    found = np.flatnonzero(hits.found)
    for begin in range(0, len(found), _CHUNK):
        pick = found[begin : begin + _CHUNK]
        light[pick] = _shade_some(surface, hits, look, pick, lopsided)
    return light


def _lit(
    point: Array,
    direction: Array,
    normal: Array,
    look: Look,
    lopsided: float,
    hard: NDArray[np.bool_],
) -> tuple[Array, Array]:
    """Diffuse light (n, 3) and shine (n,) from the ring of lamps round the eye."""
    wrap = np.where(hard[:, None], _HARD_WRAP, _SOFT_WRAP)
    sharp2 = np.where(hard, 0.085**2, 0.17**2).astype(np.float32)
    diffuse = np.zeros_like(normal)
    shine = np.zeros(len(normal), np.float32)
    for k in range(_LAMPS):
        turn = 2 * np.pi * (k + 0.5) / _LAMPS
        lamp = look.eye + _RING * (np.cos(turn) * look.right + np.sin(turn) * look.top)
        to_lamp = lamp.astype(np.float32) - point
        far = np.sqrt(np.einsum("ij,ij->i", to_lamp, to_lamp))
        to_lamp /= far[:, None]
        strength = np.float32((1.0 + lopsided * np.cos(turn)) / _LAMPS * 310.0**3)
        power = strength / (far * far * far)
        cosine = np.einsum("ij,ij->i", normal, to_lamp)[:, None]
        wrapped = np.clip((cosine + wrap) / (1 + wrap), 0, None)
        diffuse += power[:, None] * wrapped * (np.float32(0.76) + np.float32(0.24) * wrapped)
        half = to_lamp - direction
        cosine2 = np.clip(np.einsum("ij,ij->i", normal, half), 0, None) ** 2
        cosine2 /= np.einsum("ij,ij->i", half, half)
        # facet distribution of Trowbridge and Reitz, scaled to a peak of one
        shine += power * (sharp2 / (cosine2 * (sharp2 - 1) + 1)) ** 2
    return diffuse, shine


def _shade_some(
    surface: Surface, hits: Hits, look: Look, pick: NDArray[np.int64], lopsided: float
) -> Array:
    corner = surface.faces[hits.triangle[pick]]
    w = hits.weights[pick].astype(np.float32)
    normal = np.einsum("ijk,ij->ik", surface.normals[corner], w)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True) + np.float32(1e-12)
    colour = np.einsum("ijk,ij->ik", surface.colours[corner], w)
    sky = np.einsum("ij,ij->i", surface.open_sky[corner], w)
    gloss = np.einsum("ij,ij->i", surface.gloss[corner], w)
    hard = surface.labels[hits.triangle[pick]] > 0
    direction = look.direction[pick].astype(np.float32)
    point = (look.start[pick] + direction * hits.reach[pick][:, None]).astype(np.float32)
    facing = np.einsum("ij,ij->i", normal, direction)[:, None]
    normal = normal - np.float32(1.02) * np.clip(facing, 0, None) * direction
    diffuse, shine = _lit(point, direction, normal, look, lopsided, hard)
    # light that bounces between coloured walls keeps their colour (multiple-bounce occlusion)
    bounce = np.maximum(
        sky[:, None] ** (np.float32(1.9) - np.float32(1.1) * colour), np.float32(0.015)
    )
    rim = (1 - np.clip(-facing[:, 0], 0, 1)) ** 4
    shine = (
        np.where(hard, np.float32(1.15), np.float32(0.42)) * shine * gloss
        + np.float32(0.05) * rim * sky
    )
    return colour * diffuse * bounce + (shine * np.sqrt(sky))[:, None]


def labels_of(surface: Surface, hits: Hits) -> NDArray[np.int64]:
    """ISO number of the tooth each ray meets, 0 where it meets none."""
    return np.where(hits.found, surface.labels[hits.triangle], 0)
