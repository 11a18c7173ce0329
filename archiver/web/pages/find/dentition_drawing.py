"""A drawing of both dentitions from which teeth are chosen.

The mouth is seen as by someone who faces the patient: the patient's right is on the left, the
upper arch above with its incisors up, the lower one below with its incisors down. Each crown is
drawn from above as a rounded shape of the size and with the furrows of its class; lengths are
millimetres. The shapes and sizes are plausible, and serve the drawing only.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import atan2, cos, hypot, pi, sin

from archiver.dentition import Arch, Side, Tooth, ToothClass, arch_order

Point = tuple[float, float]

#: Along the arch and across it, by position. Lower incisors are drawn wider than they are, so
#: that a finger can hit one.
_SIZES: dict[tuple[Arch, bool], tuple[Point, ...]] = {
    (Arch.UPPER, False): (
        (8.6, 7.0), (7.3, 7.0), (7.8, 7.6), (7.3, 9.0), (7.3, 9.2),
        (10.4, 11.2), (10.0, 11.0), (9.2, 10.2),
    ),
    (Arch.LOWER, False): (
        (7.2, 6.8), (7.2, 6.8), (7.4, 7.4), (7.4, 8.0), (7.6, 8.4),
        (11.2, 10.4), (10.6, 10.2), (9.8, 9.6),
    ),
    (Arch.UPPER, True): ((8.4, 7.0), (7.4, 7.0), (8.6, 7.8), (9.6, 10.4), (11.6, 12.2)),
    (Arch.LOWER, True): ((7.4, 6.8), (7.4, 6.8), (7.6, 7.2), (9.6, 9.0), (12.6, 11.0)),
}  # fmt: skip
#: A finger needs at least so much, where the drawing is as wide as its column (WCAG 2.2, 2.5.8).
_LEAST_HIT = 7.4
#: Half axes of the ellipse along which crowns stand: outward and backward.
_CURVES = {False: (29.5, 51.0), True: (27.0, 38.0)}
_STEPS = 400
#: Between the middles of the two ellipses.
_APART = 5.5
#: From a crown's outer face to the middle of the number that stands outside.
_OUTSIDE = 3.6
_MARGIN = 3.5
#: How square a crown is: the exponent of its superellipse.
_SQUARENESS = {
    ToothClass.INCISOR: 2.5,
    ToothClass.CANINE: 2.0,
    ToothClass.PREMOLAR: 2.3,
    ToothClass.MOLAR: 3.4,
}


@dataclass(frozen=True)
class Crown:
    """A tooth in the drawing.

    Parameters
    ----------
    tooth
        Which one.
    outline, furrows
        Path data of SVG.
    x, y
        Its middle.
    outside
        Middle of the number that stands outside the arch.
    box
        Left, top, width and height of what a finger may hit.
    """

    tooth: Tooth
    outline: str
    furrows: str
    x: float
    y: float
    outside: Point
    box: tuple[float, float, float, float]


@dataclass(frozen=True)
class Drawing:
    """One dentition: its teeth, upper arch first, from the patient's right to the left.

    `box` is left, top, width and height of all of it.
    """

    crowns: tuple[Crown, ...]
    box: tuple[float, float, float, float]

    @property
    def view_box(self) -> str:
        """The box as an attribute of SVG."""
        return " ".join(_number(value) for value in self.box)


@lru_cache(maxsize=2)
def draw_dentition(*, deciduous: bool = False) -> Drawing:
    """Draw the permanent or the deciduous dentition."""
    crowns = []
    for arch in Arch:
        places = _places(arch, deciduous)
        for tooth in arch_order(arch, deciduous=deciduous):
            place = places[tooth.position - 1]
            size = _SIZES[arch, deciduous][tooth.position - 1]
            crowns.append(_crown(tooth, place, size))
    left = min(min(c.outside[0], c.box[0]) for c in crowns) - _MARGIN
    top = min(c.outside[1] for c in crowns) - _MARGIN
    bottom = max(c.outside[1] for c in crowns) + _MARGIN
    return Drawing(tuple(crowns), (left, top, -2 * left, bottom - top))


def _places(arch: Arch, deciduous: bool) -> list[tuple[float, float, float]]:
    """Return x, y and direction (radians) of each position on the patient's left, upper arch.

    Crowns touch: each stands half its width behind the one before, along the curve.
    """
    wide, deep = _CURVES[deciduous]
    curve = [
        (wide * sin(t), -deep * cos(t)) for t in (k * pi / 2 / _STEPS for k in range(_STEPS + 1))
    ]
    # Where the ellipse ends, the arch goes on straight back.
    curve += [(wide, k * 0.25) for k in range(1, 100)]
    along = [0.0]
    for (x, y), (u, v) in itertools.pairwise(curve):
        along.append(along[-1] + hypot(u - x, v - y))
    found, reached = [], 0.0
    for width, _ in _SIZES[arch, deciduous]:
        at = reached + width / 2
        reached += width
        k = next(n for n, length in enumerate(along) if length >= at)
        before, after = curve[max(0, k - 1)], curve[k + 1]
        angle = atan2(after[1] - before[1], after[0] - before[0])
        found.append((*curve[k], angle))
    return found


def _crown(tooth: Tooth, place: tuple[float, float, float], size: Point) -> Crown:
    x, y, angle = place
    along, outward = (cos(angle), sin(angle)), (sin(angle), -cos(angle))
    across = -1.0 if tooth.side is Side.RIGHT else 1.0
    down = 1.0 if tooth.arch is Arch.UPPER else -1.0

    def at(u: float, v: float) -> Point:
        """A place along the arch (to the back) and outward, in the drawing."""
        px = x + u * along[0] + v * outward[0]
        py = y + u * along[1] + v * outward[1] - _APART
        return across * px, down * py

    half = (size[0] / 2 * 1.02, size[1] / 2 * 1.02)
    outline = [at(*point) for point in _outline(tooth, half)]
    furrows = [[at(*point) for point in line] for line in _furrows(tooth, half)]
    xs, ys = [p[0] for p in outline], [p[1] for p in outline]
    middle = at(0, 0)
    box = _hit((min(xs), max(xs)), (min(ys), max(ys)))
    outside = at(0, half[1] + _OUTSIDE)
    lines = "".join(_open_path(line) for line in furrows)
    return Crown(tooth, _closed_path(outline), lines, *middle, outside, box)


def _hit(xs: Point, ys: Point) -> tuple[float, float, float, float]:
    """Left, top, width and height of a box about a crown that is large enough to be hit."""
    wide, high = (max(high - low, _LEAST_HIT) for low, high in (xs, ys))
    return (sum(xs) - wide) / 2, (sum(ys) - high) / 2, wide, high


def _outline(tooth: Tooth, half: Point) -> list[Point]:
    """Points round a crown: a superellipse, its outer or inner part fuller as the class has it."""
    power = 2 / _SQUARENESS[tooth.tooth_class]
    points = []
    for k in range(28):
        t = 2 * pi * k / 28
        c, s = cos(t), sin(t)
        u = half[0] * abs(c) ** power * (1 if c >= 0 else -1)
        v = half[1] * abs(s) ** power * (1 if s >= 0 else -1)
        if tooth.is_anterior:
            u *= 0.86 + 0.14 * s  # narrower towards the tongue
            v *= 0.94 if s > 0 else 1.0
        elif tooth.tooth_class is ToothClass.MOLAR:
            u, v = u * (1 - 0.035 * cos(4 * t)), v * (1 - 0.03 * cos(4 * t))
        else:
            u *= 0.95 + 0.05 * s
        points.append((u, v))
    return points


def _furrows(tooth: Tooth, half: Point) -> list[list[Point]]:
    """Lines within a crown: the edge of a front tooth, the fissures of a back one."""
    w, h = half
    if tooth.tooth_class is ToothClass.INCISOR:
        return [[(-0.62 * w, 0.42 * h), (0, 0.5 * h), (0.62 * w, 0.42 * h)]]
    if tooth.tooth_class is ToothClass.CANINE:
        return [[(-0.55 * w, 0.2 * h), (0, 0.5 * h), (0.55 * w, 0.2 * h)]]
    if tooth.tooth_class is ToothClass.PREMOLAR:
        return [[(-0.5 * w, -0.02 * h), (0, -0.14 * h), (0.5 * w, -0.02 * h)]]
    long = [(-0.58 * w, 0.05 * h), (-0.2 * w, -0.06 * h), (0.2 * w, 0.06 * h), (0.58 * w, 0)]
    return [
        long,
        [(-0.08 * w, 0.55 * h), (-0.12 * w, 0)],
        [(0.16 * w, 0.04 * h), (0.2 * w, -0.55 * h)],
    ]


def _closed_path(points: Sequence[Point]) -> str:
    """A smooth closed curve: quadratic pieces from middle to middle of the sides."""
    parts = []
    for one, following in zip(points, [*points[1:], points[0]], strict=True):
        middle = ((one[0] + following[0]) / 2, (one[1] + following[1]) / 2)
        parts.append(f"Q{_pair(one)} {_pair(middle)}")
    last = points[-1]
    start = ((last[0] + points[0][0]) / 2, (last[1] + points[0][1]) / 2)
    return f"M{_pair(start)}{''.join(parts)}Z"


def _open_path(points: Sequence[Point]) -> str:
    if len(points) == 3:
        return f"M{_pair(points[0])}Q{_pair(points[1])} {_pair(points[2])}"
    return f"M{_pair(points[0])}" + "".join(f"L{_pair(p)}" for p in points[1:])


def _pair(point: Point) -> str:
    return f"{_number(point[0])} {_number(point[1])}"


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".").replace("-0.00", "0")
