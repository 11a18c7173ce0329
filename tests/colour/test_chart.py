"""The 24-patch chart: found, read, turned into a profile, or refused with a reason."""

from __future__ import annotations

import colour
import cv2
import numpy as np
import pytest
from simulated_camera import (
    PLAIN,
    Array,
    Pixels,
    chart_reflectances,
    chart_scene,
    developed,
    encoded,
    grey_scene,
    lab_of,
    linear_of,
    pixels_of,
    tooth_levels,
    tooth_reflectances,
)

from archiver.colour.characterisation import (
    characterise,
    characterise_picture,
)
from archiver.colour.chart_detection import find_chart
from archiver.colour.colours import White, difference, lab, space_of
from archiver.colour.grey_card import GREY_CARD, grey_profile
from archiver.colour.reference_chart import reference_charts
from archiver.errors import PhotoError
from archiver.photo import icc

CAMERA = PLAIN[0]
SRGB = icc.input_profile(icc.SRGB)
CARD = (90, 70, 140, 100)


def chart(turn: float = 0.0, *, mirrored: bool = False, light: Array | None = None) -> Pixels:
    scene = chart_scene(CAMERA, turn, mirrored=mirrored, light=light)
    return pixels_of(developed(CAMERA, scene))


def slope(red: float, green: float, blue: float) -> Array:
    """Light that changes from left to right by these shares."""
    along = np.linspace(-0.5, 0.5, 720)[None, :, None]
    return np.broadcast_to(1 + along * np.array([red, green, blue]), (540, 720, 3))


def test_the_reference_values_are_those_of_colour_science() -> None:
    for one in reference_charts():
        name = f"ColorChecker24 - {one.edition.capitalize()} November 2014"
        theirs = colour.CCS_COLOURCHECKERS[name]
        xyz = colour.xyY_to_XYZ(np.array(list(theirs.data.values())))
        assert np.abs(one.xyz - xyz).max() < 5e-6
        white = colour.xy_to_XYZ(theirs.illuminant)
        assert np.abs(white - np.array(icc.D50)).max() < 5e-4


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turn", [0, 33, 90, 170, 255])
def test_a_chart_is_found_however_it_lies(turn: float, mirrored: bool) -> None:
    found = find_chart(chart(turn, mirrored=mirrored))
    assert found is not None and found.mirrored is mirrored
    levels = encoded(CAMERA, linear_of(CAMERA, chart_reflectances()))
    assert found.free.sum() >= 23
    assert np.nanmax(np.abs(found.levels - levels)) < 6


@pytest.mark.parametrize("turn", [20, 200])
def test_a_chart_that_is_partly_covered_gives_the_same_colours(turn: float) -> None:
    picture = chart(turn).copy()
    cv2.circle(picture, (360 + 120, 270 - 70), 55, (214, 170, 150), -1)
    found = find_chart(picture)
    assert found is not None and 14 <= found.free.sum() < 24
    apart = difference(
        characterise(found).lab(tooth_levels(CAMERA)),
        characterise_picture(chart(turn)).lab(tooth_levels(CAMERA)),
    )
    assert float(np.max(apart)) < 1.0


def test_squares_in_other_colours_are_no_chart() -> None:
    picture = chart(10)
    for wrong in (picture[..., ::-1], 255 - picture, np.full_like(picture, 120)):
        assert find_chart(np.ascontiguousarray(wrong)) is None
    with pytest.raises(PhotoError) as told:
        characterise_picture(np.full_like(picture, 120))
    assert told.value.problems[0].code == "colour.chart.missing"


@pytest.mark.parametrize(
    "light, why",
    [
        (slope(0, 0, 0) * 1.6, "clipped"),
        (slope(0, 0, 0) * 0.1, "too_dark"),
        (slope(0.9, 0.9, 0.9), "uneven"),
        (slope(0.5, 0.0, -0.5), "mixed"),
    ],
)
def test_a_frame_in_bad_light_is_refused(light: Array, why: str) -> None:
    with pytest.raises(PhotoError) as told:
        characterise_picture(chart(15, light=light))
    problem = told.value.problems[0]
    assert problem.code == f"colour.chart.{why}"
    assert problem.clause("hint")


def test_a_chart_without_its_greys_is_refused() -> None:
    found = find_chart(chart())
    assert found is not None
    found.levels[20:] = np.nan
    with pytest.raises(PhotoError) as told:
        characterise(found)
    assert told.value.problems[0].code == "colour.chart.covered"


def test_a_picture_with_an_effect_is_refused() -> None:
    found = find_chart(chart())
    assert found is not None
    found.levels[:18] = 255 * (found.levels[:18] / 255) ** np.array([0.6, 1.4, 0.9])
    with pytest.raises(PhotoError) as told:
        characterise(found)
    assert told.value.problems[0].code in ("colour.chart.unlike", "colour.chart.unexplained")


def test_tooth_colours_come_right_and_the_residual_does_not_flatter() -> None:
    made = characterise_picture(chart(20, mirrored=True))
    levels, truth = tooth_levels(CAMERA), lab_of(tooth_reflectances())
    apart = float(np.median(difference(made.lab(levels), truth)))
    plain = lab(np.round(levels).astype(np.uint8), space_of(SRGB), White.D50)
    assert apart <= 1.0
    assert float(np.median(difference(plain, truth))) > 4
    assert apart <= made.residual.median <= made.residual.upper
    assert made.residual.patches >= 16


def grey(gain: Array | float = 1.0) -> Pixels:
    return pixels_of(developed(CAMERA, grey_scene(CAMERA) * gain))


def test_a_grey_card_is_neutral_and_as_light_as_it_is_under_its_profile() -> None:
    cast = grey(np.array([1.2, 1.0, 0.8]))
    profile = grey_profile(cast, CARD, SRGB, "from a grey card", GREY_CARD)
    space = icc.read_profile(profile)
    assert space.is_matrix and space.device_class == b"scnr"
    left, top, wide, high = CARD
    level = cast[top : top + high, left : left + wide].mean(axis=(0, 1))
    at, columns = np.arange(256.0), np.array(space.columns).T
    curves = icc.curves_of(profile)
    assert curves is not None
    xyz = columns @ [np.interp(v, at, c) for v, c in zip(level, curves, strict=True)]
    assert np.abs(xyz / GREY_CARD - np.array(icc.D50)).max() < 0.01


@pytest.mark.parametrize(
    "picture, region, why",
    [
        (grey(8.0), CARD, "clipped"),
        (grey(0.02), CARD, "too_dark"),
        (grey(np.linspace(0.6, 1.4, 320)[None, :, None]), CARD, "uneven"),
        (grey(slope(0.5, 0, -0.5)[:240, :320]), (90, 70, 140, 100), "mixed"),
        (grey(), (300, 70, 40, 40), "outside"),
        (grey(), (90, 70, 10, 10), "small"),
    ],
)
def test_a_grey_card_in_bad_light_is_refused(
    picture: Pixels, region: tuple[int, int, int, int], why: str
) -> None:
    with pytest.raises(PhotoError) as told:
        grey_profile(picture, region, SRGB, "from a grey card", GREY_CARD)
    assert told.value.problems[0].code == f"colour.card.{why}"


def test_a_picture_whose_profile_is_a_table_has_no_curves_to_keep() -> None:
    table = icc.assembled([(b"A2B0", b"mft2" + bytes(44))])
    with pytest.raises(PhotoError) as told:
        grey_profile(grey(), CARD, table, "from a grey card", GREY_CARD)
    assert told.value.problems[0].code == "colour.card.table"
