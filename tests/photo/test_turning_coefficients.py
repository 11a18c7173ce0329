"""Coefficients of corrected pictures, against their expected movement computed in numpy.

The basis functions are cos((2x + 1) u pi / 16) (ITU-T T.81 A.3.3). Putting 7 - x for x gives
(-1)^u times the same function: so a reversal of columns negates coefficients of odd u, one of rows
those of odd v, and an exchange of rows and columns exchanges u and v.
"""

from __future__ import annotations

import io
import subprocess

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jpeg_pictures import CODINGS, FACTORS, MCU, camera_file, coefficients, jpeg, scene, tables
from PIL import Image

from archiver.photo.encoding import Box, encode_corrected
from archiver.photo.jpegtran import find_jpegtran, transform_by_process
from archiver.photo.transcoding import transcode
from archiver.photo.turbo import load_turbo
from archiver.photo.turning import INVERSE, Cut, plan_cut, turned, turned_box, turned_size

TURNS = range(1, 9)
# Exif 2.32 tag 274: what has to be done to the stored picture, as numpy operations.
REVERSED_COLUMNS = {2, 3, 7, 8}
REVERSED_ROWS = {3, 4, 6, 7}
TRANSPOSED = {5, 6, 7, 8}
SIGN = np.where(np.arange(8) % 2, -1, 1)


