"""Colours are what the file's profile or claims say; profiles are those of an input device."""

from __future__ import annotations

import hashlib
import io
import struct
import zlib

import numpy as np
import photo_pictures as pictures
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from photo_pictures import exif_block, heic, noise, notes, read, saved, smooth, tiff
from PIL import Image, ImageCms

from archiver.photo.camera_file import CameraFile, ColourClaim, Limits
from archiver.photo.colour import coded_statement, colour_of
from archiver.photo.icc import (
    ADOBE_RGB,
    DISPLAY_P3,
    SRGB,
    as_input_device,
    columns,
    input_profile,
    known_space,
    read_profile,
)

DISPLAY = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
CUBE = np.stack(np.meshgrid(*[np.arange(0, 256, 5)] * 3), -1).reshape(52, -1, 3).astype(np.uint8)


def profile_of(data: bytes) -> ImageCms.ImageCmsProfile:
    return ImageCms.ImageCmsProfile(io.BytesIO(data))


def through(source: bytes, target: object, intent: int = 1) -> np.ndarray:
    """All colours of a cube from one profile to another by littleCMS."""
    transform = ImageCms.buildTransform(
        profile_of(source), target, "RGB", "RGB", renderingIntent=intent
    )
    moved = ImageCms.applyTransform(Image.fromarray(CUBE), transform)
    return np.asarray(moved).astype(int)


def header(data: bytes) -> tuple[bytes, bytes, bytes]:
    return data[12:16], data[16:20], data[20:24]


@pytest.mark.parametrize("intent", [0, 1, 3])
def test_our_srgb_is_littlecmss_srgb(intent: int) -> None:
    found = through(input_profile(SRGB), ImageCms.createProfile("sRGB"), intent)
    assert abs(found - CUBE).max() <= 1


@pytest.mark.parametrize("encoding", [SRGB, ADOBE_RGB, DISPLAY_P3])
def test_profiles_are_of_an_input_device_and_the_same_for_ever(encoding: object) -> None:
    made = input_profile(encoding)  # type: ignore[arg-type]
    # PS3.3 C.11.15.1.1: class scnr, data space RGB, connection space XYZ or Lab.
    assert header(made) == (b"scnr", b"RGB ", b"XYZ ")
    assert len(made) == struct.unpack(">I", made[:4])[0] and len(made) % 4 == 0
    assert made == input_profile(encoding)  # type: ignore[arg-type]
    opened = profile_of(made).profile
    assert opened.device_class == "scnr" and opened.version == 2.4
    assert opened.profile_description == encoding.name  # type: ignore[attr-defined]


def test_the_bytes_of_the_srgb_profile_do_not_change() -> None:
    # A change of these bytes changes every object that is written.
    digest = hashlib.sha256(input_profile(SRGB)).hexdigest()
    assert digest[:16] == "fa21fc518f17bf76"


def test_primaries_are_those_that_are_published_for_d50() -> None:
    # sRGB adapted to D50 by Bradford: ICC's sRGB v2 profiles (from memory, 4 digits).
    assert np.array(columns(SRGB)) == pytest.approx(
        np.array(((0.4361, 0.2225, 0.0139), (0.3851, 0.7169, 0.0971), (0.1431, 0.0606, 0.7141))),
        abs=3e-4,
    )
    # Adobe RGB (1998) colour image encoding, 4.3.5.3: the ICC profile's XYZ.
    assert np.array(columns(ADOBE_RGB)) == pytest.approx(
        np.array(
            ((0.60974, 0.31111, 0.01947), (0.20528, 0.62567, 0.06087), (0.14919, 0.06322, 0.74457))
        ),
        abs=3e-4,
    )
    for encoding in (SRGB, ADOBE_RGB, DISPLAY_P3):
        white = np.array(columns(encoding)).sum(axis=0)
        assert white == pytest.approx((0.9642, 1.0, 0.8249), abs=2e-4)  # ICC.1 D50


def test_adobe_rgb_is_decoded_by_its_published_numbers() -> None:
    # Adobe RGB (1998), 4.3.4: exponent 563/256; matrix from XYZ (D65) by IEC 61966-2-1.
    to_xyz = np.array(
        ((0.57667, 0.18556, 0.18823), (0.29734, 0.62736, 0.07529), (0.02703, 0.07069, 0.99134))
    )
    to_srgb = np.array(
        ((3.2406, -1.5372, -0.4986), (-0.9689, 1.8758, 0.0415), (0.0557, -0.2040, 1.0570))
    )
    linear = (CUBE / 255.0) ** (563 / 256) @ to_xyz.T @ to_srgb.T
    inside = ((linear > 0.001) & (linear < 0.999)).all(axis=2)
    clipped = linear.clip(0, 1)
    curved = np.where(clipped <= 0.0031308, clipped * 12.92, 1.055 * clipped ** (1 / 2.4) - 0.055)
    found = through(input_profile(ADOBE_RGB), ImageCms.createProfile("sRGB"))
    assert inside.sum() > 50_000
    assert abs(found - curved * 255)[inside].max() < 1.6


