"""Which view a real photograph looks like."""

from __future__ import annotations

import numpy as np
import pytest

from archiver.vision.tooth_map import glance
from archiver.vision.view_proposal import ViewKind, view_kind_of
from tests.benchmarks.real_photographs import TEN, pictures

EXPECTED = {
    "frontal": ViewKind.FRONT,
    "left_buccal": ViewKind.SIDE,
    "upper_occlusal": ViewKind.ARCH,
}


@pytest.mark.parametrize("view", EXPECTED)
@pytest.mark.parametrize("flipped", [False, True], ids=["as it is", "reflected"])
def test_a_view_looks_like_itself_and_reflected_like_the_same(view: str, flipped: bool) -> None:
    (one,) = (each for each in pictures(TEN) if each.name == f"patient_1.{view}")
    pixels = np.ascontiguousarray(one.pixels[:, ::-1] if flipped else one.pixels)

    assert view_kind_of(pixels, glance(pixels)) in (EXPECTED[view], None)


def test_a_picture_without_contents_looks_like_nothing_surely() -> None:
    grey = np.full((400, 600, 3), 120, np.uint8)

    assert view_kind_of(grey, glance(grey)) is None


def test_most_views_are_told() -> None:
    told = [
        view_kind_of(one.pixels, glance(one.pixels))
        for one in pictures(TEN)
        if one.view in EXPECTED and one.mouth == "patient_1"
    ]
    assert sum(one is not None for one in told) >= 2
