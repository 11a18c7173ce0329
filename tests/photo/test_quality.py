"""Every quality figure follows its ladder of degradations, and only warns."""

from __future__ import annotations

import dataclasses
import functools
import io
import itertools
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from photo_pictures import read, saved
from PIL import Image, ImageCms, ImageDraw, ImageFilter

from archiver.photo.encoding import sample_tiles
from archiver.photo.focus import edge_blur
from archiver.photo.quality import UNITS, QualityFigures, QualityLimits, judge, measure, tiles_of
from archiver.photo.turning import Box, tile_boxes

SIDE = 900
BOXES = tile_boxes(Box(0, 0, SIDE, SIDE))


@functools.lru_cache(maxsize=8)
def scene(seed: int = 0) -> np.ndarray:
    """Overlapping ellipses in the colours of teeth and gums on a dark ground, with some shading."""
    random = np.random.default_rng(seed)
    # Drawn twice as large, so that its edges are as sharp as pixels can tell.
    picture = Image.new("RGB", (2 * SIDE, 2 * SIDE), (95, 50, 48))
    draw = ImageDraw.Draw(picture)
    for _ in range(70):
        x, y = random.integers(0, 2 * SIDE, 2)
        width, height = random.integers(60, 320, 2)
        tooth = random.random() < 0.6
        base = np.array((205, 190, 160)) if tooth else np.array((165, 85, 85))
        colour = tuple(int(v) for v in base - random.integers(0, 45))
        draw.ellipse((x, y, x + width, y + height), fill=colour)
    small = np.asarray(picture.resize((SIDE, SIDE), Image.Resampling.BOX)).astype(float)
    y, x = np.mgrid[0:SIDE, 0:SIDE]
    shading = 8 * np.sin(x / 90.0 + seed) * np.cos(y / 120.0)
    return (small + shading[..., np.newaxis]).clip(0, 255).round().astype(np.uint8)


@functools.lru_cache(maxsize=64)
def soft_tiles(seed: int, sigma: float) -> tuple[np.ndarray, ...]:
    """The tiles of a blurred scene, green alone: what focus is judged by."""
    soft = blurred(scene(seed), sigma)[..., 1]
    return tuple(np.ascontiguousarray(tile) for tile in tiles_of(soft, BOXES))


def blurred(pixels: np.ndarray, sigma: float) -> np.ndarray:
    return np.asarray(Image.fromarray(pixels).filter(ImageFilter.GaussianBlur(sigma)))


def noisy(pixels: np.ndarray, strength: float, seed: int = 1) -> np.ndarray:
    random = np.random.default_rng(seed)
    moved = pixels + strength * random.standard_normal(pixels.shape, dtype=np.float32)
    return moved.clip(0, 255).round().astype(np.uint8)


def scaled(pixels: np.ndarray, *factors: float) -> np.ndarray:
    return (pixels * np.array(factors)).clip(0, 255).round().astype(np.uint8)


def figures(pixels: np.ndarray) -> QualityFigures:
    return measure(tiles_of(pixels, BOXES), SIDE)


def blur_of(pixels: np.ndarray) -> float:
    found = edge_blur(tiles_of(pixels, BOXES))
    assert found is not None
    return found


def rises(values: list[float]) -> bool:
    return all(a < b for a, b in itertools.pairwise(values))


BLURS = (0, 0.7, 1, 1.5, 2, 3, 4, 6, 8, 12)


@pytest.mark.parametrize("seed", range(4))
def test_blur_rises_with_every_step_of_a_blur_ladder(seed: int) -> None:
    assert rises([blur_of(blurred(scene(seed), sigma)) for sigma in BLURS])


@pytest.mark.parametrize("strength", [3, 8, 15])
@pytest.mark.parametrize("seed", range(3))
def test_noise_does_not_pass_for_focus(seed: int, strength: float) -> None:
    ladder = []
    for sigma in BLURS:
        tiles = soft_tiles(seed, sigma)
        clean, found = edge_blur(tiles), edge_blur([noisy(tile, strength) for tile in tiles])
        assert clean is not None and found is not None
        if sigma <= 6:
            assert found == pytest.approx(clean, rel=0.15)
        ladder.append(found)
    assert rises(ladder)


