"""From what a person can see to the correction, and the known traps on the way."""

from __future__ import annotations

import pytest

from archiver.dentition import codes
from archiver.dentition.correction import Operator, Plan, plan
from archiver.dentition.numbering import parse_teeth
from archiver.dentition.orientation import Direction, Turn
from archiver.dentition.views import View, view_of
from archiver.errors import MeaningError


def made(
    view: str,
    teeth: str = "",
    *,
    mirror: bool = False,
    top: Direction | None = None,
    operator: Operator = Operator.FRONT,
    exif: Turn = Turn.IDENTITY,
) -> Plan:
    return plan(
        view_of(view),
        parse_teeth(teeth) if teeth else (),
        mirror=mirror,
        top=top,
        operator=operator,
        exif=exif,
    )


def values(found: tuple[codes.Code, ...]) -> list[str]:
    return [c.value for c in found]


# Traps: computed from the rules of handedness.


def test_trap_a_an_uncorrected_right_mirror_shot_has_the_layout_of_a_direct_left_one() -> None:
    mirrored = made("right buccal", mirror=True)
    direct = made("left buccal")
    assert str(mirrored.stored) == str(direct.stored) == "P\\F"
    # Only the teeth tell: the same letters are a reflection here and true there.
    assert mirrored.stored_is_reflected and not direct.stored_is_reflected
    assert str(mirrored.display) == "A\\F" and direct.correction is Turn.IDENTITY


@pytest.mark.parametrize("view", ["upper occlusal arch", "lower occlusal arch"])
def test_trap_b_a_half_turn_makes_an_occlusal_mirror_shot_look_right_with_the_sides_swapped(
    view: str,
) -> None:
    shot = made(view, mirror=True)
    looks_normal = shot.stored.turned(Turn.HALF)
    assert looks_normal.columns is shot.display.columns
    assert looks_normal.rows is shot.display.rows.opposite
    assert looks_normal.normal is shot.sight.looking.opposite


def test_trap_c_the_move_is_no_constant_of_the_view_but_depends_on_where_the_camera_was() -> None:
    moves = {made("upper occlusal arch", mirror=True, operator=o).correction for o in Operator}
    assert moves == {Turn.FLIP_TOP_BOTTOM, Turn.FLIP_LEFT_RIGHT}


def test_trap_d_a_telephone_that_mirrored_a_direct_picture_is_turned_back() -> None:
    shot = made("frontal", exif=Turn.FLIP_LEFT_RIGHT)
    assert shot.stored_is_reflected and shot.correction is Turn.FLIP_LEFT_RIGHT
    assert str(shot.stored) == "R\\F"


def test_a_mirror_shot_that_the_camera_file_already_reflects_needs_no_further_flip() -> None:
    shot = made("right buccal", mirror=True, exif=Turn.FLIP_LEFT_RIGHT)
    assert shot.correction is Turn.IDENTITY and not shot.stored_is_reflected
    assert codes.MIRRORED_UNCORRECTED not in shot.original_modifiers
    assert str(shot.shown) == "P\\F" and str(shot.stored) == str(shot.display) == "A\\F"


@pytest.mark.parametrize("exif", [1, 3, 6, 8])
@pytest.mark.parametrize("operator", Operator, ids=lambda o: o.value)
def test_an_upright_direct_picture_needs_only_a_turn_and_never_a_flip(
    operator: Operator, exif: int
) -> None:
    shot = made("left buccal", operator=operator, exif=Turn(exif))
    assert shot.correction.sign == 1
    if operator is Operator.FRONT:
        assert shot.correction == exif


@pytest.mark.parametrize("top", ["H", "F"])
def test_a_direction_along_the_look_cannot_be_at_the_top(top: str) -> None:
    with pytest.raises(MeaningError, match="cannot be at the top") as caught:
        made("occlusal", "iso:46", mirror=True, top=Direction(top))
    assert "expected left or right or posterior or anterior" in str(caught.value)


