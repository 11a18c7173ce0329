"""The eight turns of a square, and orientations under them."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageOps

from archiver.dentition.orientation import (
    Direction,
    Orientation,
    Turn,
    direction_of,
    is_true,
    orientation_of,
)
from archiver.errors import MeaningError

turns = st.sampled_from(list(Turn))
ORIENTATIONS = [Orientation(r, c) for r in Direction for c in Direction if c not in (r, r.opposite)]
orientations = st.sampled_from(ORIENTATIONS)

# Signed axes of the patient (PS3.3 C.7.6.1.1.1): x to the Left, y to Posterior, z to the Head.
AXES = {
    "L": (1, 0, 0),
    "R": (-1, 0, 0),
    "P": (0, 1, 0),
    "A": (0, -1, 0),
    "H": (0, 0, 1),
    "F": (0, 0, -1),
}


def shown_by_a_viewer(pixels: np.ndarray, exif: int) -> np.ndarray:
    """What Pillow shows for stored pixels under an EXIF orientation (tag 274)."""
    image = Image.fromarray(pixels)
    image.getexif()[274] = exif
    return np.asarray(ImageOps.exif_transpose(image))


def where_it_lands(turn: Turn, width: int, height: int) -> dict[tuple[int, int], tuple[int, int]]:
    """Where each pixel (x, y) goes, by the turn's own matrix about the centre."""
    a, b, c, d = turn.matrix
    new_width, new_height = (height, width) if turn.swaps_sides else (width, height)
    landing = {}
    for y in range(height):
        for x in range(width):
            u, v = 2 * x - (width - 1), 2 * y - (height - 1)
            landing[x, y] = (
                (a * u + b * v + new_width - 1) // 2,
                (c * u + d * v + new_height - 1) // 2,
            )
    return landing


def test_there_are_eight_turns_numbered_as_exif_numbers_them() -> None:
    assert [int(t) for t in Turn] == list(range(1, 9))
    assert len({t.matrix for t in Turn}) == 8 and len({t.words for t in Turn}) == 8


@given(turns, turns, turns)
def test_turns_compose_associatively(a: Turn, b: Turn, c: Turn) -> None:
    assert a.after(b).after(c) is a.after(b.after(c))


@given(turns)
def test_identity_changes_nothing_and_every_turn_is_undone_by_its_inverse(a: Turn) -> None:
    assert a.after(Turn.IDENTITY) is a is Turn.IDENTITY.after(a)
    assert a.after(a.inverse) is Turn.IDENTITY is a.inverse.after(a)


@given(turns, turns)
def test_the_sign_of_a_composition_is_the_product_of_the_signs(a: Turn, b: Turn) -> None:
    assert a.after(b).sign == a.sign * b.sign


@given(turns, turns)
def test_the_inverse_of_a_composition_is_taken_in_the_other_order(a: Turn, b: Turn) -> None:
    assert a.after(b).inverse is b.inverse.after(a.inverse)


def test_the_group_is_that_of_the_square_and_not_another_of_eight_elements() -> None:
    def order(turn: Turn) -> int:
        n, power = 1, turn
        while power is not Turn.IDENTITY:
            n, power = n + 1, turn.after(power)
        return n

    # The dihedral group of order 8 has five involutions and two elements of order 4.
    assert [order(t) for t in Turn] == [1, 2, 2, 2, 2, 4, 2, 4]
    assert any(a.after(b) is not b.after(a) for a, b in permutations(Turn, 2))


def test_exif_2_4_5_and_7_reverse_the_handedness_and_the_others_keep_it() -> None:
    assert {int(t) for t in Turn if t.sign == -1} == {2, 4, 5, 7}


def test_flip_then_half_turn_is_the_other_flip_and_never_a_correction_in_itself() -> None:
    assert Turn.HALF.after(Turn.FLIP_LEFT_RIGHT) is Turn.FLIP_TOP_BOTTOM
    assert Turn.HALF.sign == 1


@pytest.mark.parametrize("turn", Turn)
def test_a_turn_moves_pixels_as_pillow_does_for_that_exif_value(turn: Turn) -> None:
    pixels = np.arange(15, dtype=np.uint8).reshape(3, 5)
    shown = shown_by_a_viewer(pixels, int(turn))
    assert shown.shape == ((5, 3) if turn.swaps_sides else (3, 5))
    for (x, y), (new_x, new_y) in where_it_lands(turn, 5, 3).items():
        assert shown[new_y, new_x] == pixels[y, x]


