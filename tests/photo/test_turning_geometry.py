"""Turns and boxes, against Pillow's reading of the EXIF orientation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageOps

from archiver.errors import PhotoError
from archiver.photo.turning import (
    INVERSE,
    Box,
    check_crop,
    cut_out,
    plan_cut,
    source_box,
    turned,
    turned_box,
    turned_size,
)

TURNS = st.integers(1, 8)


def numbered(columns: int, rows: int) -> np.ndarray:
    return (np.arange(columns * rows) % 251).astype(np.uint8).reshape(rows, columns)


@pytest.mark.parametrize("turn", range(1, 9))
def test_a_turn_is_what_pillow_shows_for_that_orientation(turn):
    pixels = numbered(7, 5)
    picture = Image.fromarray(pixels)
    picture.getexif()[274] = turn
    shown = np.asarray(ImageOps.exif_transpose(picture))
    assert np.array_equal(turned(pixels, turn), shown)
    assert turned_size(turn, 7, 5) == shown.shape[::-1]


@given(turn=TURNS, columns=st.integers(1, 30), rows=st.integers(1, 30))
def test_the_inverse_turn_undoes_a_turn(turn, columns, rows):
    pixels = numbered(columns, rows)
    assert np.array_equal(turned(turned(pixels, turn), INVERSE[turn]), pixels)


@given(turn=TURNS, columns=st.integers(2, 30), rows=st.integers(2, 30), choice=st.randoms())
def test_a_box_is_mapped_to_the_same_pixels(turn, columns, rows, choice):
    pixels = numbered(columns, rows)
    left, top = choice.randrange(columns), choice.randrange(rows)
    box = Box(left, top, choice.randint(1, columns - left), choice.randint(1, rows - top))
    there = turned_box(box, turn, columns, rows)
    assert np.array_equal(cut_out(turned(pixels, turn), there), turned(cut_out(pixels, box), turn))
    assert source_box(there, turn, columns, rows) == box


def test_nothing_can_be_moved_where_the_crop_lies_in_a_partial_mcu():
    # 75 = 4 x 16 + 11: the 11 columns end up at the left.
    assert plan_cut(2, Box(0, 0, 11, 53), size=(75, 53), mcu=(16, 16)) is None
    plan = plan_cut(2, Box(0, 0, 12, 53), size=(75, 53), mcu=(16, 16))
    assert plan is not None
    assert (plan.trimmed_left, plan.box) == (11, Box(11, 0, 16, 53))


def test_a_number_that_is_no_turn_is_an_error_of_the_caller():
    for turn in (0, 9, -1):
        with pytest.raises(ValueError, match="expected 1 to 8"):
            turned(numbered(3, 3), turn)


def test_the_whole_picture_is_a_crop_and_one_pixel_more_is_none():
    assert check_crop(None, 7, 5) == check_crop(Box(0, 0, 7, 5), 7, 5) == Box(0, 0, 7, 5)
    with pytest.raises(PhotoError, match="7 x 5 pixels"):
        check_crop(Box(0, 0, 8, 5), 7, 5)
