"""Small pictures for a screen, against Pillow's decoding at full size."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image, ImageCms

from archiver.errors import PhotoError
from archiver.photo.camera_reader import read_camera_bytes
from archiver.photo.small_picture import thumbnail


def picture(columns: int = 1200, rows: int = 800, mode: str = "RGB") -> Image.Image:
    """Return soft shapes, so that any honest reduction looks alike."""
    rng = np.random.default_rng(7)
    coarse = rng.integers(30, 225, (9, 13, 3), dtype=np.uint8)
    shapes = Image.fromarray(coarse).resize((columns, rows), Image.Resampling.BICUBIC)
    return shapes.convert(mode)


def encoded(image: Image.Image, kind: str = "JPEG", **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def opened(octets: bytes) -> Image.Image:
    return Image.open(io.BytesIO(octets))


@pytest.mark.parametrize("longer", [150, 360, 700, 1199])
@pytest.mark.parametrize("mode", ["RGB", "L"])
def test_a_small_picture_is_the_picture_made_small(longer: int, mode: str) -> None:
    source = picture(mode=mode)
    photo = read_camera_bytes(encoded(source, quality=92), "a.jpg")
    small = opened(thumbnail(photo, longer))
    assert max(small.size) == longer
    wanted = source.resize(small.size, Image.Resampling.LANCZOS)
    apart = np.asarray(small, np.int16) - np.asarray(wanted, np.int16)
    assert np.abs(apart).mean() < 3


@pytest.mark.parametrize("options", [{"progressive": True}, {"subsampling": "4:2:2"}], ids=str)
def test_any_jpeg_that_is_taken_can_be_made_small(options: dict[str, object]) -> None:
    photo = read_camera_bytes(encoded(picture(), quality=92, **options), "a.jpg")
    assert opened(thumbnail(photo, 360)).size == (360, 240)


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "BMP", "WEBP"])
def test_what_is_no_jpeg_can_be_made_small(kind: str) -> None:
    photo = read_camera_bytes(encoded(picture(), kind), f"a.{kind.lower()}")
    assert opened(thumbnail(photo, 360)).size == (360, 240)


def test_a_picture_is_never_enlarged() -> None:
    photo = read_camera_bytes(encoded(picture(100, 60)), "a.jpg")
    assert opened(thumbnail(photo, 360)).size == (100, 60)


def test_the_small_picture_lies_as_the_pixels_are_stored() -> None:
    exif = Image.Exif()
    exif[274] = 6
    photo = read_camera_bytes(encoded(picture(), exif=exif), "a.jpg")
    assert photo.exif_orientation == 6
    small = opened(thumbnail(photo, 360))
    assert small.size == (360, 240)
    assert 274 not in small.getexif()


def test_the_profile_of_the_picture_goes_along() -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    photo = read_camera_bytes(encoded(picture(), icc_profile=profile), "a.jpg")
    assert opened(thumbnail(photo, 360)).info["icc_profile"] == profile


def test_a_damaged_picture_is_refused_instead_of_shown_grey() -> None:
    octets = bytearray(encoded(picture(), quality=92))
    middle = len(octets) // 2
    octets[middle : middle + 4000] = bytes(4000)
    with pytest.raises(PhotoError):
        thumbnail(read_camera_bytes(bytes(octets), "a.jpg"), 360)
