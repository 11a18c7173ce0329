"""The tooth map on real photographs and demo pictures: teeth, and what only looks like them."""

from __future__ import annotations

import time
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

import demo_studies
from archiver.vision import region
from archiver.vision.tooth_map import Part, tooth_map
from tests.benchmarks.real_photographs import TEN, Picture, filled, pictures, unmarked

STUDIES = Path(demo_studies.__file__).parent
Pixels = NDArray[np.uint8]


def small(one: Picture) -> Pixels:
    return np.asarray(cv2.resize(one.pixels, (750, 562), interpolation=cv2.INTER_AREA), np.uint8)


def overlap(one: Picture, pixels: Pixels) -> float:
    teeth = one.teeth
    assert teeth is not None
    drawn = cv2.resize(teeth.astype(np.uint8), pixels.shape[1::-1]) > 0
    mine = tooth_map(pixels).teeth
    counted = drawn | ~unmarked(one, drawn.shape)
    return float((mine & drawn).sum() / ((mine | drawn) & counted).sum())


@pytest.fixture(scope="module")
def ten() -> list[Picture]:
    return pictures(TEN)


def test_the_map_agrees_with_outlines_that_people_drew(ten: list[Picture]) -> None:
    found = [overlap(one, small(one)) for one in ten]

    assert len(found) == 10
    assert np.mean(found) > 0.91 and min(found) > 0.87


@pytest.mark.parametrize(
    "change",
    [
        lambda p: p * np.float32([1.25, 1, 0.85]),
        lambda p: p * np.float32(0.5),
        lambda p: p * np.float32(0.65) + np.float32(0.35 * 235),
        lambda p: cv2.GaussianBlur(p, (0, 0), 4),
    ],
    ids=["cast", "dark", "fog", "blur"],
)
def test_a_cast_the_dark_fog_and_blur_cost_little(ten: list[Picture], change) -> None:
    shown = [one for one in ten if "frontal" in one.name or "lower" in one.name]
    plain = np.mean([overlap(one, small(one)) for one in shown])

    spoilt = [
        overlap(one, np.clip(change(small(one).astype(np.float32)), 0, 255).astype(np.uint8))
        for one in shown
    ]

    assert np.mean(spoilt) > plain - 0.1


def test_gloves_are_no_teeth(ten: list[Picture]) -> None:
    glove = next(one for one in ten if one.name == "patient_1.left_buccal")
    found = tooth_map(small(glove))

    lower = slice(int(0.85 * 562), None)
    assert found.teeth[lower].mean() < 0.02
    assert (found.parts[lower] == Part.FOREIGN).mean() > 0.5


@pytest.mark.parametrize("level", [0, 128, 255])
def test_an_even_picture_shows_hardly_a_tooth(level: int) -> None:
    assert tooth_map(np.full((300, 400, 3), level, np.uint8)).teeth.mean() < 0.05


def test_a_picture_of_one_tooth_is_told_from_one_of_an_arch(ten: list[Picture]) -> None:
    arches = [one for one in ten if "occlusal" in one.name]
    single = cv2.imread(str(STUDIES / "P-1042" / "2024-02-13" / "HVD_0412.JPG"))
    assert single is not None
    single = cv2.resize(single[..., ::-1], (750, 500), interpolation=cv2.INTER_AREA)

    assert region.shows_few(tooth_map(np.ascontiguousarray(single)).teeth)
    assert not any(region.shows_few(tooth_map(small(one)).teeth) for one in arches)


def test_paper_in_the_corners_of_a_picture_that_was_copied_askew_is_no_tooth(
    ten: list[Picture],
) -> None:
    (arch,) = (small(one) for one in ten if one.name == "patient_1.upper_occlusal")
    cut = arch[: int(0.9 * arch.shape[0])]  # through the last teeth
    rows, columns = cut.shape[:2]
    turn = cv2.getRotationMatrix2D((columns / 2, rows / 2), 2, 1)
    turn[1, 2] -= 12
    askew = cv2.warpAffine(cut, turn, (columns, rows), borderValue=(255, 255, 255))
    paper = cv2.warpAffine(np.ones((rows, columns), np.uint8), turn, (columns, rows)) == 0

    found = tooth_map(askew)

    assert (found.teeth & paper).sum() < 50
    assert found.teeth.mean() > 0.2


def test_outlines_with_gaps_are_filled() -> None:
    line = np.zeros((720, 960), np.uint8)
    cv2.circle(line, (300, 300), 60, 1, 1)
    line[236:244, 300:306] = 0

    assert filled(line > 0)[300, 300]
    assert not filled(line > 0)[100, 100]


def test_the_map_keeps_to_one_core(ten: list[Picture]) -> None:
    pixels = small(ten[0])
    tooth_map(pixels)
    clock, spent = time.perf_counter(), time.process_time()
    tooth_map(pixels)
    assert time.process_time() - spent < 1.2 * (time.perf_counter() - clock)
