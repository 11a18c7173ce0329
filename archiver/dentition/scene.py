"""What lies where in a corrected picture: a sketch of the teeth, for the drawings.

Places are millimetres in the plane of the corrected picture, x to the right and y down, from the
middle of what is shown. The sizes are those of a plausible mouth and serve the drawing only.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, degrees, hypot

from archiver.dentition.orientation import Direction, Orientation
from archiver.dentition.sights import Sight
from archiver.dentition.teeth import Arch, Side, Tooth, arch_order, in_arch_order
from archiver.dentition.views import View
from archiver.wording import Text

#: Outward from the midline and backward from the incisors, by position.
_PERMANENT = (
    (4.5, 1.0),
    (12.0, 3.5),
    (18.0, 9.0),
    (21.5, 16.0),
    (24.0, 23.5),
    (26.0, 32.5),
    (27.5, 43.0),
    (28.0, 53.0),
)
_DECIDUOUS = ((3.5, 1.0), (10.0, 3.0), (15.5, 8.0), (19.0, 15.0), (21.5, 24.0))
_WIDTHS = (8.5, 7.0, 7.5, 7.0, 7.0, 10.0, 10.0, 9.5)
_DECIDUOUS_WIDTHS = (6.5, 5.5, 6.5, 7.5, 9.0)
_LEVEL = 6.0  # height of the middle of a crown above or below the plane where the arches meet
_NARROWEST = 0.45

Place = tuple[float, float, float]


@dataclass(frozen=True)
class Mark:
    """A tooth or a word in the picture.

    Parameters
    ----------
    label
        What is written there.
    x, y
        Its middle, in millimetres.
    tooth
        The tooth, None for a word.
    is_named
        True for a tooth that the photograph is about.
    width
        Size along the arch as the picture shows it, in millimetres.
    angle
        How the arch runs there, in degrees clockwise from the picture's rows.
    """

    label: str
    x: float
    y: float
    tooth: Tooth | None = None
    is_named: bool = False
    width: float = 0.0
    angle: float = 0.0


@dataclass(frozen=True)
class Scene:
    """All marks of a picture, and how far they reach from the middle, in millimetres."""

    marks: tuple[Mark, ...]
    extent: float
    is_occlusal: bool


def _place(tooth: Tooth) -> Place:
    outward, back = (_DECIDUOUS if tooth.is_deciduous else _PERMANENT)[tooth.position - 1]
    if tooth.supernumerary:
        outward, back = outward + 3.0, back - 3.0
    level = _LEVEL if tooth.arch is Arch.UPPER else -_LEVEL
    return (outward if tooth.side is Side.LEFT else -outward, back, level)


def _spot(tooth: Tooth) -> tuple[Arch, Side, int]:
    """Return what teeth share that stand in one place: a deciduous tooth and its successor."""
    return (tooth.arch, tooth.side, tooth.position)


def _shown_teeth(sight: Sight) -> tuple[Tooth, ...]:
    """Return the teeth to draw: those named, and those that such a picture has around them."""
    if sight.teeth and (sight.view.needs_teeth or sight.view is View.CLOSE_UP):
        around = {n for t in sight.teeth for n in (t.mesial_neighbour, t.distal_neighbour) if n}
    else:
        around = set(_usual_teeth(sight))
    taken = {_spot(t) for t in sight.teeth}
    return in_arch_order((*sight.teeth, *(t for t in around if _spot(t) not in taken)))


def _usual_teeth(sight: Sight) -> tuple[Tooth, ...]:
    view = sight.view
    if view in (View.UPPER_OCCLUSAL_ARCH, View.LOWER_OCCLUSAL_ARCH):
        return arch_order(sight.arch or Arch.UPPER)
    if view in (View.RIGHT_BUCCAL, View.LEFT_BUCCAL):
        side = Side.RIGHT if view is View.RIGHT_BUCCAL else Side.LEFT
        return tuple(t for a in Arch for t in arch_order(a) if t.side is side and t.position < 8)
    if view is View.SMILE:
        return tuple(t for t in arch_order(Arch.UPPER) if t.position < 5)
    if view.is_extraoral:
        return ()
    return tuple(t for a in Arch for t in arch_order(a) if t.is_anterior)


def _middle(places: list[Place]) -> Place:
    xs, ys, zs = zip(*places, strict=True)
    return ((min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2, (min(zs) + max(zs)) / 2)


def _words(sight: Sight, teeth: tuple[Tooth, ...]) -> list[tuple[str, Place]]:
    """Return keys of words that tell gum, cheek, tongue or parts of a face, with their places."""
    if not teeth:
        return _face_words(sight)
    x, y, z = _middle([_place(t) for t in teeth])
    arches = {t.arch for t in teeth}
    inside = "palate" if Arch.UPPER in arches else "tongue"
    if sight.looking in (Direction.HEAD, Direction.FOOT):
        if len({t.side for t in teeth}) == 1 and not all(t.is_anterior for t in teeth):
            out = 1 if teeth[0].side is Side.LEFT else -1
            return [("cheek", (x + 16 * out, y, z)), (inside, (x - 16 * out, y, z))]
        front = min(_place(t)[1] for t in teeth)
        return [("lip", (x, front - 9, z)), (inside, (x, max(y, front + 15), z))]
    if len(arches) == 1:
        above = 1 if Arch.UPPER in arches else -1
        return [("gum", (x, y, z + 13 * above))]
    return []


def _face_words(sight: Sight) -> list[tuple[str, Place]]:
    if sight.looking is Direction.POSTERIOR:
        return [
            ("right_eye", (-24, 0, 40)),
            ("left_eye", (24, 0, 40)),
            ("nose", (0, -20, 14)),
            ("mouth", (0, -12, -14)),
            ("chin", (0, -10, -42)),
        ]
    return [
        ("nose", (0, -40, 12)),
        ("ear", (0, 40, 16)),
        ("eye", (0, -22, 34)),
        ("chin", (0, -30, -36)),
    ]


def _dot(place: Place, direction: Direction) -> float:
    return sum(a * b for a, b in zip(place, direction.vector, strict=True))


def _run(tooth: Tooth, display: Orientation) -> tuple[float, float]:
    """Return how the arch runs at a tooth in the picture: a step along it, as a share of 1."""
    here, mesial = _place(tooth), _place(tooth.mesial_neighbour)
    along = (here[0] - mesial[0], here[1] - mesial[1], 0.0)
    length = hypot(along[0], along[1])
    return (_dot(along, display.rows) / length, _dot(along, display.columns) / length)


def _tooth_mark(tooth: Tooth, at: tuple[float, float], *, is_named: bool, sight: Sight) -> Mark:
    x, y = _run(tooth, sight.display)
    width = (_DECIDUOUS_WIDTHS if tooth.is_deciduous else _WIDTHS)[tooth.position - 1]
    if sight.looking not in (Direction.HEAD, Direction.FOOT):
        # Where the arch turns away from the eye the crown looks narrower.
        width *= max(abs(x), _NARROWEST)
    angle = degrees(atan2(y, x) if x > 0 or (x == 0 and y > 0) else atan2(-y, -x))
    return Mark(tooth.iso, *at, tooth, is_named, width, angle)


def scene_of(sight: Sight) -> Scene:
    """Lay out what a corrected picture of this view shows."""
    teeth = _shown_teeth(sight)
    words = _words(sight, teeth)
    places = [_place(t) for t in teeth] + [p for _, p in words]
    middle = _middle(places)
    display = sight.display

    def flat(place: Place) -> tuple[float, float]:
        x, y, z = (a - b for a, b in zip(place, middle, strict=True))
        return (_dot((x, y, z), display.rows), _dot((x, y, z), display.columns))

    marks = [_tooth_mark(t, flat(_place(t)), is_named=t in sight.teeth, sight=sight) for t in teeth]
    marks += [Mark(str(Text(f"dentition.scene.{word}")), *flat(place)) for word, place in words]
    extent = max(abs(v) for m in marks for v in (m.x, m.y))
    return Scene(tuple(marks), extent, sight.looking in (Direction.HEAD, Direction.FOOT))