def test_a_display_profile_in_any_container_becomes_an_input_profile() -> None:
    for data in (
        saved(smooth(), "JPEG", icc_profile=DISPLAY),
        saved(noise(), "PNG", icc_profile=DISPLAY),
        saved(noise(), "WEBP", icc_profile=DISPLAY, lossless=True),
        saved(noise(), "TIFF", icc_profile=DISPLAY),
        heic(smooth(), icc_profile=DISPLAY),
    ):
        colour = read(data).colour
        assert colour.origin == "embedded" and colour.color_space == "SRGB"
        assert colour.embedded == DISPLAY
        assert colour.icc is not None and header(colour.icc)[0] == b"scnr"
        # Nothing but class and profile ID differ.
        assert colour.icc[:12] + colour.icc[16:84] + colour.icc[100:] == (
            DISPLAY[:12] + DISPLAY[16:84] + DISPLAY[100:]
        )
        assert colour.icc[84:100] == bytes(16)
        found = through(colour.icc, ImageCms.createProfile("sRGB"))
        assert abs(found - CUBE).max() <= 1


def test_an_input_profile_is_carried_byte_for_byte() -> None:
    mine = input_profile(ADOBE_RGB)
    photo = read(saved(smooth(), "JPEG", icc_profile=mine))
    assert photo.colour == ColourClaim(mine, "ADOBERGB", 3, "embedded", mine)


def test_numbers_and_not_names_tell_the_colour_space() -> None:
    name = profile_of(DISPLAY).profile.profile_description
    renamed = DISPLAY.replace(name.encode("utf-16-be"), ("X" * len(name)).encode("utf-16-be"))
    assert renamed != DISPLAY
    assert known_space(read_profile(DISPLAY)) == "SRGB"
    assert known_space(read_profile(renamed)) == "SRGB"
    assert known_space(read_profile(input_profile(ADOBE_RGB))) == "ADOBERGB"
    assert known_space(read_profile(input_profile(DISPLAY_P3))) is None


def altered(place: int, content: bytes) -> bytes:
    return DISPLAY[:place] + content + DISPLAY[place + len(content) :]


@pytest.mark.parametrize(
    ("profile", "words"),
    [
        (altered(12, b"prtr"), "class 'prtr'"),
        (altered(16, b"CMYK"), "for 'CMYK' and not for RGB"),
        (altered(16, b"Lab "), "for 'Lab' and not for RGB"),
        (altered(20, b"CMYK"), "neither XYZ nor Lab"),
        (DISPLAY.replace(b"rTRC", b"xTRC"), "neither a matrix"),
    ],
)
def test_a_profile_that_describes_no_camera_picture_is_refused_and_none_is_made_up(
    profile: bytes, words: str
) -> None:
    photo = read(saved(smooth(), "JPEG", icc_profile=profile))
    assert words in notes(photo)
    assert photo.colour.icc is None and photo.colour.color_space is None
    assert photo.colour.embedded == profile


@pytest.mark.parametrize(
    "profile", [b"rubbish" * 100, DISPLAY[:200], altered(36, b"xxxx"), altered(128, b"\xff" * 4)]
)
def test_a_damaged_profile_is_left_out_with_a_note(profile: bytes) -> None:
    photo = read(saved(smooth(), "JPEG", icc_profile=profile))
    assert "ICC profile" in notes(photo) and "left out" in notes(photo)
    assert photo.colour.origin == "assumed" and photo.colour.color_space == "SRGB"


@pytest.mark.parametrize("tail", [b"\1\2\3\4", bytes(5000), DISPLAY])
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_profile_is_used_without_what_stands_behind_it(kind: str, tail: bytes) -> None:
    plain = read(saved(smooth(), kind, icc_profile=DISPLAY))
    photo = read(saved(smooth(), kind, icc_profile=DISPLAY + tail))

    assert photo.colour == plain.colour and photo.colour.embedded == DISPLAY
    assert f"{len(tail)} bytes behind the ICC profile's {len(DISPLAY)}" in notes(photo)


def test_a_profile_padded_to_four_bytes_is_no_remark() -> None:
    assert "behind" not in notes(read(saved(smooth(), "JPEG", icc_profile=DISPLAY + bytes(3))))


def test_a_profile_that_decompresses_without_end_is_left_out() -> None:
    bomb = b"x\0\0" + zlib.compress(bytes(50_000_000), 9)
    photo = read(pictures.with_chunk(saved(noise(), "PNG"), b"iCCP", bomb))
    assert "left out" in notes(photo)
    assert photo.colour.icc == input_profile(SRGB)


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_mutated_profiles_never_raise(choice: st.DataObject) -> None:
    profile = bytearray(DISPLAY)
    for _ in range(choice.draw(st.integers(1, 10))):
        profile[choice.draw(st.integers(0, len(profile) - 1))] = choice.draw(st.integers(0, 255))
    claim, problems = colour_of(bytes(profile), None, 3, Limits())
    assert claim.icc is None or header(claim.icc)[:2] == (b"scnr", b"RGB ")
    assert all("\n" not in str(p) for p in problems)


