"""How a picture is framed against a prior, and which crop keeps the eye on the teeth."""

from __future__ import annotations

import numpy as np
import pytest

from archiver.dentition import Direction, Orientation, parse_teeth
from archiver.priors.framing import framing_words
from archiver.vision.crop_proposal import propose_crop
from archiver.vision.framing import Framing, framing_of
from archiver.vision.prepared import prepare
from archiver.vision.registration import Alignment, Subject
from archiver.vision.transforms import Model, scaling
from archiver.vision.wrong_way import check
from tests.benchmarks.real_photographs import TEN, pictures
from tests.vision.second_visits import second_visit

REAL = {f"{one.mouth} {one.view}": one for one in pictures(TEN)}
#: Rows to the patient's left, columns to the foot: a picture from the front.
FRONT = Orientation(Direction.LEFT, Direction.FOOT)


def test_a_similarity_tells_size_turn_and_place_and_no_tilt() -> None:
    # 1.5 times as many pixels on a frame that is twice as wide: farther away, by a third.
    matrix = np.array([[1, 0, 150], [0, 1, 0], [0, 0, 1]]) @ scaling(1.5)
    found = framing_of(matrix, Model.SIMILARITY, (600, 400), (1200, 800))
    assert found.closer == pytest.approx(0.75)
    assert found.turn == pytest.approx(0)
    assert found.shift == pytest.approx((0, -0.125), abs=0.001)
    assert found.tilt is None
    assert found.frame == (150, 0, 900, 600)


def test_a_second_visit_is_framed_as_the_camera_stood() -> None:
    """The truth is the warp by which the second picture was made."""
    first = REAL["patient_1 frontal"].pixels
    size = first.shape[1], first.shape[0]
    made = second_visit(first, 95, tilt=12)
    alignment = check(prepare(made.pixels), prepare(first), Subject(single=False)).outcome
    assert isinstance(alignment, Alignment)
    told = framing_of(alignment.matrix, alignment.model, size, size)
    true = framing_of(made.matrix, Model.HOMOGRAPHY, size, size)
    assert told.closer == pytest.approx(true.closer, rel=0.02)
    assert told.turn == pytest.approx(true.turn, abs=0.5)
    assert told.shift == pytest.approx(true.shift, abs=0.01)
    assert told.tilt is not None and true.tilt is not None
    assert told.tilt == pytest.approx(true.tilt, abs=0.02)
    assert max(map(abs, true.tilt)) > 0.05  # there was something to tell


def test_what_differs_is_told_in_words_of_the_patient_and_trifles_are_not() -> None:
    def words(closer: float, turn: float, right: float, down: float, tilt: float) -> str:
        framing = Framing(closer, turn, (right, down), (0.0, tilt), (0, 0, 1, 1))
        return "; ".join(map(str, framing_words(framing, parse_teeth("iso:11,21"), FRONT)))

    assert words(1.02, 1, 0.02, 0.01, 0.01) == "framed as last time"
    assert words(1.25, 0, 0, 0, 0) == "a quarter closer"
    assert words(0.75, 0, 0, 0, 0) == "a third farther away"
    assert words(1, -6, 0.2, 0, -0.08) == (
        "camera tilted: the gingival edge is nearer to it; turned by 6° anticlockwise; "
        "20% of the picture further towards the patient's left edge"
    )


@pytest.mark.parametrize("name", sorted(REAL))
def test_the_proposed_crop_holds_the_teeth_as_somebody_outlined_them(name: str) -> None:
    one = REAL[name]
    found = propose_crop(one.pixels)
    assert found is not None
    left, top, right, bottom = found
    teeth, (rows, columns) = one.teeth, one.pixels.shape[:2]
    assert teeth is not None
    assert teeth[top:bottom, left:right].sum() > 0.97 * teeth.sum()
    # Of a picture of the bite lips and retractor take half; an arch fills its picture.
    area = (right - left) * (bottom - top) / (rows * columns)
    assert area < (0.95 if "occlusal" in one.view else 0.6)


def test_no_crop_is_proposed_where_there_are_no_teeth() -> None:
    assert propose_crop(np.full((400, 600, 3), (150, 60, 60), np.uint8)) is None
