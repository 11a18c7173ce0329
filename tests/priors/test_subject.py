"""What of the newest picture is compared: the tooth in its middle, or all where there are many."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

import demo_studies
from archiver.dentition.teeth import Tooth
from archiver.priors import comparison
from archiver.priors.comparison import Ready
from archiver.priors.display_pixels import Shown
from archiver.vision import prepare, region
from tests.benchmarks.real_photographs import TEN
from tests.priors.test_picture import shown

MOLAR = Path(demo_studies.__file__).parent / "P-1042" / "2024-02-13" / "HVD_0412.JPG"
FRONT = TEN / "patient_1.frontal.jpeg"


def ready(path: Path, teeth: tuple[Tooth, ...]) -> Ready:
    read = cv2.imread(str(path))
    assert read is not None
    pixels = cv2.resize(read[..., ::-1], (750, 562), interpolation=cv2.INTER_AREA)
    made = shown()
    described = replace(made.description, teeth=teeth)
    picture: Shown = replace(made, pixels=np.ascontiguousarray(pixels), description=described)
    return Ready(picture, prepare(picture.pixels))


@pytest.mark.parametrize(("count", "single"), [(1, True), (4, False)])
def test_the_molar_in_the_middle_of_its_picture_is_meant_where_few_are_named(
    count: int, single: bool
) -> None:
    teeth = tuple(Tooth(1, position) for position in range(6, 6 - count, -1))

    assert comparison._subject(ready(MOLAR, teeth), None).single is single


def test_of_a_front_no_tooth_is_meant_though_teeth_that_bite_together_pass_for_a_few(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    front = ready(FRONT, (Tooth(1, 1),))
    monkeypatch.setattr(region, "shows_few", lambda _teeth: True)

    assert not comparison._subject(front, None).single
