"""Quality of teeth on real photographs, as they are and spoilt."""

from __future__ import annotations

import numpy as np
import pytest

from archiver.vision.tooth_quality import ToothFault, tooth_faults, tooth_figures
from tests.benchmarks.real_photographs import FAULTS, TEN, Picture, pictures


@pytest.fixture(scope="module")
def some() -> list[Picture]:
    """Frontal and lateral views."""
    return [one for one in pictures(TEN) if "occlusal" not in one.name]


def faults_of(pixels: np.ndarray) -> set[ToothFault]:
    figures = tooth_figures(pixels)
    return set() if figures is None else set(tooth_faults(figures))


@pytest.mark.parametrize(
    ("fault", "least"),
    [("motion of 12 per mille", 6), ("two stops dark", 6), ("blur of 1.2 per mille", 3)],
)
def test_what_was_spoilt_is_told(some: list[Picture], fault: str, least: int) -> None:
    spoil, expected = FAULTS[fault]

    assert sum(bool(faults_of(spoil(one.pixels)) & expected) for one in some) >= least


def test_pictures_as_they_are_give_no_cause(some: list[Picture]) -> None:
    assert sum(bool(faults_of(one.pixels)) for one in some) <= 1


def test_a_picture_without_teeth_is_not_judged() -> None:
    assert tooth_figures(np.full((400, 600, 3), 120, np.uint8)) is None
