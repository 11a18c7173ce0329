"""Palatal and lingual pictures of front teeth, upright or turned by half as the practice does."""

from __future__ import annotations

import itertools

import pytest

from archiver.dentition.correction import Operator, plan
from archiver.dentition.drawing import draw
from archiver.dentition.numbering import parse_teeth
from archiver.dentition.orientation import Direction, Orientation, Turn, is_true
from archiver.dentition.sights import LingualFronts, sight
from archiver.dentition.views import View

UPRIGHT = Orientation(Direction.RIGHT, Direction.FOOT)
FRONTS = [(View.PALATAL, "11"), (View.LINGUAL, "31-33"), (View.LINGUAL, "13-23")]
OTHERS = [(View.PALATAL, "16"), (View.LINGUAL, "33-36"), (View.LABIAL, "11"), (View.INCISAL, "11")]


@pytest.mark.parametrize(("view", "teeth"), FRONTS)
@pytest.mark.parametrize("mirror", [False, True])
def test_the_turned_picture_is_the_upright_one_turned_by_half_and_never_a_reflection(
    view: View, teeth: str, mirror: bool
) -> None:
    named = parse_teeth(f"iso:{teeth}")
    tops = (None, Direction.HEAD, Direction.LEFT)
    for exif, operator, top in itertools.product(Turn, Operator, tops):
        said = {"mirror": mirror, "exif": exif, "operator": operator, "top": top}
        usual = plan(view, named, **said)
        made = plan(view, named, **said, fronts=LingualFronts.TURNED)
        assert usual.display == UPRIGHT and usual.stored == made.stored
        # The patient's right is at the left, and the edges are turned over.
        assert made.display.edges["left"] is Direction.RIGHT
        assert made.display.edges["top"] is Direction.FOOT
        assert is_true(made.display, made.sight.looking)
        assert made.correction is Turn.HALF.after(usual.correction)
        assert made.correction.sign == usual.correction.sign
        assert made.sight.lingual_fronts is LingualFronts.TURNED
        assert usual.sight.displayed(made.display) == made.sight


@pytest.mark.parametrize(("view", "teeth"), OTHERS)
def test_the_habit_is_of_no_other_picture(view: View, teeth: str) -> None:
    named = parse_teeth(f"iso:{teeth}")
    usual = sight(view, named)
    assert sight(view, named, LingualFronts.TURNED) == usual
    assert usual.displayed(usual.display.turned(Turn.HALF)) == usual
    assert usual.lingual_fronts is LingualFronts.UPRIGHT


def test_the_drawing_shows_the_right_of_the_patient_at_the_left() -> None:
    fronts = parse_teeth("iso:12-22")
    upright = draw(plan(View.PALATAL, fronts, mirror=True))
    turned = draw(plan(View.PALATAL, fronts, mirror=True, fronts=LingualFronts.TURNED))
    assert upright != turned
    row = next(line for line in reversed(turned.splitlines()) if "12" in line and "22" in line)
    assert row.index("12") < row.index("22")
