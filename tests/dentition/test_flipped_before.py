"""A picture that was flipped on a computer before it came: said so, it is turned rightly."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.dentition.correction import Operator, plan
from archiver.dentition.numbering import parse_teeth
from archiver.dentition.orientation import Direction, Turn
from archiver.dentition.sights import sight
from archiver.dentition.views import View
from archiver.errors import MeaningError
from archiver.objects import FLIPS, Photograph

#: Teeth with which every view means something, of both sides and arches, in front and behind.
TEETH = ("iso:16", "iso:25", "iso:36", "iso:45", "iso:11", "iso:32", "iso:41-43")


def _views() -> list[tuple[View, str]]:
    found = []
    for view in View:
        for teeth in ("", *TEETH):
            try:
                sight(view, parse_teeth(teeth) if teeth else ())
            except MeaningError:
                continue
            found.append((view, teeth))
    return found


VIEWS = _views()


@given(
    seen=st.sampled_from(VIEWS),
    mirror=st.booleans(),
    top=st.sampled_from([None, *Direction]),
    operator=st.sampled_from(Operator),
    exif=st.sampled_from(Turn),
    flipped=st.sampled_from(Turn),
    baked=st.booleans(),
)
def test_with_its_flip_said_every_picture_comes_out_as_if_it_had_never_been_flipped(
    seen: tuple[View, str],
    mirror: bool,
    top: Direction | None,
    operator: Operator,
    exif: Turn,
    flipped: Turn,
    baked: bool,
) -> None:
    view, named = seen
    teeth = parse_teeth(named) if named else ()
    looking = sight(view, teeth).looking
    top = None if top in (looking, looking.opposite) else top
    mirror = mirror and not view.is_extraoral
    said = {"mirror": mirror, "top": top, "operator": operator}
    camera = plan(view, teeth, **said, exif=exif)
    # A program shows the picture upright, flips it, and keeps it so, or with the camera's tag.
    displayed = camera.stored.turned(exif).turned(flipped)
    tag = Turn.IDENTITY if baked else exif
    in_the_file = displayed.turned(tag.inverse)

    made = plan(view, teeth, **said, exif=tag, flipped=flipped)

    assert made.stored == in_the_file
    assert in_the_file.turned(made.correction) == camera.display
    assert made.shown == displayed


def test_a_direct_picture_flipped_by_a_paint_program_is_flipped_back() -> None:
    shot = plan(View.BUCCAL, parse_teeth("iso:16"), mirror=False, flipped=Turn.FLIP_LEFT_RIGHT)
    assert shot.stored_is_reflected and shot.correction is Turn.FLIP_LEFT_RIGHT


def test_a_mirror_picture_that_somebody_had_put_right_already_stays_as_it_is() -> None:
    shot = plan(View.BUCCAL, parse_teeth("iso:16"), mirror=True, flipped=Turn.FLIP_LEFT_RIGHT)
    assert not shot.stored_is_reflected and shot.correction is Turn.IDENTITY


@pytest.mark.parametrize("word", FLIPS)
def test_a_photograph_says_its_flip_and_no_is_as_good_as_silence(word: str) -> None:
    teeth = parse_teeth("iso:25")
    said = Photograph(Path(), View.OCCLUSAL, mirror=True, teeth=teeth, flipped=FLIPS[word])
    silent = Photograph(Path(), View.OCCLUSAL, mirror=True, teeth=teeth)
    undone = FLIPS[word].after(silent.plan(6).stored.turn_to(silent.plan(6).shown))
    assert (said.plan(1).correction == silent.plan(1).correction) is (word == "no")
    assert said.plan(6).stored.turned(undone) == silent.plan(6).shown


@pytest.mark.parametrize("exif", [3, 6, 8])
def test_an_orientation_that_the_camera_had_wrong_is_ignored_where_a_person_says_so(
    exif: int,
) -> None:
    teeth = parse_teeth("iso:36")
    said = {"view": View.OCCLUSAL, "mirror": False, "teeth": teeth}
    shot = Photograph(Path(), **said, exif_orientation="ignore")
    used = Photograph(Path(), **said, exif_orientation="use")
    assert shot.plan(exif).correction is Turn.IDENTITY
    assert used.plan(exif).correction == exif
