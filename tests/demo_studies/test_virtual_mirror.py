"""The virtual camera and mirror: what a mirror shot shows, and that its correction is right."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from archiver.dentition.correction import Operator, plan
from archiver.dentition.numbering import parse_tooth
from archiver.dentition.orientation import Turn
from archiver.dentition.views import View
from demo_studies.render.arches import LOWER_ADULT, LOWER_CHILD, UPPER_ADULT, UPPER_CHILD, Stand
from demo_studies.render.camera import Shot, reflect, set_up
from demo_studies.render.marks import CARIES, Mark, amalgam, chip
from demo_studies.render.picture import label_map, render, render_twin, tooth_centres
from demo_studies.render.scene import Mouth, Scene
from demo_studies.render.truth import as_shown, correction, display_orientation, letter, turn_pixels

PERMANENT = [q * 10 + k for q in (1, 2, 3, 4) for k in range(1, 9)]
DECIDUOUS = [q * 10 + k for q in (5, 6, 7, 8) for k in range(1, 6)]
DARK = Mark((0.0, 0.0, 0.5), (3.0, 3.0, 3.0), CARIES)
ADULT = Mouth(
    tuple(t for t in PERMANENT if t < 30),
    tuple(t for t in PERMANENT if t > 30),
    (UPPER_ADULT, LOWER_ADULT),
    stands={12: Stand(turned=30.0), 31: Stand(turned=35.0), 44: Stand(turned=25.0)},
    marks={
        16: amalgam((-0.5, 0.0), (0.6, 0.1)),
        21: (chip(0.8),),
        **{
            dark: (Mark((0.0, 0.0, 0.5), (3.0, 3.0, 3.0), CARIES),) for dark in (11, 14, 33, 41, 35)
        },
    },
)
CHILD = Mouth(
    tuple(t for t in DECIDUOUS if t < 70),
    tuple(t for t in DECIDUOUS if t > 70),
    (UPPER_CHILD, LOWER_CHILD),
)
MIRROR_SHOTS = [
    Shot((16,), "occlusal", True),
    Shot((25,), "buccal", True),
    Shot((16, 17), "palatal", True),
    Shot((46,), "lingual", True),
    Shot((36,), "occlusal", True, "behind"),
    Shot((11, 12, 21, 22), "palatal", True),
    Shot((31, 41), "lingual", True),
    Shot((), "upper occlusal arch", True, "behind"),
    Shot((), "lower occlusal arch", True),
    Shot((), "right buccal", True),
]


@lru_cache(maxsize=1)
def adult() -> Scene:
    return Scene(ADULT, 0.12)


def named(shot: Shot) -> str:
    return f"{shot.teeth} {shot.view} {shot.operator}"


def correlation(one: np.ndarray, other: np.ndarray) -> float:
    return float(np.corrcoef(one.reshape(-1).astype(float), other.reshape(-1).astype(float))[0, 1])


@pytest.mark.parametrize("shot", MIRROR_SHOTS, ids=named)
def test_a_mirror_shot_turned_by_its_correction_is_the_direct_picture(shot: Shot) -> None:
    mirrored = render(adult(), shot, 150, 100, plain=True)
    direct_shot = replace(shot, mirror=False, operator="front")
    direct = render(adult(), direct_shot, 150, 100, plain=True)

    put_right = turn_pixels(mirrored, correction(adult(), shot))
    shown_right = turn_pixels(direct, correction(adult(), direct_shot))

    assert correlation(put_right, shown_right) > 0.98
    for turn in range(2, 9):
        turned = turn_pixels(put_right, turn)
        if turned.shape == shown_right.shape:
            assert correlation(turned, shown_right) < 0.98, turn


@pytest.mark.parametrize("shot", MIRROR_SHOTS, ids=named)
def test_a_mirror_shot_is_its_twin_flipped_pixel_for_pixel(shot: Shot) -> None:
    hasty = replace(shot, sway=(3.0, 1.0, -1.5), drift=(1.0, -0.5))
    mirrored = render(adult(), hasty, 150, 100, plain=True).astype(int)
    twin = render_twin(adult(), hasty, 150, 100).astype(int)

    difference = np.abs(mirrored - twin[:, ::-1])

    # single precision of the ray caster moves a silhouette by a sample here and there
    assert np.mean(difference > 2) < 0.01


@pytest.mark.parametrize("shot", MIRROR_SHOTS, ids=named)
def test_labels_and_centres_tell_where_a_tooth_is(shot: Shot) -> None:
    labels = label_map(adult(), shot, 150, 100)
    wanted = shot.teeth or tuple(
        int(t) for t in np.unique(labels) if t % 10 in (4, 5) and np.sum(labels == t) > 150
    )
    centres = tooth_centres(adult(), shot, 1.5, wanted)

    for iso in wanted:
        x, y = centres[iso]
        assert 0.0 < x < 1.0 and 0.0 < y < 1.0
        assert labels[int(y * 100), int(x * 150)] == iso


def test_left_and_right_are_on_their_sides() -> None:
    frontal = label_map(adult(), Shot((), "frontal"), 150, 100)
    columns = {iso: np.argwhere(frontal == iso)[:, 1].mean() for iso in (11, 21, 13, 23)}
    # the viewer faces the patient: common practice
    assert columns[13] < columns[11] < 75 < columns[21] < columns[23]


ALL_SHOTS = [
    Shot((iso,), view, mirror, operator)
    for iso in PERMANENT + DECIDUOUS
    for view in ("occlusal", "buccal" if iso % 10 > 3 else "labial", "lingual")
    for mirror in (True, False)
    for operator in ("front", "behind")
]
WHOLE_SHOTS = [
    Shot((), view, mirror, operator)
    for view in (
        "frontal",
        "right buccal",
        "left buccal",
        "upper occlusal arch",
        "lower occlusal arch",
    )
    for mirror in (True, False)
    for operator in ("front", "behind")
]


def _possible(shot: Shot) -> bool:
    front = shot.view == "frontal" or shot.view == "labial"
    return not (front and shot.mirror)


@pytest.mark.parametrize("exif", range(1, 9))
def test_every_tooth_view_and_exif_value_is_corrected_as_the_vectors_say(exif: int) -> None:
    scenes = {False: Scene(ADULT, 0.1), True: Scene(CHILD, 0.1)}
    compared = 0
    for shot in filter(_possible, itertools.chain(ALL_SHOTS, WHOLE_SHOTS)):
        scene = scenes[bool(shot.teeth) and shot.teeth[0] > 50]
        planned = plan(
            View(shot.view),
            tuple(parse_tooth(f"iso:{t}") for t in shot.teeth),
            mirror=shot.mirror,
            operator=Operator(shot.operator),
            exif=Turn(exif),
        )
        assert correction(scene, shot, exif) == planned.correction, shot
        rows, columns = as_shown(scene, shot)
        assert str(planned.shown) == f"{letter(rows)}\\{letter(columns)}", shot
        compared += 1
    assert compared == 52 * 3 * 4 - 24 * 2 + 5 * 4 - 2


@pytest.mark.parametrize("shot", [s for s in ALL_SHOTS if _possible(s)][::7], ids=named)
def test_the_right_way_round_passes_the_truth_test(shot: Shot) -> None:
    scene = Scene(CHILD if shot.teeth[0] > 50 else ADULT, 0.1)
    rows, columns = display_orientation(shot)
    seen = set_up(scene, shot).seen
    # rows x columns is the looking direction of a picture that is no reflection
    assert letter(np.cross(rows, columns)) == letter(seen.forward)
    handed = np.cross(seen.right, -seen.top) @ seen.forward
    assert handed == pytest.approx(-1.0 if shot.mirror else 1.0)


def test_the_mirror_reflects_the_camera_into_the_virtual_one() -> None:
    for shot in MIRROR_SHOTS:
        setup = set_up(adult(), shot)
        assert setup.mirror_normal is not None and setup.mirror_point is not None
        assert np.allclose(reflect(setup.real.forward, setup.mirror_normal), setup.seen.forward)
        middle = (setup.real.eye + setup.seen.eye) / 2 - setup.mirror_point
        assert abs(float(middle @ setup.mirror_normal)) < 1e-9


def test_a_mirror_for_the_front_view_is_refused() -> None:
    with pytest.raises(ValueError, match="no use"):
        set_up(adult(), Shot((), "frontal", True))