@pytest.mark.parametrize("sigma", [3, 4, 6, 8])
def test_the_blur_of_a_straight_edge_is_right_to_a_sixth(sigma: float) -> None:
    y, x = np.mgrid[0:SIDE, 0:SIDE]
    edge = (60 + 120 * ((x + 0.21 * y) % 400 > 200)).astype(np.uint8)
    # By convolution in the frequency domain: Pillow's blur is only near a Gaussian.
    waves = np.fft.rfft2(edge.astype(float))
    fy, fx = np.fft.fftfreq(SIDE)[:, None], np.fft.rfftfreq(SIDE)[None]
    kernel = np.exp(-2 * (np.pi * sigma) ** 2 * (fx**2 + fy**2))
    soft = np.fft.irfft2(waves * kernel, s=edge.shape).round().clip(0, 255).astype(np.uint8)
    assert blur_of(soft) == pytest.approx(sigma, rel=1 / 6)


def test_blur_does_not_depend_on_contrast_or_exposure() -> None:
    soft = blurred(scene(), 3)
    wanted = blur_of(soft)
    flat = (128 + (soft.astype(float) - 128) * 0.4).round().astype(np.uint8)
    for same in (flat, scaled(soft, 0.5, 0.5, 0.5), 255 - soft, soft[..., ::-1].copy()):
        assert blur_of(same) == pytest.approx(wanted, rel=0.12)


def test_without_edges_focus_is_not_judged() -> None:
    flat = np.full((SIDE, SIDE, 3), 128, np.uint8)
    for picture in (flat, noisy(flat, 10)):
        found = figures(picture)
        assert found.blur is None
        assert any("no edges" in str(p) for p in judge(found, QualityLimits()))
    assert edge_blur([np.zeros((20, 20, 3), np.uint8)]) is None


@pytest.mark.parametrize("seed", range(3))
def test_lightness_rises_with_exposure(seed: int) -> None:
    ladder = [scaled(scene(seed), *(f,) * 3) for f in (0.2, 0.4, 0.6, 0.8, 1.0, 1.2, 1.5, 2.0)]
    assert rises([figures(step).lightness for step in ladder])


def test_clipped_highlights_rise_with_over_exposure_and_shadows_with_black() -> None:
    bright = [figures(scaled(scene(), f, f, f)).highlights for f in (1.0, 1.4, 1.6, 1.9, 2.5, 6)]
    assert bright[0] == 0 and rises(bright) and bright[-1] > 0.9
    y = np.arange(SIDE)[:, np.newaxis, np.newaxis]
    dark = [
        figures(np.where(y < share * SIDE, 0, scene())).shadows
        for share in (0, 0.2, 0.4, 0.6, 0.8, 1)
    ]
    assert dark[0] == 0 and rises(dark) and dark[-1] == 1


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("channel", [0, 1, 2])
def test_the_cast_follows_every_channel(seed: int, channel: int) -> None:
    # Red raises a*, green lowers it, blue lowers b* (ISO/CIE 11664-4).
    values = []
    for factor in (0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2):
        factors = [1.0, 1.0, 1.0]
        factors[channel] = factor
        found = figures(scaled(scene(seed), *factors))
        assert found.cast_a is not None and found.cast_b is not None
        values.append(found.cast_b if channel == 2 else found.cast_a)
    assert rises(values if channel == 0 else values[::-1])


def test_glare_rises_with_the_area_of_reflections() -> None:
    ladder = []
    for count in (0, 20, 60, 120, 240):
        picture = Image.fromarray(scene())
        draw = ImageDraw.Draw(picture)
        random = np.random.default_rng(5)
        for x, y in random.integers(0, SIDE, (count, 2)):
            draw.ellipse((x, y, x + 25, y + 18), fill=(255, 255, 252))
        ladder.append(figures(np.asarray(picture)).glare)
    assert ladder[0] == 0 and rises(ladder)


def test_yellow_overexposed_enamel_is_clipped_but_no_glare() -> None:
    enamel = np.full((SIDE, SIDE, 3), (255, 240, 180), np.uint8)
    found = figures(enamel)
    assert found.highlights == 1 and found.glare == 0