@pytest.mark.parametrize("turn", Turn)
@pytest.mark.parametrize("before", ORIENTATIONS, ids=str)
def test_orientation_turns_as_a_picture_does_whose_pixels_carry_their_place(
    turn: Turn, before: Orientation
) -> None:
    rows, columns = np.array(AXES[before.rows.value]), np.array(AXES[before.columns.value])
    y, x = np.mgrid[0:3, 0:5]
    place = x[..., None] * rows + y[..., None] * columns  # patient coordinates of each pixel
    shown = np.stack(
        [shown_by_a_viewer(place[..., i].astype(np.int32), int(turn)) for i in range(3)], axis=-1
    )
    after = before.turned(turn)
    assert tuple(shown[0, 1] - shown[0, 0]) == AXES[after.rows.value]
    assert tuple(shown[1, 0] - shown[0, 0]) == AXES[after.columns.value]


@given(orientations, turns, turns)
def test_turning_twice_is_turning_once_by_the_composition(o: Orientation, a: Turn, b: Turn) -> None:
    assert o.turned(a).turned(b) == o.turned(b.after(a))


@given(orientations, turns)
def test_the_turn_to_a_turned_orientation_is_that_turn(o: Orientation, a: Turn) -> None:
    assert o.turn_to(o.turned(a)) is a


@given(orientations, turns)
def test_the_normal_changes_with_the_sign_of_the_turn(o: Orientation, a: Turn) -> None:
    normal = o.turned(a).normal
    assert normal is (o.normal if a.sign == 1 else o.normal.opposite)
    assert is_true(o.turned(a), o.normal) is (a.sign == 1)


def test_no_turn_leads_into_another_plane() -> None:
    with pytest.raises(ValueError, match="no turn takes"):
        Orientation(Direction.LEFT, Direction.FOOT).turn_to(
            Orientation(Direction.LEFT, Direction.POSTERIOR)
        )


@pytest.mark.parametrize("one", Direction)
@pytest.mark.parametrize("other", Direction)
def test_the_vector_product_agrees_with_numpy(one: Direction, other: Direction) -> None:
    product = tuple(int(v) for v in np.cross(AXES[one.value], AXES[other.value]))
    if product == (0, 0, 0):
        with pytest.raises(ValueError, match="lie on one axis"):
            one.cross(other)
        with pytest.raises(ValueError, match="lie on one axis"):
            Orientation(one, other)
    else:
        assert AXES[one.cross(other).value] == product


@pytest.mark.parametrize("normal", [(1, 0, 0), (0, -2, 0), (1, 1, 0), (0, 1, -1), (-1, 0, 1)])
def test_a_reflection_agrees_with_the_householder_matrix(normal: tuple[int, int, int]) -> None:
    n = np.array(normal) / np.linalg.norm(normal)
    mirror = np.eye(3) - 2 * np.outer(n, n)
    for direction in Direction:
        image = np.rint(mirror @ AXES[direction.value]).astype(int)
        assert AXES[direction.reflected_by(normal).value] == tuple(image)


def test_the_edges_are_where_rows_and_columns_begin_and_end() -> None:
    # PS3.3 C.7.6.1.1.1: first value from the first pixel of a row to the last, second down.
    edges = Orientation(Direction.ANTERIOR, Direction.FOOT).edges
    assert {k: v.value for k, v in edges.items()} == {
        "top": "H",
        "right": "A",
        "bottom": "F",
        "left": "P",
    }


@pytest.mark.parametrize("direction", Direction)
def test_a_direction_is_read_by_word_or_letter(direction: Direction) -> None:
    assert direction_of(direction.word.upper()) is direction
    assert direction_of(direction.value.lower()) is direction
    assert direction.opposite.opposite is direction


def test_a_word_that_is_no_direction_is_refused_with_the_six() -> None:
    with pytest.raises(MeaningError, match="head, foot, anterior, posterior, right or left"):
        direction_of("mesial")


@pytest.mark.parametrize(
    ("values", "read"),
    [
        (("L", "F"), "L\\F"),
        (["AR", "FP"], "A\\F"),
        (("L", "R"), None),
        (("", ""), None),
        (("L",), None),
        (("L", "F", "H"), None),
        (("X", "F"), None),
    ],
)
def test_patient_orientation_is_read_by_its_strongest_letters(
    values: tuple[str, str], read: str | None
) -> None:
    found = orientation_of(values)
    assert (None if found is None else str(found)) == read


def test_the_truth_test_refuses_a_picture_of_another_plane() -> None:
    with pytest.raises(MeaningError, match=r"L\\F does not look towards head"):
        is_true(Orientation(Direction.LEFT, Direction.FOOT), Direction.HEAD)
