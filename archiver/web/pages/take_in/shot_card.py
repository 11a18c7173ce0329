"""The shot card of a visit: its views in the order in which they are taken, and how each is taken.

Sizes of mirrors, ways of retraction and tips are common practice; what the camera is set to, the
practice says itself (``[pages.camera]``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from archiver.dentition import View
from archiver.web.pages.take_in.drafts import Draft, Photo
from archiver.web.pages.take_in.required_views import wanted
from archiver.web.pages.take_in.shot_drawing import ShotDrawing, shot_drawing

_FRONTS = "123"
#: One of each kind: view, teeth, and whether through a mirror.
_EXAMPLES: tuple[tuple[View, tuple[str, ...], bool], ...] = (
    (View.FRONTAL, (), False),
    (View.RIGHT_BUCCAL, (), False),
    (View.UPPER_OCCLUSAL_ARCH, (), True),
    (View.LOWER_OCCLUSAL_ARCH, (), True),
    (View.OCCLUSAL, ("36",), True),
    (View.BUCCAL, ("26",), True),
    (View.PALATAL, ("16",), True),
    (View.LINGUAL, ("46",), True),
    (View.FACE, (), False),
)


@dataclass(frozen=True)
class Shot:
    """One picture to be taken.

    Parameters
    ----------
    view, teeth
        What it shows.
    mirror, retraction, tip
        Keys of words.
    camera
        What the practice sets its camera to; empty where it does not say.
    name, target
        Of the rule, and what of the mouth it is of.
    is_there
        Whether a picture of the visit fits already.
    """

    view: str
    teeth: tuple[str, ...]
    mirror: str
    retraction: str
    tip: str
    camera: str
    drawing: ShotDrawing
    name: str = ""
    target: str = ""
    count: int = 1
    is_there: bool = False
    is_optional: bool = False


def shots(
    draft: Draft,
    photos: Mapping[str, Photo],
    habits: Mapping[str, object],
    camera: Mapping[str, str],
) -> list[Shot]:
    """Return the pictures that the draft's rules want, those that are there already among them."""
    planned, now = wanted(draft, {}), wanted(draft, photos)
    there = {(row["name"], row["target"]) for row in now if row["there"]}
    made = []
    for row in planned:
        offer = row["offer"]
        view, teeth, mirror = View(offer["view"]), tuple(offer["teeth"]), bool(offer["mirror"])
        shot = _shot(view, teeth, habits, camera, mirror=mirror)
        made.append(
            replace(
                shot,
                name=row["name"],
                target=row["target"],
                count=row["count"],
                is_there=(row["name"], row["target"]) in there,
                is_optional=row["optional"],
            )
        )
    return made


def example_shots(habits: Mapping[str, object], camera: Mapping[str, str]) -> list[Shot]:
    """Return one picture of each kind, to explain how it is taken."""
    return [_shot(view, teeth, habits, camera, mirror=mirror) for view, teeth, mirror in _EXAMPLES]


def _shot(
    view: View,
    teeth: tuple[str, ...],
    habits: Mapping[str, object],
    camera: Mapping[str, str],
    *,
    mirror: bool,
) -> Shot:
    kind = _kind(view, teeth)
    return Shot(
        view.value,
        teeth,
        _mirror(view, kind) if mirror else "none",
        kind,
        _tip(view, mirror=mirror),
        camera.get(kind, ""),
        shot_drawing(view, teeth, mirror=mirror, behind=habits.get("operator") == "behind"),
    )


def _kind(view: View, teeth: tuple[str, ...]) -> str:
    if view.is_extraoral:
        return "face"
    if view.shows_arch:
        return "arch"
    if view is View.FRONTAL:
        return "front"
    if view in (View.RIGHT_BUCCAL, View.LEFT_BUCCAL):
        return "side"
    are_fronts = bool(teeth) and all(one[1] in _FRONTS for one in teeth)
    return "front" if are_fronts else "tooth"


def _mirror(view: View, kind: str) -> str:
    if kind == "arch":
        return "arch"
    if view in (View.OCCLUSAL, View.INCISAL):
        return "occlusal"
    return "inner" if view in (View.LINGUAL, View.PALATAL) else "cheek"


def _tip(view: View, *, mirror: bool) -> str:
    if view.is_extraoral:
        return "face"
    if not mirror:
        return "direct"
    return "tongue" if view is View.LINGUAL else "mirror"
