"""A line drawing of how a view is taken: teeth, mirror, camera and the way of the light.

The mouth is drawn from above, the patient facing down the page, so that their right is on the left,
as for whoever stands before them. A mirror at the cheek or the tongue stands so that it sends the
light from what is seen to the camera: its normal halves the angle between the two.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import cos, hypot, radians, sin
from typing import Final

from archiver.dentition import Tooth, View, parse_teeth

Point = tuple[float, float]

#: Of the square drawing, in its own units: side; middle and half axes of the arch.
SIDE: Final = 240
_MIDDLE: Final = (120.0, 58.0)
_ACROSS, _DOWN = 62.0, 92.0
#: Degrees of the arch that a tooth takes, counted from between the front teeth; how far its crown
#: reaches from its middle, in teeth.
_STEP, _CROWN = 12.25, 0.4
#: Middles of the teeth of an arch, in teeth from between the front ones.
_ALL: Final = tuple(place + 0.5 for place in range(-8, 8))
_CAMERA_FRONT, _CAMERA_BEHIND = (120.0, 220.0), (120.0, 16.0)
#: How far a mirror stands from the teeth, and half its length; how far a camera from a side.
_APART, _HALF, _FAR = 38.0, 26.0, 74.0
_EDGE = 20.0
#: Sum of two directions below which they are opposite.
_ASTRIDE = 0.1
_OUTER = frozenset(
    {View.BUCCAL, View.LABIAL, View.FRONTAL, View.RIGHT_BUCCAL, View.LEFT_BUCCAL, View.CLOSE_UP}
)
_INNER = frozenset({View.LINGUAL, View.PALATAL})


@dataclass(frozen=True)
class ToothDrawn:
    """One tooth of the arch: where it stands, and whether the view shows it."""

    x: float
    y: float
    is_seen: bool


@dataclass(frozen=True)
class ShotDrawing:
    """What a template draws.

    Parameters
    ----------
    is_face
        Whether a face is drawn, and nothing else.
    teeth
        Of one arch.
    surface
        Path along the side of the teeth that is seen; empty where it is seen from above or below.
    mirror, handle
        Paths; empty without a mirror.
    plate
        Of a mirror that shows teeth from above or below: middle and half axes.
    light
        Path from what is seen to the camera.
    camera
        Where it stands.
    """

    is_face: bool
    teeth: tuple[ToothDrawn, ...] = ()
    surface: str = ""
    mirror: str = ""
    handle: str = ""
    plate: tuple[float, float, float, float] | None = None
    light: str = ""
    camera: Point = _CAMERA_FRONT


def shot_drawing(
    view: View, teeth: Iterable[str], *, mirror: bool, behind: bool = False
) -> ShotDrawing:
    """Draw how a view is taken.

    Parameters
    ----------
    teeth
        By ISO 3950; those that the view itself names where there are none.
    behind
        Whether the camera stands behind the patient's head, where a mirror is used.
    """
    if view.is_extraoral:
        return ShotDrawing(is_face=True)
    seen = _places(view, parse_teeth("iso:" + ",".join(teeth)) if teeth else ())
    drawn = tuple(ToothDrawn(*_at(place), place in seen) for place in _ALL)
    middle = _mean([_at(place) for place in seen])
    out = _unit((middle[0] - _MIDDLE[0], middle[1] - _MIDDLE[1] - 10))
    camera = _CAMERA_BEHIND if behind and mirror else _CAMERA_FRONT
    side = 1 if view in _OUTER else -1 if view in _INNER else 0
    ends = [place + by for place in seen for by in (-_CROWN, _CROWN)]
    surface = _path([_along(one, 11.0 * side) for one in ends]) if side else ""
    if not mirror:
        if side > 0:
            camera = _within(_moved(middle, out, _FAR))
        return ShotDrawing(False, drawn, surface, light=_path([middle, camera]), camera=camera)
    if not side:
        return _over(drawn, [_at(place) for place in seen], camera)
    place = _moved(middle, out, _APART * side)
    back = _unit((camera[0] - place[0], camera[1] - place[1]))
    there = _unit((middle[0] - place[0], middle[1] - place[1]))
    both = (back[0] + there[0], back[1] + there[1])
    # Front teeth from inside: seen from above, the light comes back the way that it went.
    normal = _unit(both) if hypot(*both) > _ASTRIDE else there
    along = (-normal[1], normal[0])
    if along[1] * (camera[1] - place[1]) < 0:
        along = (-along[0], -along[1])
    near, far = _moved(place, along, _HALF), _moved(place, along, -_HALF)
    return ShotDrawing(
        is_face=False,
        teeth=drawn,
        surface=surface,
        mirror=_path([far, near]),
        handle=_path([near, _within(_moved(near, along, _HALF))]),
        light=_path([middle, place, camera]),
        camera=camera,
    )


def _over(drawn: tuple[ToothDrawn, ...], seen: list[Point], camera: Point) -> ShotDrawing:
    """Draw a mirror that shows teeth from above or below."""
    xs, ys = [x for x, _ in seen], [y for _, y in seen]
    middle = ((min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2)
    half = ((max(xs) - min(xs)) / 2 + 20, (max(ys) - min(ys)) / 2 + 20)
    way = 1 if camera[1] > middle[1] else -1
    rim = (middle[0], middle[1] + way * half[1])
    return ShotDrawing(
        is_face=False,
        teeth=drawn,
        plate=(*middle, *half),
        handle=_path([rim, (rim[0], rim[1] + way * 22)]),
        light=_path([middle, camera]),
        camera=camera,
    )


def _places(view: View, teeth: Iterable[Tooth]) -> list[float]:
    """Return places in the arch, in teeth from the middle: negative on the patient's right."""
    found = sorted({(-1 if one.iso[0] in "1458" else 1) * (int(one.iso[1]) - 0.5) for one in teeth})
    if found:
        return found
    if view.shows_arch:
        return [one for one in _ALL if abs(one) < 7]
    if view is View.RIGHT_BUCCAL:
        return [one for one in _ALL if -7 < one < -1]
    if view is View.LEFT_BUCCAL:
        return [one for one in _ALL if 1 < one < 7]
    return [one for one in _ALL if abs(one) < 3]


def _at(place: float) -> Point:
    angle = radians(place * _STEP)
    return _MIDDLE[0] + _ACROSS * sin(angle), _MIDDLE[1] + _DOWN * cos(angle)


def _along(place: float, by: float) -> Point:
    """Return a point at the side of a place: outwards, or inwards where `by` is negative."""
    angle = radians(place * _STEP)
    return _moved(_at(place), _unit((sin(angle) / _ACROSS, cos(angle) / _DOWN)), by)


def _mean(points: list[Point]) -> Point:
    return sum(x for x, _ in points) / len(points), sum(y for _, y in points) / len(points)


def _unit(vector: Point) -> Point:
    length = hypot(*vector) or 1.0
    return vector[0] / length, vector[1] / length


def _moved(point: Point, way: Point, by: float) -> Point:
    return point[0] + way[0] * by, point[1] + way[1] * by


def _within(point: Point) -> Point:
    x, y = (min(max(value, _EDGE), SIDE - _EDGE) for value in point)
    return x, y


def _path(points: list[Point]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
