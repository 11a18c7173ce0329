"""Quality of teeth on real photographs, as they are and spoilt."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest

from archiver.errors import UsageError
from archiver.vision.quality_limits import QualityLimits, judge
from archiver.vision.tooth_quality import UNITS, QualityFigures, quality_figures
from tests.benchmarks.bench_quality import FAULTS, blurred, fogged, told_of
from tests.benchmarks.real_photographs import TEN, pictures

Pixels = np.ndarray


@pytest.fixture(scope="module")
def frontal() -> Pixels:
    return pixels_of("patient_1.frontal")


def pixels_of(name: str) -> Pixels:
    (one,) = (each for each in pictures(TEN) if each.name == name)
    return np.ascontiguousarray(cv2.resize(one.pixels, (1000, 750), interpolation=cv2.INTER_AREA))


@pytest.fixture(scope="module")
def figures(frontal: Pixels) -> QualityFigures:
    found = quality_figures(frontal)
    assert found is not None
    return found


@pytest.mark.parametrize("name", ["patient_1.frontal", "patient_1.left_buccal"])
def test_pictures_as_they_are_give_no_cause(name: str) -> None:
    assert told_of(pixels_of(name)) == set()


# A cast that makes a picture of warm light neutral is none to see.
@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault != "blue x 1.3"])
def test_what_was_spoilt_is_told(frontal: Pixels, fault: str) -> None:
    spoil, expected = FAULTS[fault]

    assert expected & (told_of(spoil(frontal)) or set())


def test_blur_is_a_share_of_the_picture_whatever_its_pixels(frontal: Pixels) -> None:
    soft = blurred(frontal, 2)
    small = cv2.resize(soft, (600, 450), interpolation=cv2.INTER_AREA)
    large = cv2.resize(soft, (2400, 1800), interpolation=cv2.INTER_CUBIC)
    found = [quality_figures(one) for one in (soft, small, large)]

    shares = [one.blur_share for one in found if one is not None]
    assert shares == pytest.approx([shares[0]] * 3, rel=0.12)


def test_a_part_of_a_soft_picture_is_soft_and_one_of_a_sharp_picture_is_judged_by_its_own_scale(
    frontal: Pixels,
) -> None:
    middle = np.s_[150:600, 200:800]

    assert "soft" in (told_of(blurred(frontal, 1.5)[middle]) or set())
    whole, part = quality_figures(blurred(frontal, 2)), quality_figures(blurred(frontal, 2)[middle])
    assert whole is not None and part is not None
    assert part.blur_share == pytest.approx(whole.blur_share / 0.6, rel=0.2)


def test_every_turn_of_a_picture_has_its_figures(frontal: Pixels, figures: QualityFigures) -> None:
    turned = quality_figures(np.ascontiguousarray(np.rot90(frontal)))

    assert turned is not None
    assert turned.blur_share == pytest.approx(figures.blur_share, rel=0.1)
    assert turned.lightness == pytest.approx(figures.lightness, abs=2)


def test_fog_is_told_by_how_much(frontal: Pixels, figures: QualityFigures) -> None:
    found = quality_figures(fogged(frontal, 0.25))

    assert found is not None and found.fog is not None and figures.fog is not None
    assert found.fog - figures.fog == pytest.approx(0.25, abs=0.08)


def test_teeth_have_figures_one_by_one(frontal: Pixels) -> None:
    half = frontal.copy()
    half[:, :500] = blurred(half, 3)[:, :500]
    found = quality_figures(half)

    assert found is not None and len(found.crowns) >= 8
    left = [one.blur_share for one in found.crowns if one.across < 0.42 and one.blur_share]
    right = [one.blur_share for one in found.crowns if one.across > 0.58 and one.blur_share]
    assert np.median(left) > 1.4 * np.median(right)


@pytest.mark.parametrize(
    "picture",
    [np.full((400, 600, 3), 120, np.uint8), np.zeros((300, 399, 3), np.uint8)],
    ids=["no teeth", "too small"],
)
def test_a_picture_without_teeth_is_not_judged(picture: Pixels) -> None:
    assert quality_figures(picture) is None


def test_grey_pictures_have_neither_cast_nor_fog(frontal: Pixels) -> None:
    found = quality_figures(np.ascontiguousarray(frontal[..., 1]))

    assert found is not None
    assert (found.cast_a, found.cast_b, found.fog, found.fog_beside) == (None,) * 4


def test_every_figure_has_a_unit() -> None:
    assert set(UNITS) == {field.name for field in dataclasses.fields(QualityFigures)}


def test_limits_are_configurable(figures: QualityFigures) -> None:
    strict = QualityLimits.changed({"blur_share": 0.1, "lightness": (99.0, 100.0)})

    codes = [problem.code.rpartition(".")[2] for problem in judge(figures.numbers, strict)]
    assert codes == ["soft", "dark"]
    with pytest.raises(UsageError, match="lightness"):
        QualityLimits.changed({"lightness": 3.0})
    with pytest.raises(UsageError, match="sharp"):
        QualityLimits.changed({"sharp": 3.0})


@pytest.mark.parametrize(
    ("a", "b", "told"),
    [
        (2.0, -1.0, ""),
        (8.3, 0.0, ""),
        (9.8, -1.0, "bluish"),
        (18.2, 6.1, ""),
        (18.2, 3.0, "bluish"),
        (28.0, 6.0, "reddish"),
    ],
)
def test_enamel_that_gums_light_is_redder_and_yellower(a: float, b: float, told: str) -> None:
    found = judge({"cast_a": a, "cast_b": b}, QualityLimits())
    assert [str(one.values["colour"]) for one in found] == ([told] if told else [])


def test_an_arch_is_told_of_a_shadow_over_one_side_not_of_light_that_falls_off_to_the_back() -> (
    None
):
    figures = {"unevenness": 0.4, "unevenness_across": 0.3}

    assert [one.code for one in judge(figures, QualityLimits(), of_arch=True)] == [
        "vision.quality.unevenness"
    ]
    assert not judge(figures | {"unevenness_across": 0.1}, QualityLimits(), of_arch=True)
    spoil, expected = FAULTS["two stops of shadow over half"]
    arch = pixels_of("patient_1.upper_occlusal")
    assert told_of(spoil(arch), "upper_occlusal") == expected
    assert told_of(arch, "upper_occlusal") == set()


def test_each_warning_says_why_and_what_helps(figures: QualityFigures) -> None:
    numbers = figures.numbers | {
        "blur_share": 3.0, "fog": 0.3, "lightness": 30.0, "highlights": 0.5, "unevenness": 0.6,
        "glare": 0.2, "cast_a": 30.0, "cast_b": -9.0,
    }  # fmt: skip
    lines = [str(problem) for problem in judge(numbers, QualityLimits())]

    assert len(lines) == 8
    assert all("(" in line for line in lines), lines
    assert any("fog on the mirror" in line and "air, then again" in line for line in lines)
