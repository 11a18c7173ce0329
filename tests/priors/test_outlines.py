"""Crowns told apart by the dark line round each."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from archiver.vision import outlines, region

SHAPE = (500, 750)


def crowns(*ellipses: tuple[int, int, int, int]) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    """Lightness, where teeth are, and what is seen of each crown; later ones stand before."""
    light = np.full(SHAPE, 128, np.uint8)
    seen: list[np.ndarray] = []
    for x, y, a, b in ellipses:
        mask = cv2.ellipse(np.zeros(SHAPE, np.uint8), (x, y), (a, b), 0, 0, 360, 1, -1) > 0
        light[mask] = 150
        cv2.ellipse(light, (x, y), (a, b), 0, 0, 360, 40, 4)
        seen = [one & ~mask for one in seen] + [mask]
    return light, np.logical_or.reduce(seen), seen


def overlap(one: np.ndarray, other: np.ndarray) -> float:
    return float((one & other).sum() / (one | other).sum())


def test_a_crown_before_others_is_told_from_them() -> None:
    # One stands behind it, lower, and the shape of both does not tell where it ends.
    light, teeth, seen = crowns((375, 300, 110, 60), (375, 230, 80, 100))

    assert overlap(region.single_teeth(teeth)[0], seen[1]) < 0.8
    assert overlap(outlines.single_teeth(light, teeth, None)[0], seen[1]) > 0.93


def test_the_middle_of_the_shape_of_all_need_not_lie_in_the_crown() -> None:
    # Three in a row whose largest inscribed disc lies where two of them touch.
    light, teeth, seen = crowns((250, 250, 70, 90), (500, 250, 70, 90), (375, 250, 72, 92))

    assert overlap(outlines.single_teeth(light, teeth, (375.0, 250.0))[0], seen[2]) > 0.93


def test_a_filling_is_not_taken_for_the_crown() -> None:
    light, teeth, seen = crowns((375, 250, 130, 120))
    cv2.ellipse(light, (375, 250), (50, 45), 0, 0, 360, 60, -1)
    cv2.ellipse(light, (375, 250), (50, 45), 0, 0, 360, 20, 4)

    assert overlap(outlines.single_teeth(light, teeth, None)[0], seen[0]) > 0.93


@pytest.mark.parametrize("aim", [(180.0, 250.0), (560.0, 250.0)])
def test_the_crown_that_is_meant_comes_first(aim: tuple[float, float]) -> None:
    light, teeth, seen = crowns((200, 250, 100, 110), (540, 250, 110, 100))

    found = outlines.single_teeth(light, teeth, aim)

    assert overlap(found[0], seen[int(aim[0] > 375)]) > 0.93
    assert len(found) >= 2


def test_where_no_teeth_are_none_is_found() -> None:
    assert outlines.single_teeth(np.full(SHAPE, 128, np.uint8), np.zeros(SHAPE, bool), None) == []
