"""Colours against published numbers and against `colour-science`."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib import colormaps
from PIL import Image, ImageCms

from archiver.colour import colours
from archiver.colour.colours import White, difference, lab, space_of
from archiver.photo import icc
from archiver.sheets import plates

_TABLE = Path(__file__).parent / "ciede2000.csv"
#: G. Sharma, W. Wu, E. N. Dalal, Color Res Appl 30:21-30, 2005, Table 1, as the test data of
#: colour-science 0.4.7 have it (its pair 14, which it leaves out as sensitive to rounding, too).
PAIRS = [
    [float(v) for v in row] for row in list(csv.reader(_TABLE.read_text("ascii").splitlines()))[1:]
]
SRGB = space_of(icc.input_profile(icc.SRGB))
ADOBE = space_of(icc.input_profile(icc.ADOBE_RGB))
LAB = st.tuples(st.floats(0, 100), st.floats(-110, 110), st.floats(-110, 110))


def test_there_are_all_thirty_four_pairs() -> None:
    assert len(PAIRS) == 34


@pytest.mark.parametrize("row", PAIRS, ids=[str(n) for n in range(1, 35)])
def test_a_published_pair_has_its_difference_to_four_decimals(row: list[float]) -> None:
    one, other = np.array(row[:3]), np.array(row[3:6])

    assert round(float(difference(one, other)), 4) == row[6]
    assert round(float(difference(other, one)), 4) == row[6]


@given(LAB, LAB)
@settings(max_examples=300, deadline=None)
def test_the_difference_is_that_of_colour_science(
    one: tuple[float, float, float], other: tuple[float, float, float]
) -> None:
    theirs = colour.difference.delta_E_CIE2000(np.array(one), np.array(other))
    mine = float(difference(np.array(one), np.array(other)))

    # Where hues are opposite both answers are of the formula; rounding decides which.
    hues = [np.degrees(np.arctan2(b, a)) % 360 for _, a, b in (one, other)]
    if abs(abs(hues[0] - hues[1]) - 180) > 3:
        assert mine == pytest.approx(float(theirs), abs=1e-6)


# IEC 61966-2-1 matrix, D65: worked out independently; see also colour-science below.
@pytest.mark.parametrize(
    ("rgb", "expected"),
    [
        ((255, 255, 255), (100, 0, 0)),
        ((255, 0, 0), (53.241, 80.092, 67.203)),
        ((0, 255, 0), (87.735, -86.183, 83.179)),
        ((0, 0, 255), (32.297, 79.188, -107.860)),
        ((118, 118, 118), (49.64, 0, 0)),
        ((119, 119, 119), (50.03, 0, 0)),
        ((128, 128, 128), (53.59, 0, 0)),
    ],
)
def test_worked_values_of_srgb(
    rgb: tuple[int, int, int], expected: tuple[float, float, float]
) -> None:
    assert lab(np.array(rgb, np.uint8), SRGB) == pytest.approx(expected, abs=0.06)


@pytest.mark.parametrize("rgb", [(231, 214, 182), (180, 60, 70), (20, 200, 90), (9, 8, 7)])
def test_both_whites_agree_with_colour_science(rgb: tuple[int, int, int]) -> None:
    xyz = colour.sRGB_to_XYZ(np.array(rgb) / 255)
    illuminants = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]
    d65, d50 = illuminants["D65"], illuminants["D50"]
    adapted = colour.adaptation.chromatic_adaptation_VonKries(
        xyz, colour.xy_to_XYZ(d65), colour.xy_to_XYZ(d50), transform="Bradford"
    )

    for white, expected in (
        (White.D65, colour.XYZ_to_Lab(xyz, d65)),
        (White.D50, colour.XYZ_to_Lab(adapted, d50)),
    ):
        assert lab(np.array(rgb, np.uint8), SRGB, white) == pytest.approx(expected, abs=0.05)


def twins() -> tuple[np.ndarray, np.ndarray]:
    """A picture of tooth and gum colours in sRGB, and LittleCMS's conversion to Adobe RGB."""
    rng = np.random.default_rng(8)
    base = np.array([[231, 214, 182], [242, 230, 205], [196, 120, 116], [150, 145, 140]])
    pixels = base[rng.integers(0, 4, (40, 60))] + rng.integers(-12, 13, (40, 60, 3))
    srgb = pixels.clip(0, 255).astype(np.uint8)
    source, target = (
        ImageCms.ImageCmsProfile(io.BytesIO(icc.input_profile(encoding)))
        for encoding in (icc.SRGB, icc.ADOBE_RGB)
    )
    made = ImageCms.profileToProfile(Image.fromarray(srgb), source, target, outputMode="RGB")
    assert made is not None
    return srgb, np.asarray(made)