def moved(source: list[np.ndarray], sampling: str, turn: int, size, box: Box | None):
    """Coefficients that the corrected picture must have, component by component."""
    mcu = MCU[sampling]
    expected = []
    for number, blocks in enumerate(source):
        per_mcu = (1, 1) if number else (mcu[0] // 8, mcu[1] // 8)
        side = [mcu[0] // per_mcu[0], mcu[1] // per_mcu[1]]  # pixels that a block covers
        dropped = [0, 0]
        if turn in REVERSED_COLUMNS:
            blocks = blocks[:, : size[0] // mcu[0] * per_mcu[0]][:, ::-1] * SIGN
            dropped[0] = size[0] % mcu[0]
        if turn in REVERSED_ROWS:
            blocks = blocks[: size[1] // mcu[1] * per_mcu[1]][::-1] * SIGN[:, None]
            dropped[1] = size[1] % mcu[1]
        if turn in TRANSPOSED:
            blocks = blocks.transpose(1, 0, 3, 2)
            dropped, side = dropped[::-1], side[::-1]
        if box is not None:
            left, top = (box.left - dropped[0]) / side[0], (box.top - dropped[1]) / side[1]
            assert left == int(left) and top == int(top), "the box starts inside a block"
            across, down = -(-box.width // side[0]), -(-box.height // side[1])
            blocks = blocks[int(top) :, int(left) :][:down, :across]
        expected.append(blocks)
    return expected


def assert_same(found: list[np.ndarray], expected: list[np.ndarray]) -> None:
    assert len(found) == len(expected)
    for one, other in zip(found, expected, strict=True):
        assert one.shape == other.shape
        assert np.array_equal(one, other)


def decoded(stream: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(stream)) as picture:
        return np.asarray(picture)


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("size", [(96, 64), (75, 53)], ids=["aligned", "unaligned"])
@pytest.mark.parametrize("sampling", FACTORS)
def test_a_turn_moves_coefficients_and_changes_none(sampling, size, turn):
    source = jpeg(*size, sampling)
    corrected = encode_corrected(camera_file(source), turn, None)
    found = coefficients(corrected.pixels.stream)
    assert_same(found, moved(coefficients(source), sampling, turn, size, corrected.box))
    expected_tables = tables(source)
    if turn in TRANSPOSED:
        expected_tables = expected_tables.transpose(0, 2, 1)
    assert np.array_equal(tables(corrected.pixels.stream), expected_tables)


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("size", [(96, 64), (75, 53)], ids=["aligned", "unaligned"])
@pytest.mark.parametrize("sampling", FACTORS)
def test_a_crop_keeps_the_coefficients_inside_it(sampling, size, turn):
    source = jpeg(*size, sampling)
    columns, rows = turned_size(turn, *size)
    for crop in (Box(34, 33, 5, 9), Box(0, 0, 20, 20), Box(columns - 9, rows - 9, 9, 9)):
        corrected = encode_corrected(camera_file(source), turn, crop)
        if corrected.lossless_codec:
            assert plan_cut(turn, crop, size=size, mcu=MCU[sampling]) is None
            continue
        found = coefficients(corrected.pixels.stream)
        assert_same(found, moved(coefficients(source), sampling, turn, size, corrected.box))


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("coding", CODINGS)
def test_every_coding_gives_the_coefficients_of_its_baseline_twin(coding, turn):
    # The same pixels and tables quantise to the same coefficients whatever the entropy coding.
    twin = coefficients(jpeg(75, 53, "4:2:2", "baseline"))
    photo = camera_file(jpeg(75, 53, "4:2:2", coding))
    corrected = encode_corrected(photo, turn, None)
    found = coefficients(corrected.pixels.stream)
    assert_same(found, moved(twin, "4:2:2", turn, (75, 53), corrected.box))


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("size", [(96, 64), (75, 53)], ids=["aligned", "unaligned"])
@pytest.mark.parametrize("sampling", FACTORS)
def test_turning_back_gives_the_coefficients_of_the_source(sampling, size, turn):
    source = jpeg(*size, sampling)
    there = encode_corrected(camera_file(source), turn, None)
    back = encode_corrected(camera_file(there.pixels.stream), INVERSE[turn], None)
    kept = turned_box(there.box, INVERSE[turn], *turned_size(turn, *size))
    assert (kept.left, kept.top) == (0, 0)
    if size == (96, 64):
        assert (kept.width, kept.height) == size
    else:
        # What was a partial MCU of an axis that was not reversed may be dropped on the way
        # back; what was reversed is whole MCUs by now.
        kept = Box(0, 0, back.pixels.columns, back.pixels.rows)
    expected = moved(coefficients(source), sampling, 1, size, kept)
    assert_same(coefficients(back.pixels.stream), expected)


@pytest.mark.parametrize("turn", TURNS)
def test_the_box_tells_where_the_pixels_lie(turn):
    # 4:4:4, so that no upsampling blurs the comparison; IDCT rounding differs by a level or two.
    size, crop = (75, 53), Box(19, 21, 17, 11)
    source = jpeg(*size, "4:4:4", quality=95)
    for wanted in (None, crop):
        corrected = encode_corrected(camera_file(source), turn, wanted)
        box = corrected.box
        exact = turned(decoded(source), turn)[box.top : box.bottom, box.left : box.right]
        found = decoded(corrected.pixels.stream)
        assert found.shape == exact.shape
        assert np.abs(found.astype(int) - exact.astype(int)).max() <= 3


@pytest.mark.parametrize("sampling", FACTORS)
def test_jpegtran_and_the_library_give_the_same_coefficients(sampling):
    turbo, program = load_turbo(), find_jpegtran()
    assert turbo is not None and program is not None
    source = jpeg(75, 53, sampling, "progressive")
    cuts = []
    for turn in TURNS:
        for crop in (None, Box(33, 34, 9, 7)):
            plan = plan_cut(turn, crop, size=(75, 53), mcu=MCU[sampling])
            if plan is not None:
                cuts.append(plan.cut)
    by_library = turbo.transform(source, cuts)
    by_program = transform_by_process(program, source, cuts)
    assert len(by_library) == len(cuts)
    for one, other in zip(by_library, by_program, strict=True):
        assert_same(coefficients(one), coefficients(other))
        assert one == other or decoded(one).shape == decoded(other).shape


@pytest.mark.parametrize("factors", ["2x2,1x2,2x1", "3x1,1x1,1x1", "4x2,1x1,1x1", "1x1,2x2,1x1"])
def test_sampling_that_has_no_name_is_turned_and_cropped_too(factors):
    source = jpeg(96, 96, factors)
    photo = camera_file(source)
    assert encode_corrected(photo, 2, None).pixels.transfer_syntax.endswith(".50")
    corrected = encode_corrected(photo, 2, Box(50, 50, 8, 8))
    box = corrected.box
    assert not corrected.lossless_codec
    exact = turned(decoded(source), 2)[box.top : box.bottom, box.left : box.right]
    assert np.abs(decoded(corrected.pixels.stream).astype(int) - exact).mean() < 8
    assert np.array_equal(
        coefficients(corrected.pixels.stream)[0], coefficients(by_jpegtran(photo, box))[0]
    )


def by_jpegtran(photo, box: Box) -> bytes:
    dropped = photo.columns % photo.structure.mcu[0]
    cut = Cut(2, Box(box.left - dropped, box.top, box.width, box.height))
    return transform_by_process(find_jpegtran() or "", photo.data, [cut])[0]


def test_many_cuts_of_one_decoding_do_not_disturb_each_other():
    # libjpeg flips left-right in place; later cuts must not see the flipped coefficients.
    source = jpeg(96, 64, "4:2:0")
    region = Box(16, 16, 48, 32)
    together = transcode(source, [Cut(2), Cut(), Cut(3), Cut(1, region), Cut(2, region), Cut(6)])
    alone = [
        transcode(source, [cut])[0]
        for cut in (Cut(2), Cut(), Cut(3), Cut(1, region), Cut(2, region), Cut(6))
    ]
    assert list(together) == alone


@pytest.mark.parametrize("turn", [2, 3, 4])
@pytest.mark.parametrize("sampling", FACTORS)
def test_a_flip_in_place_gives_the_bytes_of_the_library_s_own_flip(sampling, turn):
    # Odd and even numbers of block rows; partial MCUs on the axis that is not reversed.
    for size in ((96, 64), (32, 16), (96, 48), (96, 53), (75, 64)):
        mcu = MCU[sampling]
        if (turn in REVERSED_COLUMNS and size[0] % mcu[0]) or (
            turn in REVERSED_ROWS and size[1] % mcu[1]
        ):
            continue
        source = jpeg(*size, sampling, "progressive")
        tile = Cut(1, Box(0, 0, 16, 16))
        first = transcode(source, [Cut(turn, None, True), Cut(), tile, Cut(6)])
        second = transcode(source, [Cut(turn), Cut(), tile, Cut(6)])
        assert first == second


@pytest.mark.parametrize("turn", TURNS)
def test_grey_with_odd_sampling_factors_has_mcus_of_one_block(turn):
    # T.81 A.2.2: with one component the factors mean nothing.
    source = subprocess.run(
        ["cjpeg", "-grayscale", "-sample", "2x2"],
        input=b"P5 75 53 255\n" + scene(75, 53, True).tobytes(),
        capture_output=True,
        check=True,
    ).stdout
    for crop in (None, Box(19, 21, 17, 11)):
        corrected = encode_corrected(camera_file(source), turn, crop)
        expected = moved(coefficients(source), "grey", turn, (75, 53), corrected.box)
        assert_same(coefficients(corrected.pixels.stream), expected)


@settings(max_examples=120, deadline=None)
@given(
    sampling=st.sampled_from(sorted(FACTORS)),
    columns=st.integers(1, 80),
    rows=st.integers(1, 80),
    turn=st.sampled_from(list(TURNS)),
    choice=st.tuples(*[st.floats(0, 1)] * 4),
)
def test_any_crop_of_any_picture_grows_by_less_than_an_mcu_and_keeps_its_coefficients(
    sampling, columns, rows, turn, choice
):
    source = jpeg(columns, rows, sampling)
    full = turned_size(turn, columns, rows)
    left, top = int(choice[0] * (full[0] - 1)), int(choice[1] * (full[1] - 1))
    crop = Box(
        left,
        top,
        1 + int(choice[2] * (full[0] - left - 1)),
        1 + int(choice[3] * (full[1] - top - 1)),
    )
    corrected = encode_corrected(camera_file(source), turn, crop)
    box = corrected.box
    assert (corrected.pixels.columns, corrected.pixels.rows) == (box.width, box.height)
    assert (corrected.trimmed_right, corrected.trimmed_bottom) == (0, 0)
    if corrected.lossless_codec:
        assert box == crop
        return
    mcu = MCU[sampling]
    step = (max(mcu), max(mcu)) if turn in TRANSPOSED else mcu
    assert box.left <= crop.left + corrected.trimmed_left < box.left + step[0]
    assert box.top <= crop.top + corrected.trimmed_top < box.top + step[1]
    assert crop.right <= box.right < crop.right + max(mcu)
    assert crop.bottom <= box.bottom < crop.bottom + max(mcu)
    assert corrected.trimmed_left < max(mcu) and corrected.trimmed_top < max(mcu)
    found = coefficients(corrected.pixels.stream)
    assert_same(found, moved(coefficients(source), sampling, turn, (columns, rows), box))


@settings(max_examples=60, deadline=None)
@given(columns=st.integers(1, 70), rows=st.integers(1, 70), turn=st.sampled_from(list(TURNS)))
def test_edges_lossless_keeps_every_pixel(columns, rows, turn):
    source = jpeg(columns, rows, "4:2:0")
    corrected = encode_corrected(camera_file(source), turn, None, edges="lossless")
    full = turned_size(turn, columns, rows)
    assert corrected.box == Box(0, 0, *full)
    assert (corrected.trimmed_left, corrected.trimmed_top) == (0, 0)
    moves_a_partial_mcu = (turn in REVERSED_COLUMNS and columns % 16 != 0) or (
        turn in REVERSED_ROWS and rows % 16 != 0
    )
    assert corrected.lossless_codec is moves_a_partial_mcu
    if not corrected.lossless_codec:
        size = (columns, rows)
        found = coefficients(corrected.pixels.stream)
        assert_same(found, moved(coefficients(source), "4:2:0", turn, size, corrected.box))