@pytest.mark.parametrize("view", ["face", "smile", "left profile"])
def test_a_face_is_not_taken_in_an_intraoral_mirror(view: str) -> None:
    with pytest.raises(MeaningError, match="not taken in an intraoral mirror"):
        made(view, mirror=True)


def test_where_the_operator_was_does_not_matter_once_the_top_is_said() -> None:
    both = {
        made("palatal", "iso:26", mirror=True, top=Direction.FOOT, operator=o).shown
        for o in Operator
    }
    assert len(both) == 1


@pytest.mark.parametrize(
    ("view", "teeth", "operator", "original", "corrected"),
    [
        ("lingual", "iso:46", "front", ["789135000"], ["789310004"]),
        ("lingual", "iso:46", "behind", ["789135000"], ["789311000"]),
        ("occlusal", "iso:46", "front", ["789135000"], ["789311000"]),
        ("palatal", "iso:11", "front", ["789135000", "789313002"], ["789310004", "789313002"]),
        ("close-up", "iso:46", "front", ["789135000", "789131009"], ["789310004", "789131009"]),
    ],
)
def test_view_modifiers_of_a_mirror_shot_tell_the_reflection_and_its_correction(
    view: str, teeth: str, operator: str, original: list[str], corrected: list[str]
) -> None:
    shot = made(view, teeth, mirror=True, operator=Operator(operator))
    assert values(shot.original_modifiers) == original
    assert values(shot.corrected_modifiers) == corrected


def test_a_quarter_turned_mirror_shot_is_corrected_by_a_move_that_has_no_code_of_its_own() -> None:
    shot = made("lingual", "iso:46", mirror=True, exif=Turn.QUARTER_CLOCKWISE)
    assert shot.correction in (Turn.TRANSPOSE, Turn.TRANSVERSE)
    assert values(shot.corrected_modifiers) == ["787610003"]


def test_a_direct_picture_carries_no_mirror_modifier() -> None:
    shot = made("buccal", "iso:46", exif=Turn.QUARTER_CLOCKWISE)
    assert shot.original_modifiers == shot.corrected_modifiers == ()


@pytest.mark.parametrize("exif", Turn)
@pytest.mark.parametrize("mirror", [False, True], ids=["direct", "mirror"])
@pytest.mark.parametrize("view", [v for v in View if not v.is_extraoral], ids=lambda v: v.value)
def test_the_original_says_uncorrected_exactly_when_its_pixels_are_a_reflection(
    view: View, mirror: bool, exif: Turn
) -> None:
    teeth = parse_teeth("iso:16" if view.needs_teeth and view is not View.INCISAL else "iso:11")
    shot = plan(view, teeth if view.needs_teeth else (), mirror=mirror, exif=exif)
    says = bool(set(values(shot.original_modifiers)) & codes.UNCORRECTED_VALUES)
    assert says is shot.stored_is_reflected
    assert not set(values(shot.corrected_modifiers)) & codes.UNCORRECTED_VALUES


def test_region_structure_surface_and_view_of_a_lingual_picture_are_coded() -> None:
    shot = made("lingual", "universal:30", mirror=True)
    assert shot.region.value == "123851003"  # CID 4028, mouth
    assert shot.arch_or_face is not None and shot.arch_or_face.value == "88176008"  # CID 4061
    ((tooth, code),) = shot.structures
    assert (tooth.iso, code.value) == ("46", "866005003")  # PS3.16 CID 4018 (2022-09-22)
    assert shot.surface is not None and shot.surface.value == "72203008"
    assert shot.view == codes.RIGHT_LATERAL


def test_a_supernumerary_tooth_is_seen_as_the_tooth_whose_place_it_shares() -> None:
    extra, ordinary = (
        made("palatal", "iso:11s", mirror=True),
        made("palatal", "iso:11", mirror=True),
    )
    assert extra.correction is ordinary.correction and extra.stored == ordinary.stored
    assert extra.structures[0][1].meaning.startswith("Supernumerary permanent maxillary right")
