"""Alignment and side on photographs of real teeth, taken again by known warps."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from archiver.vision import region
from archiver.vision.prepared import Prepared, prepare
from archiver.vision.registration import Alignment, Subject, register
from archiver.vision.wrong_way import Way, check
from tests.benchmarks.real_photographs import TEN, Tally, honesty, off_by, pictures
from tests.vision.second_visits import second_visit

Pixels = NDArray[np.uint8]
ARCH = Subject(single=False)
#: Five views of one person; of the other the rest of the tests are made.
FIVE = [one for one in pictures(TEN) if one.mouth == "patient_1"]


@pytest.fixture(scope="module")
def shown() -> dict[str, Pixels]:
    return {one.view: one.pixels for one in FIVE}


@pytest.fixture(scope="module")
def ready(shown: dict[str, Pixels]) -> dict[str, Prepared]:
    return {view: prepare(pixels) for view, pixels in shown.items()}


def test_second_visits_are_told_whichever_way_they_stand_and_their_residual_is_honest(
    shown: dict[str, Pixels], ready: dict[str, Prepared]
) -> None:
    tally, ratios = Tally(), []
    for n, view in enumerate(("frontal", "left_buccal", "upper_occlusal")):
        prior, made = ready[view], second_visit(shown[view], 70 + n)
        found = tally.add(prepare(made.pixels), prior)
        assert found is not None and found.left_out < 0.6
        ratios.append(honesty(found, made.matrix))

    assert (tally.same, tally.reflected, tally.turned, tally.alarms) == (3, 3, 3, 0)
    assert min(ratios) > 0.5
    assert sum(1 / 1.5 < ratio < 1.5 for ratio in ratios) >= 2


def test_teeth_on_which_nothing_can_be_followed_are_left_out(
    shown: dict[str, Pixels], ready: dict[str, Prepared]
) -> None:
    newer = shown["frontal"].copy()
    half = newer.shape[1] // 2
    teeth = cv2.resize(ready["frontal"].tooth.astype(np.uint8), newer.shape[1::-1]) > 0
    teeth[:, :half] = False
    newer[teeth] = (215, 205, 180)

    checked = check(prepare(newer), ready["frontal"], ARCH)

    found = checked.outcome
    assert isinstance(found, Alignment) and checked.way is Way.SAME
    middle = found.region.shape[1] // 2
    assert found.unfollowed[:, middle + 60 :].sum() > 1.5 * found.region[:, middle + 60 :].sum()
    assert found.unfollowed[:, :middle].sum() < 0.02 * found.region[:, :middle].sum()
    assert 0.2 < found.left_out < 0.6
    assert found.residual < 1


def test_a_picture_against_itself_shifted_is_not_refused(
    shown: dict[str, Pixels], ready: dict[str, Prepared]
) -> None:
    shifted = np.roll(shown["lower_occlusal"], 3, axis=1)

    checked = check(prepare(shifted), ready["lower_occlusal"], ARCH)

    assert isinstance(checked.outcome, Alignment) and checked.way is Way.SAME


def test_the_other_sides_teeth_flipped_do_not_pass_as_the_same(ready: dict[str, Prepared]) -> None:
    newer, other = ready["left_buccal"], ready["right_buccal"].reflected()

    assert check(newer, other, ARCH).way is not Way.SAME


def test_a_tooth_that_is_pointed_at_is_aligned_alone_as_well_as_all_teeth(
    shown: dict[str, Pixels], ready: dict[str, Prepared]
) -> None:
    made = second_visit(shown["frontal"], 90)
    newer = prepare(made.pixels)

    for x, y, _ in region.discs(newer.tooth)[:2]:
        found = register(newer, ready["frontal"], Subject(np.array([x, y]) * newer.factor))
        assert isinstance(found, Alignment) and found.alone
        assert found.region[y, x] and found.region.sum() < 0.2 * newer.tooth.sum()
        assert off_by(found, made.matrix) < 0.5 and honesty(found, made.matrix) > 0.5


def test_where_no_tooth_is_all_are_aligned_and_that_is_said(ready: dict[str, Prepared]) -> None:
    one = ready["lower_occlusal"]
    rows, columns = one.shape
    tongue = np.array([columns / 2, rows * 0.2]) * one.factor

    found = register(one, one, Subject(tongue))

    assert isinstance(found, Alignment) and not found.alone
    assert found.region.sum() > 0.5 * one.tooth.sum()