def claimed(colour_space: int | None, index: bytes | None = None) -> CameraFile:
    exif = {} if colour_space is None else {40961: colour_space}
    block = exif_block(exif=exif, interop={1: index} if index else None)
    return read(saved(smooth(), "JPEG", exif=block))


def test_claims_in_exif_make_a_profile() -> None:
    # EXIF 2.32 tag 40961: 1 is sRGB; DCF 2.0: R03 is Adobe RGB.
    srgb, adobe = claimed(1), claimed(65535, b"R03")
    assert (srgb.colour.color_space, srgb.colour.origin) == ("SRGB", "claimed")
    assert srgb.colour.icc == input_profile(SRGB)
    assert (adobe.colour.color_space, adobe.colour.origin) == ("ADOBERGB", "claimed")
    assert adobe.colour.icc == input_profile(ADOBE_RGB)
    assert "sRGB" not in notes(srgb) + notes(adobe)


def test_not_srgb_without_saying_what_gets_no_profile() -> None:
    photo = claimed(65535, b"R98")
    assert photo.colour == ColourClaim(None, None, 3)
    assert "not what they are" in notes(photo)


def test_silence_is_taken_for_srgb_and_the_note_says_that_it_is_assumed() -> None:
    photo = claimed(None)
    assert (photo.colour.color_space, photo.colour.origin) == ("SRGB", "assumed")
    assert "sRGB is assumed" in notes(photo)


def test_grey_pictures_have_no_colours() -> None:
    grey = np.ascontiguousarray(smooth()[..., 0])
    for data in (saved(grey, "JPEG"), saved(grey, "PNG"), tiff(grey, photometric="minisblack")):
        photo = read(data)
        assert photo.colour == ColourClaim(None, None, 1)
        assert "assumed" not in notes(photo)


def test_a_pngs_own_chunks_make_a_profile() -> None:
    plain = saved(noise(), "PNG")

    def colour(*chunks: tuple[bytes, bytes]) -> ColourClaim:
        data = plain
        for kind, content in chunks:
            data = pictures.with_chunk(data, kind, content)
        return read(data).colour

    gamma = struct.pack(">I", 45_455)
    # W3C PNG 11.3.2.1: chromaticities of sRGB times 100,000.
    corners = struct.pack(">8I", 31270, 32900, 64000, 33000, 30000, 60000, 15000, 6000)
    for chunks in (
        ((b"sRGB", b"\0"),),
        ((b"gAMA", gamma),),
        ((b"gAMA", gamma), (b"cHRM", corners)),
    ):
        assert colour(*chunks).color_space == "SRGB"
        assert colour(*chunks).origin == "claimed"
    assert colour((b"cICP", bytes((1, 13, 0, 1)))).color_space == "SRGB"
    wide = colour((b"cICP", bytes((12, 13, 0, 1))))
    assert wide.color_space is None and wide.icc == input_profile(DISPLAY_P3)
    linear = colour((b"gAMA", struct.pack(">I", 100_000)))
    assert linear.color_space is None and linear.icc is not None
    found = through(linear.icc, ImageCms.createProfile("sRGB"))
    # The curve of IEC 61966-2-1 for the linear value 55 / 255.
    grey = found[(CUBE == 55).all(axis=2)]
    assert abs(grey - 255 * (1.055 * (55 / 255) ** (1 / 2.4) - 0.055)).max() <= 1.5
    degenerate = struct.pack(">8I", 31270, 32900, *(30000, 30000) * 3)
    assert colour((b"gAMA", gamma), (b"cHRM", degenerate)).origin == "assumed"


def test_coded_colours_follow_their_code_points() -> None:
    # ITU-T H.273 Tables 2 and 3. Primaries: 1 BT.709, 12 P3 with D65, 9 BT.2020;
    # transfer: 13 sRGB, 16 PQ; 2 is unspecified in both.
    assert coded_statement(2, 2, "x") is None
    for primaries, transfer, encoding in (
        (1, 13, SRGB),
        (1, 1, SRGB),
        (12, 13, DISPLAY_P3),
        (9, 16, None),
        (9, 13, None),
    ):
        stated = coded_statement(primaries, transfer, "x")
        assert stated is not None and stated.encoding == encoding


def test_the_class_is_all_that_changes_and_a_second_change_changes_nothing() -> None:
    once = as_input_device(DISPLAY)
    assert as_input_device(once) == once
    assert profile_of(once).profile.device_class == "scnr"