def test_an_adobe_rgb_picture_and_its_srgb_twin_have_one_colour() -> None:
    srgb, adobe = twins()

    apart = difference(lab(srgb, SRGB), lab(adobe, ADOBE))

    assert ADOBE.stated == "Adobe RGB (1998)"
    means = [lab(*one).reshape(-1, 3).mean(axis=0) for one in ((srgb, SRGB), (adobe, ADOBE))]
    assert float(difference(*means)) < 0.05
    assert np.percentile(apart, 90) < 0.5  # of single pixels, rounded to 8 bits twice
    assert difference(lab(srgb, SRGB), lab(adobe, SRGB)).mean() > 2  # the profile matters


def test_both_twins_look_the_same_on_a_screen() -> None:
    srgb, adobe = twins()

    shown = colours.as_srgb(adobe, ADOBE)

    assert np.abs(shown.astype(int) - srgb).max() <= 2


def test_any_other_profile_is_followed_too() -> None:
    srgb, _ = twins()
    space = space_of(icc.input_profile(icc.DISPLAY_P3))
    source, target = (
        ImageCms.ImageCmsProfile(io.BytesIO(icc.input_profile(encoding)))
        for encoding in (icc.SRGB, icc.DISPLAY_P3)
    )
    made = ImageCms.profileToProfile(Image.fromarray(srgb), source, target, outputMode="RGB")
    assert made is not None

    assert space.characterised and space.profile is not None
    assert difference(lab(srgb, SRGB), lab(np.asarray(made), space)).mean() < 0.5


@pytest.mark.parametrize("profile", [None, b"", b"no profile at all"])
def test_what_is_not_characterised_is_called_so(profile: bytes | None) -> None:
    space = space_of(profile)

    assert not space.characterised
    assert "sRGB assumed" in space.stated


def test_a_grey_card_is_made_neutral_and_keeps_its_lightness() -> None:
    patch = np.full((10, 10, 3), (140, 128, 110), np.uint8)

    gain = colours.neutral_gain(patch, SRGB)
    before, after = lab(patch[0, 0], SRGB), lab(patch[0, 0], SRGB, gain=gain)

    assert after[1:] == pytest.approx((0, 0), abs=0.05)
    assert after[0] == pytest.approx(before[0], abs=0.2)


def test_light_that_changed_by_a_factor_is_matched() -> None:
    rng = np.random.default_rng(2)
    linear = rng.uniform(0.05, 0.5, (4000, 3))
    factor = np.array([1.3, 1.1, 0.8])

    def encoded(values: np.ndarray) -> np.ndarray:
        return np.round(255 * colour.models.eotf_inverse_sRGB(values)).astype(np.uint8)

    found = colours.gain_between(encoded(linear), encoded(linear * factor), (SRGB, SRGB))

    assert found == pytest.approx(factor, rel=0.03)


def test_the_map_is_matplotlibs_and_reads_in_grey() -> None:
    table = plates.colour_map()
    theirs = np.round(colormaps["cividis"](np.arange(256))[:, :3] * 255)

    assert np.array_equal(table, theirs)
    lightness = lab(table, SRGB)[:, 0]
    assert (np.diff(lightness) > -0.5).all() and lightness[-1] - lightness[0] > 70
