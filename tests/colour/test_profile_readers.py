"""A profile made from a chart means the same to LittleCMS, colour-science and Chromium."""

from __future__ import annotations

import base64
import io

import colour
import numpy as np
import pytest
from PIL import Image, ImageCms
from playwright.sync_api import Browser
from simulated_camera import PLAIN, Pixels, chart_scene, developed, pixels_of, tooth_levels

from archiver.colour.characterisation import characterise_picture
from archiver.photo import icc

CAMERA = PLAIN[1]


@pytest.fixture(scope="module")
def profile() -> bytes:
    made = characterise_picture(pixels_of(developed(CAMERA, chart_scene(CAMERA, 20))))
    return made.profile("from a 24-patch chart")


@pytest.fixture(scope="module")
def fields() -> Pixels:
    """Tooth colours and greys as one row of pixels."""
    greys = np.repeat(np.array([20, 60, 110, 160, 200])[:, None], 3, axis=1)
    return np.concatenate([np.round(tooth_levels(CAMERA)), greys]).astype(np.uint8)[None]


def by_colour_science(pixels: Pixels, profile: bytes) -> Pixels:
    read, curves = icc.read_profile(profile), icc.curves_of(profile)
    assert read.columns is not None and curves is not None
    at = np.arange(256)
    linear = np.stack([np.interp(pixels[..., n], at, curves[n]) for n in range(3)], axis=-1)
    srgb = colour.XYZ_to_sRGB(
        linear @ np.array(read.columns),
        colour.XYZ_to_xy(np.array(icc.D50)),
        chromatic_adaptation_transform="Bradford",
    )
    return np.round(np.clip(srgb, 0, 1) * 255).astype(np.uint8)


def by_littlecms(pixels: Pixels, profile: bytes) -> Pixels:
    transform = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(profile)), ImageCms.createProfile("sRGB"), "RGB", "RGB"
    )
    made = ImageCms.applyTransform(Image.fromarray(pixels), transform)
    assert made is not None
    return np.asarray(made)


_READ_BACK = """async address => {
    const image = new Image();
    image.src = address;
    await image.decode();
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [image.width, image.height];
    const context = canvas.getContext("2d", { colorSpace: "srgb" });
    context.drawImage(image, 0, 0);
    return Array.from(context.getImageData(0, 0, image.width, image.height).data);
}"""


def by_chromium(pixels: Pixels, profile: bytes, browser: Browser) -> Pixels:
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "PNG", icc_profile=profile)
    page = browser.new_page()
    try:
        address = "data:image/png;base64," + base64.b64encode(out.getvalue()).decode()
        data = page.evaluate(_READ_BACK, address)
    finally:
        page.close()
    return np.array(data, np.uint8).reshape(*pixels.shape[:2], 4)[..., :3]


def test_three_readers_apply_it_alike(profile: bytes, fields: Pixels, browser: Browser) -> None:
    theirs = by_colour_science(fields, profile).astype(int)
    assert np.abs(theirs - fields).max() > 20, "it corrects nothing"
    assert np.abs(by_littlecms(fields, profile) - theirs).max() <= 1
    assert np.abs(by_chromium(fields, profile, browser) - theirs).max() <= 1


def test_it_is_a_matrix_profile_of_an_input_device(profile: bytes) -> None:
    read = icc.read_profile(profile)
    assert (read.device_class, read.data_space, read.connection_space) == (
        b"scnr",
        b"RGB ",
        b"XYZ ",
    )
    assert read.is_matrix and not read.is_table
    assert ImageCms.getProfileDescription(io.BytesIO(profile)).strip() == "from a 24-patch chart"
