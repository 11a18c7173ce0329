"""Each way in which libjpeg-turbo can be had, and what is lost by none of them."""

from __future__ import annotations

import ctypes
import ctypes.util

import numpy as np
import pytest
from jpeg_pictures import CODINGS, FACTORS, camera_file, coefficients, jpeg, scene

from archiver.errors import PhotoError
from archiver.photo import encoding, lossless, small_picture, transcoding, turbo
from archiver.photo.encoding import Box, encode_both
from archiver.photo.lossless_stream import decode_in_pillow, encode_in_numpy
from archiver.photo.turbo_2 import Turbo2
from archiver.photo.turbo_3 import Turbo
from archiver.photo.turning import Cut

NONE: tuple[str, ...] = ()


def made(way: str) -> Turbo | None:
    """The library as a machine of that kind has it."""
    system, bundled = tuple(turbo.system_libraries()), tuple(turbo.bundled_libraries())
    found = {
        # A system of release 3 is played by the wheel's library.
        "system 3": (bundled, NONE),
        "system 2.1 and wheel": (system, bundled),
        "system 2.1 alone": (system, NONE),
        "wheel alone": (NONE, bundled),
        "neither": (NONE, NONE),
    }[way]
    return turbo.choose_turbo(iter(found[0]), iter(found[1]))


WAYS = ["system 3", "system 2.1 and wheel", "system 2.1 alone", "wheel alone", "neither"]


@pytest.fixture(params=WAYS)
def machine(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Turbo | None:
    """A machine on which the library is to be had in one way."""
    library = made(request.param)
    for module in (encoding, lossless, small_picture, transcoding):
        monkeypatch.setattr(module, "load_turbo", lambda: library)
    return library


def test_the_systems_library_comes_first_and_a_newer_one_only_helps_it() -> None:
    assert type(made("system 3")) is Turbo
    assert type(made("wheel alone")) is Turbo
    both, alone = made("system 2.1 and wheel"), made("system 2.1 alone")
    old = ctypes.CDLL(next(turbo.system_libraries()))
    kind = Turbo if hasattr(old, "tj3Transform") else Turbo2
    assert type(both) is type(alone) is kind
    assert made("neither") is None


def test_what_is_no_such_library_is_passed_over(tmp_path) -> None:
    (tmp_path / "libturbojpeg.so.0").write_bytes(b"no library")
    strange = (
        str(tmp_path / "libturbojpeg.so.0"),
        str(tmp_path / "absent"),
        ctypes.util.find_library("c"),
    )
    assert turbo.choose_turbo(iter(strange), iter(strange)) is None


@pytest.mark.parametrize("sampling", FACTORS)
@pytest.mark.parametrize("coding", CODINGS)
def test_every_way_gives_the_same_coefficients(machine, sampling, coding) -> None:
    photo = camera_file(jpeg(75, 53, sampling, coding))
    found = encode_both(photo, 7, Box(20, 17, 30, 30))
    with pytest.MonkeyPatch.context() as patch:
        for module in (encoding, lossless, transcoding):
            patch.setattr(module, "load_turbo", lambda: made("wheel alone"))
        expected = encode_both(photo, 7, Box(20, 17, 30, 30))
    assert found.corrected is not None and expected.corrected is not None
    assert found.corrected.box == expected.corrected.box
    pairs = [(found.as_shot, expected.as_shot), (found.corrected.pixels, expected.corrected.pixels)]
    for one, other in pairs:
        assert one.transfer_syntax == other.transfer_syntax
        for a, b in zip(coefficients(one.stream), coefficients(other.stream), strict=True):
            assert np.array_equal(a, b)


@pytest.mark.parametrize("shape", [(41, 29), (41, 29, 3), (1, 1, 3)])
def test_every_way_encodes_and_decodes_without_loss(machine, shape) -> None:
    pixels = np.random.default_rng(5).integers(0, 256, shape, dtype=np.uint8)
    stream = lossless.encode_lossless_stream(pixels)
    assert np.array_equal(lossless.decode_lossless_stream(stream), pixels)
    other = made("wheel alone")
    assert other is not None and np.array_equal(other.decode(stream), pixels)


@pytest.mark.parametrize("way", WAYS[:-1])
def test_every_library_decodes_smaller_to_the_same_pixels(way) -> None:
    one, other = made(way), made("wheel alone")
    assert one is not None and other is not None
    for sampling in FACTORS:
        stream = jpeg(175, 153, sampling)
        for reduction in (1, 2, 4, 8):
            assert np.array_equal(one.decode(stream, reduction), other.decode(stream, reduction))


@pytest.mark.parametrize("way", WAYS[:-1])
def test_every_library_tells_damage_alike(way) -> None:
    library = made(way)
    assert library is not None
    stream = jpeg(175, 153, "4:2:0")
    short = stream[:-600] + b"\xff\xd9"
    for call in (library.decode, lambda data: library.transform(data, [Cut()])):
        with pytest.raises(PhotoError, match=r"cut short|damaged"):
            call(short)
        with pytest.raises(PhotoError, match="damaged"):
            call(b"\xff\xd8 no picture at all \xff\xd9")
    padded = stream[:-2] + bytes(12) + stream[-2:]
    assert library.decode(padded).shape == (153, 175, 3)
    assert len(library.transform(padded, [Cut(), Cut(turn=2)])) == 2


def test_a_lossless_stream_that_breaks_off_is_told_by_pillow_too() -> None:
    whole = encode_in_numpy(scene(120, 90))
    assert np.array_equal(decode_in_pillow(whole), scene(120, 90))
    with pytest.raises(PhotoError, match="damaged"):
        decode_in_pillow(b"\xff\xd8\xff\xd9")
