"""The shot card: how each wanted view is taken, drawn so that the light finds its way."""

from __future__ import annotations

import re
from math import atan2, degrees

import pytest

from archiver.dentition import View
from archiver.errors import UsageError
from archiver.web.pages.take_in.drafts import Draft, Photo
from archiver.web.pages.take_in.required_views import rule_sets
from archiver.web.pages.take_in.shot_card import shots
from archiver.web.pages.take_in.shot_drawing import SIDE, shot_drawing
from archiver.web.settings import pages_settings_of


def points(path: str) -> list[tuple[float, float]]:
    numbers = [float(one) for one in re.findall(r"-?[\d.]+", path)]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


@pytest.mark.parametrize("behind", [False, True])
@pytest.mark.parametrize(
    ("view", "teeth"),
    [
        (View.LINGUAL, ["46"]),
        (View.LINGUAL, ["34", "35", "36"]),
        (View.BUCCAL, ["16"]),
        (View.BUCCAL, ["26", "27"]),
        (View.RIGHT_BUCCAL, []),
    ],
)
def test_a_mirror_sends_the_light_from_the_teeth_to_the_camera(
    view: View, teeth: list[str], behind: bool
) -> None:
    drawn = shot_drawing(view, teeth, mirror=True, behind=behind)
    tooth, place, camera = points(drawn.light)
    (x1, y1), (x2, y2) = points(drawn.mirror)
    along = degrees(atan2(y2 - y1, x2 - x1))
    arriving = degrees(atan2(place[1] - tooth[1], place[0] - tooth[0])) - along
    leaving = degrees(atan2(camera[1] - place[1], camera[0] - place[0])) - along
    assert (arriving + leaving + 180) % 360 - 180 == pytest.approx(0, abs=2)


@pytest.mark.parametrize("view", View)
@pytest.mark.parametrize("mirror", [False, True])
def test_what_the_view_is_of_is_seen_and_all_of_it_is_on_the_paper(
    view: View, mirror: bool
) -> None:
    teeth = ["46", "47"] if view.needs_teeth else []
    drawn = shot_drawing(view, teeth, mirror=mirror)
    assert drawn.is_face is view.is_extraoral
    seen = [one for one in drawn.teeth if one.is_seen]
    assert drawn.is_face or seen
    if view.needs_teeth or view is View.RIGHT_BUCCAL:
        assert all(one.x < SIDE / 2 for one in seen)  # their right is on the left
    for path in (drawn.surface, drawn.mirror, drawn.handle, drawn.light):
        assert all(0 <= value <= SIDE for point in points(path) for value in point), path


@pytest.mark.parametrize("rules", sorted(rule_sets()))
def test_every_set_of_rules_has_its_card_in_its_order(rules: str) -> None:
    draft = Draft("1", "liv", "", "", rules=rules, teeth=("16",), stage="start")
    card = shots(draft, {}, {}, {"tooth": "1:1, f/22"})
    demanded = [row.name for row in rule_sets()[rules].requirements]
    names = list(dict.fromkeys(one.name for one in card))
    assert names and names == [one for one in demanded if one in names]
    assert all((one.mirror == "none") is not bool(one.drawing.handle) for one in card)


def test_what_is_there_already_is_marked_and_the_camera_is_set_as_the_practice_says() -> None:
    photo = Photo("d", "a.jpg", ".jpg", "JPEG", 1, 1200, 800, 1, "2026-03-04T10:00:00", (16, 8))
    said = {"d": {"view": "occlusal", "teeth": ["16"], "mirror": True}}
    draft = Draft("1", "liv", "", "", rules="posterior-tooth-visit", teeth=("16",), said=said)
    camera = pages_settings_of({"camera": {"tooth": "1:1, f/22"}}).camera
    card = shots(draft, {"d": photo}, {"operator": "behind"}, camera)
    assert [(one.name, one.is_there) for one in card] == [
        ("occlusal", True),
        ("buccal", False),
        ("lingual", False),
    ]
    assert {one.camera for one in card} == {"1:1, f/22"}
    assert card[2].drawing.camera[1] < SIDE / 2  # behind the head
    with pytest.raises(UsageError, match="kitchen"):
        pages_settings_of({"camera": {"kitchen": "1:1"}})