def test_colours_agree_with_littlecms() -> None:
    random = np.random.default_rng(3)
    for colour in random.integers(50, 200, (12, 1)) + random.integers(-30, 31, (12, 3)):
        tile = np.broadcast_to(colour.astype(np.uint8), (64, 64, 3))
        to_lab = ImageCms.buildTransform(
            ImageCms.createProfile("sRGB"), ImageCms.createProfile("LAB"), "RGB", "LAB"
        )
        lab = ImageCms.applyTransform(Image.fromarray(np.ascontiguousarray(tile)), to_lab)
        # Pillow's LAB: L* times 255/100, a* and b* as signed bytes.
        lightness, a, b = np.asarray(lab)[0, 0].astype(int)
        found = measure([tile], 64)
        assert found.lightness == pytest.approx(lightness / 2.55, abs=2)
        # littleCMS adapts to D50, ours stays with D65: up to 3 apart in such colours.
        assert found.cast_a == pytest.approx(a - 256 if a > 127 else a, abs=3.5)
        assert found.cast_b == pytest.approx(b - 256 if b > 127 else b, abs=3.5)


def test_grey_pictures_have_no_cast() -> None:
    found = figures(np.ascontiguousarray(scene()[..., 1]))
    assert found.cast_a is None and found.cast_b is None
    assert found.blur == pytest.approx(figures(scene()).blur)


def test_a_good_picture_has_no_warnings_and_each_fault_has_its_own() -> None:
    limits = QualityLimits()
    good = noisy(scene(), 2)
    assert judge(figures(good), limits) == ()
    white = np.array(good)
    white[200:700, 200:700] = 255
    faults = (
        (blurred(good, 9), "soft"),
        (scaled(good, 0.12, 0.12, 0.12), "dark"),
        ((190 + 0.2 * good).astype(np.uint8), "bright"),
        (scaled(good, 1.6, 1.6, 1.6), "highlights"),
        (white, "glare"),
        (scaled(good, 0.6, 0.8, 1.2), "bluish"),
        (scaled(good, 1.2, 0.75, 0.9), "reddish"),
        (scaled(good, 0, 0, 0), "shadows"),
    )
    for picture, words in faults:
        found = " / ".join(str(p) for p in judge(figures(picture), limits))
        assert words in found, (words, found, figures(picture))


def test_limits_are_configurable() -> None:
    found = figures(scene())
    strict = QualityLimits(lightness=(99, 100), blur=0, blur_share=0, cast_a=(50, 60))
    assert len(judge(found, strict)) == 3
    assert judge(found, QualityLimits(lightness=(0, 100))) == ()


def test_every_figure_has_a_unit() -> None:
    assert set(UNITS) == {field.name for field in dataclasses.fields(QualityFigures)}


def test_tiles_cut_from_a_jpeg_give_the_figures_of_the_whole_picture() -> None:
    photo = read(saved(noisy(blurred(scene(), 2), 2), "JPEG", quality=92))
    region = Box(100, 100, 700, 700)
    cut = [tile.pixels for tile in sample_tiles(photo, tile_boxes(region))]
    found = measure(cut, 700)
    whole = np.asarray(Image.open(io.BytesIO(photo.data)))
    wanted = measure([whole[100:800, 100:800]], 700)
    assert found.blur == pytest.approx(wanted.blur, rel=0.2)
    assert found.lightness == pytest.approx(wanted.lightness, abs=4)


@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 120), st.integers(1, 120), st.integers(0, 2**31)), min_size=1)
)
def test_any_tiles_can_be_measured(shapes: list[tuple[int, int, int]]) -> None:
    tiles = [
        np.random.default_rng(seed).integers(0, 256, (rows, columns, 3), dtype=np.uint8)
        for rows, columns, seed in shapes[:4]
    ]
    found = measure(tiles, 100)
    assert 0 <= found.highlights <= 1 and 0 <= found.glare <= found.highlights + 1
    assert 0 <= found.lightness <= 100
    judge(found, QualityLimits())


def test_nothing_to_measure_is_an_error() -> None:
    with pytest.raises(ValueError, match="no tiles"):
        measure([np.zeros((0, 0, 3), np.uint8)], 100)


def test_nine_tiles_are_measured_in_a_few_milliseconds() -> None:
    tiles = [np.ascontiguousarray(tile) for tile in tiles_of(scene(), BOXES)]
    assert [tile.shape for tile in tiles] == [(256, 256, 3)] * 9
    times = []
    for _ in range(15):
        start = time.process_time()
        measure(tiles, SIDE)
        times.append(time.process_time() - start)
    assert min(times) < 0.015
