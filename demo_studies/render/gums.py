"""Gum, palate, floor of the mouth and tongue, laid round the teeth of an arch."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.spatial import cKDTree

from .arches import Arch
from .meshing import Mesh, cube_sphere, sheet_mesh, vertex_normals
from .noise import noise, smoothstep

Array = NDArray[np.float64]

# Sections of the gum: (outwards from the neck of the tooth, towards the cusp from the margin), mm.
_BUCCAL = (
    (-1.3, -0.1),
    (-0.3, 0.0),
    (0.1, -0.15),
    (0.32, -0.7),
    (0.5, -1.8),
    (0.8, -4.0),
    (1.0, -6.5),
    (1.5, -9.5),
    (3.5, -12.0),
    (8.0, -13.0),
    (13.0, -11.5),
)
_CURTAIN = ((18.0, -6.0), (20.5, 0.0), (21.0, 4.0))
_PALATAL = (
    (-1.3, -0.1),
    (-0.3, 0.0),
    (0.1, -0.15),
    (0.35, -0.8),
    (0.8, -2.5),
    (1.5, -4.8),
    (2.0, -7.5),
    (2.3, -10.0),
)
_LINGUAL = (
    (-1.3, -0.1),
    (-0.3, 0.0),
    (0.1, -0.15),
    (0.3, -0.8),
    (0.5, -2.5),
    (0.8, -5.0),
    (1.2, -8.0),
    (1.4, -11.0),
    (1.5, -14.0),
)


@dataclass(frozen=True)
class _Course:
    """The run of the tooth necks along the arch, as functions of arc length."""

    low: float
    high: float
    neck: Callable[[Array], Array]
    outward: Callable[[Array], Array]
    cusp: Callable[[Array], Array]
    half_depth: Callable[[Array], Array]
    height: Callable[[Array], Array]


def _unit(v: Array) -> Array:
    return v / np.linalg.norm(v, axis=-1, keepdims=True)


def _course(arch: Arch) -> _Course:
    teeth = arch.teeth
    paths = np.array([t.neck_path for t in teeth])
    necks = np.array([t.origin for t in teeth])
    outs = np.array([t.ridge_axes[1] for t in teeth])
    cusps = np.array([t.ridge_axes[2] for t in teeth])
    ends = []
    for index, sign in ((0, -1.0), (-1, 1.0)):
        tooth = teeth[index]
        back = -tooth.ridge_axes[0]
        ends.append(
            (
                tooth.path + sign * (tooth.size.width / 2 + 8.0),
                tooth.origin + back * (tooth.size.width / 2 + 8.0) - tooth.ridge_axes[2] * 1.0,
            )
        )
    at = np.concatenate([[ends[0][0]], paths, [ends[1][0]]])

    def along(values: Array) -> Callable[[Array], Array]:
        padded = np.concatenate([values[:1], values, values[-1:]])
        return PchipInterpolator(at, padded)

    run = PchipInterpolator(at, np.concatenate([[ends[0][1]], necks, [ends[1][1]]]))
    return _Course(
        float(at[0]),
        float(at[-1]),
        run,
        along(outs),
        along(cusps),
        along(np.array([0.43 * t.size.depth for t in teeth])),
        along(np.array([t.size.height for t in teeth])),
    )


def _evened(values: Array, samples: int) -> Array:
    window = np.hanning(max(samples, 1) + 2)
    return np.convolve(
        np.pad(values, samples // 2 + 1, mode="edge"), window / window.sum(), "same"
    )[samples // 2 + 1 : -(samples // 2 + 1)]


def _scallop(arch: Arch, s: Array, height: Array) -> tuple[Array, Array, Array]:
    """Give margin (mm from the neck to the cusp), nearness to a papilla, half depth, along s."""
    near = np.full(len(s), 1.6)
    margin = np.full(len(s), 1.3)
    cover = np.zeros(len(s))
    depth = np.full(len(s), 2.0)
    for tooth in arch.teeth:
        u = np.abs(s - tooth.neck_path) / (tooth.size.width / 2)
        inside = u < near
        near = np.where(inside, u, near)
        cover = np.where(inside, tooth.cover, cover)
        depth = np.where(inside, 0.44 * tooth.size.depth, depth)
    tooth_zone = near <= 1.04
    rise = 0.34 * height * np.minimum(near, 1.0) ** 2.3
    margin = np.where(tooth_zone, 0.8 + rise, margin)
    fall = np.exp(-np.clip(near - 1.0, 0, None) * 5)
    margin = np.where(near > 1.0, 1.0 + (0.34 * height - 0.2) * fall, margin)
    per_mm = 1.0 / float(s[1] - s[0])
    near = np.minimum(near, 1.0)
    round_off = (1.0 - (0.97 * near) ** 2.6) ** (1 / 2.6)
    depth = _evened(depth * (0.52 + 0.48 * round_off), int(1.3 * per_mm))
    return _evened(margin, int(0.8 * per_mm)) + _evened(cover, int(4 * per_mm)), near, depth


@dataclass(frozen=True)
class Tissue:
    """A soft part: its mesh, and at each vertex how red (0 gum, 1 movable mucosa)."""

    name: str
    mesh: Mesh
    redness: Array


def _half_section(knots: tuple[tuple[float, float], ...], count: int) -> tuple[Array, Array, Array]:
    out, down = np.array(knots).T
    step = np.concatenate([[0], np.cumsum(np.hypot(np.diff(out), np.diff(down)))])
    dense = np.linspace(0, 1, count) ** 1.5 * step[-1]
    return PchipInterpolator(step, out)(dense), PchipInterpolator(step, down)(dense), dense


def gum(arch: Arch, detail: float, curtain: bool) -> Tissue:
    """Sweep the gum along the arch; ``detail`` is 1 for pictures, less for tests.

    With ``curtain`` the inside of cheek and lip rises round the arch.
    """
    course = _course(arch)
    s = np.linspace(course.low, course.high, int((course.high - course.low) / 0.16 * detail) + 60)
    height = course.height(s)
    margin, near, depth = _scallop(arch, s, height)
    neck, cusp = course.neck(s), _unit(course.cusp(s))
    outward = _unit(course.outward(s))
    count = int(46 * detail) + 14
    rows, reds = [], []
    for sign, knots in (
        (1.0, _BUCCAL + _CURTAIN if curtain else _BUCCAL),
        (-1.0, _PALATAL if arch.upper else _LINGUAL),
    ):
        out, down, run = _half_section(knots, count)
        between = np.sin(near * np.pi / 2) ** 2.6
        thick = depth + 0.14
        eminence = 0.32 * (1 - 1.6 * between) * (sign > 0)
        swell = np.interp(run, [0, 3.0, 5.5, 10.0, 14.0], [0, 0.4, 1.0, 0.4, 0.0])
        fade = np.interp(-down, [0.0, 6.0], [1.0, 0.0])
        shallow = np.interp(-down, [0.0, 6.0], [1.0, 0.0])
        thick_here = thick[:, None] * shallow + 1.03 * course.half_depth(s)[:, None] * (1 - shallow)
        o = sign * (thick_here + out + eminence[:, None] * swell)
        z = margin[:, None] * fade + 0.8 * (1 - fade) + down
        grid = neck[:, None] + outward[:, None] * o[..., None] + cusp[:, None] * z[..., None]
        rows.append(grid if sign < 0 else grid[:, ::-1])
        red = smoothstep(5.0, 8.5, run) if sign > 0 or not arch.upper else run * 0.0
        red = np.broadcast_to(red, o.shape)
        reds.append(red if sign < 0 else red[:, ::-1])
    grid = np.concatenate(rows, axis=1)
    red = np.concatenate(reds, axis=1).reshape(-1)
    flat = grid.reshape(-1, 3)
    up = np.repeat(outward, grid.shape[1], axis=0)
    bump = 0.05 * noise(flat, 0.9, 2) + 0.12 * noise(flat, 4.0, 1)
    flat = flat + up * (bump * (1 - 0.5 * red))[:, None]
    middle = flat.mean(axis=0) + np.array([0, 0, -60.0 if arch.upper else 60.0])
    mesh = sheet_mesh(flat.reshape(grid.shape), middle)
    wander = 0.25 * noise(flat, 3.0, 3)
    return Tissue("gum", mesh, np.clip(red + wander * (red > 0.02), 0, 1))


def _within(arch: Arch, step: float) -> tuple[Array, Array, Array, Array]:
    """Grid (x, y) inside the arch, its distance to the necks, the neck height nearby, and shape."""
    course = _course(arch)
    s = np.linspace(course.low, course.high, 800)
    necks = course.neck(s)
    x = np.arange(-34.0, 34.01, step)
    y = np.arange(2.0, necks[:, 1].max() + 2.0, step)
    gx, gy = np.meshgrid(x, y)
    tree = cKDTree(necks[:, :2])
    distance, nearest = tree.query(np.stack([gx.ravel(), gy.ravel()], axis=1))
    out = course.outward(s)[nearest][:, :2]
    signed = np.einsum("ij,ij->i", np.stack([gx.ravel(), gy.ravel()], 1) - necks[nearest, :2], out)
    distance = np.where(signed < 0, distance, -distance)
    return gx, gy, distance.reshape(gx.shape), necks[nearest, 2].reshape(gx.shape)


def palate(arch: Arch, detail: float) -> Tissue:
    """Vault the palate, with raphe, papilla and rugae."""
    gx, gy, distance, neck = _within(arch, 0.3 / detail)
    span = 6.0 + 6.0 * smoothstep(30.0, 6.0, gy)
    deep = np.clip(distance - 3.2, 0, None) / span
    level = neck.mean() * smoothstep(2.0, 8.0, distance) + neck * (
        1 - smoothstep(2.0, 8.0, distance)
    )
    z = level + 1.0 + 13.0 * (1 - np.exp(-(deep**1.2)))
    flat = np.stack([gx.ravel(), gy.ravel(), z.ravel()], axis=1)
    wave = np.sin(
        (gy - 0.22 * np.abs(gx) + 1.1 * noise(flat * [1, 1, 0], 7.0, 2).reshape(gx.shape)) * 1.55
    )
    zone = smoothstep(11, 13, gy) * smoothstep(26, 20, gy) * smoothstep(1.0, 2.5, np.abs(gx))
    zone *= smoothstep(16.0, 9.0, np.abs(gx)) * smoothstep(4.0, 6.0, distance)
    z -= 0.55 * np.clip(wave, -0.2, 1) * zone
    z -= 0.5 * np.exp(-((gx / 0.7) ** 2)) * smoothstep(9, 12, gy)
    z -= 1.1 * np.exp(-((gx / 1.6) ** 2) - ((gy - 9.5) / 2.4) ** 2)
    z += 0.06 * noise(flat, 1.1, 2).reshape(gx.shape)
    grid = np.stack([gx, gy, z], axis=-1)
    mesh = sheet_mesh(grid, np.array([0.0, 25.0, -80.0]), distance > 0.2)
    return Tissue("palate", mesh, 0.35 * smoothstep(32.0, 46.0, gy).reshape(-1))


def floor(arch: Arch, detail: float) -> Tissue:
    """Lay the floor of the mouth inside the lower arch."""
    gx, gy, distance, neck = _within(arch, 0.5 / detail)
    z = neck - 7.0 - 6.0 * (1 - np.exp(-np.clip(distance, 0, None) / 5.0))
    z += 1.6 * np.exp(-((gx / 1.5) ** 2)) * smoothstep(30, 12, gy)
    flat = np.stack([gx.ravel(), gy.ravel(), z.ravel()], axis=1)
    z += 0.3 * noise(flat, 5.0, 3).reshape(gx.shape)
    mesh = sheet_mesh(np.stack([gx, gy, z], axis=-1), np.array([0.0, 25.0, 80.0]), distance > 0.2)
    return Tissue("floor", mesh, np.full(gx.size, 0.9))


def tongue(arch: Arch, detail: float) -> Tissue:
    """Rest the tongue, drawn back and low, inside the lower arch."""
    points, faces = cube_sphere(int(110 * detail) + 12)
    half = abs(arch.teeth[0].origin[0]) - 7.5
    vertices = points * [half, 21.0, 7.0] + [0.0, 39.0, -4.8]
    groove = 1.6 * np.exp(-((vertices[:, 0] / 2.2) ** 2)) * (points[:, 2] > 0)
    vertices[:, 2] -= groove
    vertices = (
        vertices
        + points * (0.05 * noise(vertices, 0.8, 2) + 0.5 * noise(vertices, 9.0, 2))[:, None]
    )
    return Tissue(
        "tongue",
        Mesh(vertices, vertex_normals(vertices, faces), faces),
        np.full(len(vertices), 0.5),
    )
