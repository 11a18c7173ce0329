"""The shape of a crown as a signed field, one function a class of tooth.

Frame of a crown, mm: x mesial, y buccal (labial), z towards the cusp; z = 0 at the cervical line.
A field is negative inside. The crown is meshed by walking in from all sides to its surface.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from .dimensions import CrownSize, crown_size, is_deciduous, is_upper, tooth_class
from .noise import noise, smoothstep

Array = NDArray[np.float64]
ROOT = -5.0


@dataclass(frozen=True)
class Field:
    """Surface of a crown and what colouring wants to know about it.

    Attributes
    ----------
    value : callable
        Positions (n, 3) to signed distance in mm (roughly), negative inside.
    fissure : callable
        Positions (n, 3) to 0..1, how deep in a fissure.
    size : CrownSize
        Its measures.
    """

    value: Callable[[Array], Array]
    fissure: Callable[[Array], Array]
    size: CrownSize


def _smooth_max(a: Array, b: Array, k: float) -> Array:
    h = np.clip(0.5 + 0.5 * (a - b) / k, 0.0, 1.0)
    return b + (a - b) * h + k * h * (1.0 - h)


def _profile(*knots: tuple[float, float]) -> Callable[[Array], Array]:
    at, value = zip(*knots, strict=True)
    curve = PchipInterpolator(at, value)
    low, high = at[0], at[-1]
    return lambda z: curve(np.clip(z, low, high))


# Cusps as (x, y, drop, group): fractions of width and depth, mm below the highest tip.
_CUSPS: dict[str, tuple[tuple[float, float, float], ...]] = {
    "upper premolar 4": ((0.0, 0.27, 0.0), (0.06, -0.25, 0.9)),
    "upper premolar 5": ((0.0, 0.26, 0.1), (0.05, -0.25, 0.3)),
    "lower premolar 4": ((0.0, 0.10, 0.0), (0.0, -0.30, 2.6)),
    "lower premolar 5": ((0.02, 0.20, 0.0), (0.2, -0.26, 0.7), (-0.22, -0.26, 1.3)),
    "upper molar 6": (
        (0.23, 0.27, 0.0),
        (-0.23, 0.27, 0.3),
        (0.16, -0.24, 0.1),
        (-0.27, -0.28, 0.9),
    ),
    "upper molar 7": (
        (0.23, 0.27, 0.0),
        (-0.23, 0.26, 0.5),
        (0.10, -0.25, 0.2),
        (-0.28, -0.26, 1.6),
    ),
    "lower molar 6": (
        (0.30, 0.26, 0.2),
        (-0.01, 0.28, 0.2),
        (-0.34, 0.13, 0.8),
        (0.24, -0.26, 0.0),
        (-0.20, -0.26, 0.1),
    ),
    "lower molar 7": (
        (0.23, 0.26, 0.0),
        (-0.23, 0.26, 0.2),
        (0.23, -0.26, 0.1),
        (-0.23, -0.26, 0.2),
    ),
    "upper molar 4": ((0.16, 0.24, 0.0), (-0.25, 0.22, 0.6), (0.05, -0.24, 0.3)),
    "lower molar 4": (
        (0.22, 0.20, 0.0),
        (-0.24, 0.20, 0.5),
        (0.24, -0.24, 0.2),
        (-0.22, -0.22, 0.7),
    ),
}


def _pattern(iso: int) -> str:
    position = iso % 10
    arch = "upper" if is_upper(iso) else "lower"
    kind = tooth_class(iso)
    if is_deciduous(iso) and position == 5:
        position = 6
    return f"{arch} {kind} {min(position, 7)}"


def _table(iso: int, size: CrownSize) -> Callable[[Array], list[Array]]:
    """Heights of the occlusal table, one array a cusp with its ridge, one a marginal ridge."""
    w, d, h = size.width, size.depth, size.height
    cusps = [(x * w, y * d, h - drop) for x, y, drop in _CUSPS[_pattern(iso)]]
    floor = h - (2.3 if w > 7.5 else 1.9)

    def cone(p: Array, tip: tuple[float, float, float]) -> Array:
        dx, dy = p[:, 0] - tip[0], p[:, 1] - tip[1]
        return tip[2] - 0.72 * (np.sqrt(dx * dx + 0.8 * dy * dy + 0.36) - 0.6)

    def ridge(p: Array, a: tuple[float, float, float], b: tuple[float, float, float]) -> Array:
        ax, ay, ah = a
        ex, ey, eh = b[0] - ax, b[1] - ay, b[2] - ah
        t = np.clip(((p[:, 0] - ax) * ex + (p[:, 1] - ay) * ey) / (ex * ex + ey * ey), 0.0, 1.0)
        dx, dy = p[:, 0] - ax - t * ex, p[:, 1] - ay - t * ey
        return ah + t * eh - 0.85 * (np.sqrt(dx * dx + dy * dy + 0.36) - 0.6)

    def heights(p: Array) -> list[Array]:
        wander = 0.16 * noise(p * [1, 1, 0.3], 2.2, 2)
        p = p + wander[:, None] * [1.0, 0.8, 0.0]
        found = []
        for x, y, top in cusps:
            end = (x * 0.25, y * 0.22, floor + 0.25)
            found.append(np.maximum(cone(p, (x, y, top)), ridge(p, (x, y, top - 0.05), end)))
        for side in (1.0, -1.0):
            edge = [c for c in cusps if c[0] * side > -0.08 * w]
            out = max(edge, key=lambda c: c[1] + 0.3 * side * c[0])
            inn = min(edge, key=lambda c: c[1] - 0.3 * side * c[0])
            mid = (side * 0.40 * w, 0.0, h - 1.25)
            found.append(
                np.maximum(
                    ridge(p, (out[0], out[1], out[2] - 0.5), mid),
                    ridge(p, (inn[0], inn[1], inn[2] - 0.4), mid),
                )
            )
        if _pattern(iso).startswith("upper molar") and len(cusps) == 4:
            high = [(c[0], c[1], c[2] - 0.7) for c in cusps]
            found[2] = np.maximum(
                found[2], ridge(p, high[2], (high[1][0], high[1][1], high[1][2] - 0.4))
            )
        return found

    return heights


def _posterior(iso: int) -> Field:
    size = crown_size(iso)
    w, d, h, neck = size.width, size.depth, size.height, size.neck
    upper, molar = is_upper(iso), tooth_class(iso) == "molar"
    bulge = 0.80 if is_deciduous(iso) else 0.88
    half = _profile((ROOT, neck * 0.42), (0, neck / 2), (0.66 * h, w / 2), (h, 0.46 * w))
    buccal = _profile(
        (ROOT, 0.40 * d), (0, bulge * d / 2), (0.28 * h, d / 2), (0.6 * h, 0.45 * d), (h, 0.30 * d)
    )
    inner = _profile(
        (ROOT, 0.40 * d), (0, bulge * d / 2), (0.45 * h, d / 2), (0.7 * h, 0.46 * d), (h, 0.33 * d)
    )
    heights = _table(iso, size)
    power = 2.7 if molar else 2.2
    shear = 0.10 if molar and upper else 0.0
    groove_at = [0.0, 0.14 * w, -0.2 * w] if molar else []

    def wall(p: Array) -> Array:
        x, y, z = p[:, 0] - shear * p[:, 1], p[:, 1], p[:, 2]
        a = half(z) * np.where(y < 0, 0.94 - 0.06 * upper, 1.0) ** np.clip(-2 * y / d, 0, 1)
        b = np.where(y > 0, buccal(z), inner(z))
        rho = (np.abs(x / a) ** power + np.abs(y / b) ** power) ** (1.0 / power)
        value = (rho - 1.0) * np.minimum(a, b)
        for index, at in enumerate(groove_at[: 1 if upper else 3]):
            side = y > 0 if index != 1 or not upper else y < 0
            value = value + 0.22 * np.exp(-(((x - at) / 0.45) ** 2)) * side * smoothstep(
                0.25 * h, 0.8 * h, z
            )
        return value

    def value(p: Array) -> Array:
        stack = np.array(heights(p)) / 0.10
        top = stack.max(axis=0)
        table = 0.10 * (top + np.log(np.exp(stack - top).sum(axis=0)))
        table = table + 0.05 * noise(p * [1, 1, 0.2], 1.5, 3)
        body = _smooth_max(wall(p), (p[:, 2] - table) * 0.75, 0.5)
        return np.maximum(body, ROOT - p[:, 2])

    def fissure(p: Array) -> Array:
        stack = np.sort(np.array(heights(p)), axis=0)
        gap = stack[-1] - stack[-2]
        deep = smoothstep(h - 1.0, h - 1.9, stack[-1]) * (p[:, 2] > 0.4 * h)
        inside = smoothstep(0.9, 0.75, np.hypot(2.2 * p[:, 0] / w, 2.2 * p[:, 1] / d))
        return np.exp(-((gap / 0.13) ** 2)) * deep * inside

    return Field(value, fissure, size)


def _edge(iso: int, size: CrownSize) -> Callable[[Array, Array], Array]:
    """Height of the incisal edge over (x, relative x)."""
    h = size.height
    if tooth_class(iso) == "canine":
        drop = 0.62 if is_upper(iso) else 0.5

        def pointed(x: Array, u: Array) -> Array:
            off = x - 0.06 * size.width
            slope = np.where(off > 0, drop * 0.8, drop)
            return h - slope * (np.sqrt(off * off + 0.25) - 0.5)

        return pointed
    lateral = iso % 10 == 2
    distal = (1.5 if lateral else 0.9) if is_upper(iso) else 0.5
    scallop = 0.07 if iso % 10 == 1 or lateral else 0.0

    def straight(x: Array, u: Array) -> Array:
        d = np.clip((-u - 0.30) / 0.70, 0, 1.5) ** 2.3 * distal
        m = np.clip((u - 0.55) / 0.45, 0, 1.5) ** 2.3 * 0.35
        return h - d - m - scallop * (1 - np.cos(3 * np.pi * u)) * 0.5

    return straight


def _anterior(iso: int) -> Field:
    size = crown_size(iso)
    w, d, h, neck = size.width, size.depth, size.height, size.neck
    canine = tooth_class(iso) == "canine"
    rim = 0.9 if canine else 0.5
    half = _profile(
        (ROOT, neck * 0.40), (0, neck / 2), (0.35 * h, 0.44 * w), (0.8 * h, w / 2), (h, 0.48 * w)
    )
    lab = _profile(
        (ROOT, 0.38 * d),
        (0, 0.44 * d),
        (0.18 * h, 0.47 * d),
        (0.5 * h, 0.39 * d),
        (0.8 * h, 0.20 * d + rim * 0.5),
        (h, 0.3 + rim * 0.6),
    )
    lin = _profile(
        (ROOT, -0.38 * d),
        (0, -0.44 * d),
        (0.2 * h, -0.46 * d),
        (0.42 * h, -0.28 * d),
        (0.7 * h, -0.13 * d - rim * 0.2),
        (h, 0.3 - rim * 0.7),
    )
    edge = _edge(iso, size)

    def value(p: Array) -> Array:
        x, y, z = p.T
        a = half(z)
        u = x / a
        lobes = (
            (0.06 if is_upper(iso) else 0.04)
            * (np.cos(3 * np.pi * u) - 1)
            * smoothstep(0.35 * h, 0.8 * h, z)
        )
        belly = 0.45 * (np.exp(-((u / 0.4) ** 2)) - 1) if canine else 0.0
        front = lab(z) + lobes * (not canine) + belly
        hollow = np.clip(1 - (u / 0.72) ** 2, 0, 1) * smoothstep(0.22 * h, 0.45 * h, z)
        back = lin(z) + (0.10 * d) * hollow * smoothstep(h, 0.75 * h, z)
        mid, b = (front + back) / 2, np.maximum((front - back) / 2, 0.15)
        v = (y - mid) / b
        power = np.where(v > 0, 2.7, 2.1)
        rho = (np.abs(u) ** power + np.abs(v) ** power) ** (1 / power)
        body = (rho - 1) * np.minimum(a, b)
        body = _smooth_max(body, (z - edge(x, u)) * 0.9, 0.3)
        return np.maximum(body, ROOT - z)

    return Field(value, lambda p: np.zeros(len(p)), size)


def crown_field(iso: int) -> Field:
    """Give the field of a crown. Antimeres share one; the arch mirrors it."""
    return _anterior(iso) if tooth_class(iso) in ("incisor", "canine") else _posterior(iso)
