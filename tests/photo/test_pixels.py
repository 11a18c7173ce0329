"""Decoding keeps every sample that 8 bits can hold, and the orientation of the stored pixels."""

from __future__ import annotations

import io
import struct
import threading
import warnings
import zlib

import numpy as np
import photo_pictures as pictures
import piexif
import pytest
from hypothesis import given
from hypothesis import strategies as st
from photo_pictures import heic, noise, notes, read, saved, smooth, tiff
from PIL import Image, ImageOps

from archiver.errors import PhotoError
from archiver.photo.heif import decode_heif
from archiver.photo.pixels import decode, reduced, to_eight_bits

RGB16 = noise(bits=16)
GREY16 = noise(samples=1, bits=16)
ALPHA = noise(samples=1)


def rounded(values: np.ndarray) -> np.ndarray:
    """Nearest of 256 levels, by floating point."""
    return np.rint(values / 257).astype(int)


def on_black(colours: np.ndarray, alpha: np.ndarray) -> np.ndarray:
    return np.rint(colours.astype(float) * alpha[..., np.newaxis] / 255).astype(int)


@given(st.integers(0, 65535))
def test_sixteen_bits_are_rounded_to_the_nearest_level(value: int) -> None:
    found = int(to_eight_bits(np.array([[value]], np.uint16))[0, 0])
    assert found == round(value / 257)


TIFFS: dict[str, tuple[np.ndarray, dict[str, object], np.ndarray]] = {
    "tiled": (RGB16, {"photometric": "rgb", "tile": (16, 16)}, rounded(RGB16)),
    "64-bit": (RGB16, {"photometric": "rgb", "bigtiff": True}, rounded(RGB16)),
    "grey 16": (GREY16, {"photometric": "minisblack"}, rounded(GREY16)),
    "grey 16, white is zero": (GREY16, {"photometric": "miniswhite"}, 255 - rounded(GREY16)),
    "grey 8, white is zero": (ALPHA, {"photometric": "miniswhite"}, 255 - ALPHA.astype(int)),
    "bilevel": (ALPHA > 100, {"photometric": "minisblack"}, (ALPHA > 100) * 255),
    "separate planes": (
        noise().transpose(2, 0, 1).copy(),
        {"photometric": "rgb", "planarconfig": "separate"},
        noise(),
    ),
    "palette": (
        ALPHA,
        {
            "photometric": "palette",
            "colormap": np.stack([np.arange(256) * 257, 65535 - np.arange(256) * 257] * 2)[
                :3
            ].astype(np.uint16),
        },
        np.dstack([ALPHA, 255 - ALPHA, ALPHA]),
    ),
    "alpha": (
        np.dstack([noise(), ALPHA]),
        {"photometric": "rgb", "extrasamples": ["unassalpha"]},
        on_black(noise(), ALPHA),
    ),
}


@pytest.mark.parametrize("name", TIFFS)
@pytest.mark.parametrize("order", "<>")
def test_a_tiff_decodes_to_the_pixels_that_tifffile_wrote(name: str, order: str) -> None:
    pixels, options, wanted = TIFFS[name]
    if name == "64-bit" and order == ">":
        with pytest.raises(PhotoError, match="64-bit TIFF of byte order MM"):
            read(tiff(pixels, byteorder=order, **options))
        return
    photo = read(tiff(pixels, byteorder=order, **options))
    found = decode(photo)
    assert found.shape == wanted.shape
    assert (found == wanted).all()
    assert photo.colour.samples == (1 if found.ndim == 2 else 3)


@pytest.mark.parametrize("coding", [None, "lzw", "zlib", "adobe_deflate", "packbits"])
@pytest.mark.parametrize("order", "<>")
@pytest.mark.parametrize("predictor", [None, 2])
def test_sixteen_bit_colour_is_rounded_whatever_the_compression(
    coding: str | None, order: str, predictor: int | None
) -> None:
    if coding not in ("lzw", "zlib"):
        predictor = None
    photo = read(
        tiff(RGB16, photometric="rgb", compression=coding, byteorder=order, predictor=predictor)
    )
    assert (decode(photo) == rounded(RGB16)).all()
    assert "16 bits a sample are rounded to 8" in notes(photo)


def test_sixteen_bit_tiffs_that_cannot_be_rounded_are_refused() -> None:
    data = tiff(RGB16.transpose(2, 0, 1).copy(), photometric="rgb", planarconfig="separate")
    with pytest.raises(PhotoError, match="separate planes"):
        read(data)
    with pytest.raises(PhotoError, match="floating"):
        read(tiff(noise().astype(np.float32), photometric="rgb"))


def _png_16(samples: np.ndarray, colour: int) -> bytes:
    """A PNG of 16 bits, built here because few libraries write every kind."""
    rows, columns = samples.shape[:2]
    lines = b"".join(b"\0" + row.astype(">u2").tobytes() for row in samples)
    header = struct.pack(">IIBBBBB", columns, rows, 16, colour, 0, 0, 0)
    chunk = pictures.png_chunk
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        (chunk(b"IHDR", header), chunk(b"IDAT", zlib.compress(lines)), chunk(b"IEND", b""))
    )


def test_pngs_of_sixteen_bits_are_rounded() -> None:
    alpha16 = noise(samples=1, bits=16)[::-1]
    alpha = rounded(alpha16)
    cases = (
        (RGB16, 2, rounded(RGB16)),
        (GREY16, 0, rounded(GREY16)),
        (np.dstack([RGB16, alpha16]), 6, on_black(rounded(RGB16), alpha)),
        (
            np.dstack([GREY16, alpha16]),
            4,
            on_black(rounded(GREY16)[..., np.newaxis], alpha)[..., 0],
        ),
    )
    for samples, colour, wanted in cases:
        assert (decode(read(_png_16(samples, colour))) == wanted).all(), colour


def test_palettes_single_bits_and_transparency_are_expanded() -> None:
    palette = Image.fromarray(noise()).quantize(64)
    plain = np.asarray(palette.convert("RGB"))
    indices = np.asarray(palette)

    def png(picture: Image.Image, **options: object) -> bytes:
        target = io.BytesIO()
        picture.save(target, "PNG", **options)
        return target.getvalue()

    assert (decode(read(png(palette))) == plain).all()
    clear = png(palette, transparency=b"\0" + b"\xff" * 63)
    assert (decode(read(clear)) == np.where(indices[..., None] == 0, 0, plain)).all()
    assert "what is transparent is stored black" in notes(read(clear))
    bits = png(Image.fromarray(ALPHA > 99))
    assert (decode(read(bits)) == (ALPHA > 99) * 255).all()
    one = png(Image.fromarray(ALPHA), transparency=7)
    assert (decode(read(one)) == np.where(ALPHA == 7, 0, ALPHA)).all()
    both = saved(np.dstack([noise(), ALPHA]), "PNG")
    assert (decode(read(both)) == on_black(noise(), ALPHA)).all()
    opaque = saved(np.dstack([noise(), np.full_like(ALPHA, 255)]), "PNG")
    assert (decode(read(opaque)) == noise()).all()


def test_webp_and_bmp_decode_to_what_was_written() -> None:
    assert (decode(read(saved(noise(), "WEBP", lossless=True))) == noise()).all()
    alpha = saved(np.dstack([noise(), ALPHA]), "WEBP", lossless=True, exact=True)
    assert (decode(read(alpha)) == on_black(noise(), ALPHA)).all()
    assert (decode(read(saved(noise(), "BMP"))) == noise()).all()
    grey = decode(read(saved(ALPHA, "BMP")))
    assert (grey == np.dstack([ALPHA] * 3)).all()


def test_heif_of_eight_and_ten_bits_decodes_to_what_was_written() -> None:
    near = smooth().astype(int)
    assert abs(decode(read(heic(smooth()))).astype(int) - near).max() <= 2
    deep = read(heic(smooth().astype(np.uint16) * 257, "RGB;16"))
    assert abs(decode(deep).astype(int) - near).max() <= 1
    assert "10 bits a sample are rounded to 8" in notes(deep)
    grey = read(heic(np.ascontiguousarray(smooth()[..., 0]), "L"))
    assert decode(grey).ndim == 2 and grey.colour.samples == 1


def test_heif_pixels_outlive_the_decoder() -> None:
    """The decoder's own memory is given to others as soon as it is gone."""
    photo = read(heic(smooth()))
    pixels = decode_heif(photo.data)
    before = pixels.copy()
    others = [np.full(pixels.size, 7, np.uint8) for _ in range(50)]
    assert len(others) == 50 and np.array_equal(pixels, before)
    assert pixels.flags.owndata


def test_jpeg_that_holds_rgb_decodes_to_its_colours() -> None:
    photo = read(saved(smooth(), "JPEG", quality=100, keep_rgb=True))
    assert abs(decode(photo).astype(int) - smooth()).max() <= 3


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_stored_pixels_and_orientation_together_give_what_viewers_show(
    kind: str, orientation: int
) -> None:
    exif = Image.Exif()
    exif[274] = orientation
    data = saved(smooth(), kind, exif=exif, **({"lossless": True} if kind == "WEBP" else {}))
    photo = read(data)
    assert photo.exif_orientation == orientation
    pixels = decode(photo)
    assert pixels.shape == (120, 160, 3)
    # An independent reader: Pillow's own decoding with its own transposition.
    with Image.open(io.BytesIO(data)) as picture:
        shown = np.asarray(ImageOps.exif_transpose(picture).convert("RGB")).astype(int)
    turned = Image.fromarray(pixels)
    turned.getexif()[274] = photo.exif_orientation
    assert abs(np.asarray(ImageOps.exif_transpose(turned)).astype(int) - shown).max() <= 2


def test_an_orientation_in_a_tiffs_xmp_packet_does_not_turn_the_stored_pixels() -> None:
    packet = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf tiff:Orientation="6"/></x:xmpmeta>'
    tags = [(700, "B", len(packet), packet, True)]
    data = tiff(noise(), photometric="rgb", extratags=tags)
    assert (decode(read(data)) == noise()).all()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_heif_is_turned_by_its_decoder_and_nothing_remains_to_be_done(orientation: int) -> None:
    exif = piexif.dump({"0th": {274: orientation}})
    photo = read(heic(smooth(), exif=exif))
    expected = Image.fromarray(smooth())
    expected.getexif()[274] = orientation
    shown = np.asarray(ImageOps.exif_transpose(expected)).astype(int)
    assert photo.exif_orientation == 1
    assert (photo.columns, photo.rows) == (shown.shape[1], shown.shape[0])
    assert abs(decode(photo).astype(int) - shown).max() <= 2
    assert "look at it" not in notes(photo)


def test_heif_whose_orientation_stands_in_exif_alone_is_noted() -> None:
    data = heic(smooth(), exif=piexif.dump({"0th": {274: 1, 271: b"Invented"}}))
    place = data.index(b"MM\0*")
    block = bytearray(data)
    tag = block.index(b"\x01\x12\0\3\0\0\0\1\0\1", place)
    block[tag + 8 : tag + 10] = b"\0\6"
    photo = read(bytes(block))
    assert photo.exif_orientation == 1
    assert "EXIF says orientation 6" in notes(photo)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_raw_is_rendered_as_the_sensor_has_it(orientation: int) -> None:
    photo = read(pictures.dng(orientation))
    assert photo.exif_orientation == orientation
    assert decode(photo).shape == (128, 192, 3)
    assert "white balance" in notes(photo)
    assert photo.claims.make == "Invented Cameras"
    assert photo.colour.color_space == "SRGB"


def test_a_picture_damaged_inside_is_one_clear_error() -> None:
    data = bytearray(saved(noise(), "PNG"))
    place = data.index(b"IDAT") + 40
    data[place : place + 30] = bytes(30)
    with pytest.raises(PhotoError, match="the PNG file is damaged"):
        decode(read(bytes(data)))


def test_a_reduced_picture_is_small_and_in_stored_orientation() -> None:
    large = np.asarray(Image.fromarray(smooth()).resize((1600, 1200)))
    exif = Image.Exif()
    exif[274] = 6
    jpeg = saved(large, "JPEG", exif=exif)
    for source in (read(jpeg), jpeg, read(saved(large, "PNG", exif=exif))):
        found = reduced(source, 200)
        assert found.size == (200, 150) and found.mode == "RGB"
        wanted = np.asarray(Image.fromarray(large).resize((200, 150), Image.Resampling.BOX))
        assert abs(np.asarray(found).astype(int) - wanted).mean() < 2
    assert reduced(jpeg, 5000).size == (1600, 1200)
    assert reduced(saved(large[..., 0], "JPEG"), 64).mode == "L"


def test_a_lossless_jpeg_stream_can_be_reduced() -> None:
    from archiver.photo.encoding import encode_lossless

    found = reduced(encode_lossless(smooth()).stream, 40)
    assert found.size == (40, 30)
    wanted = np.asarray(Image.fromarray(smooth()).resize((40, 30), Image.Resampling.LANCZOS))
    assert abs(np.asarray(found).astype(int) - wanted).max() <= 3


def test_decoding_in_threads_leaves_the_warning_filters_as_they_were() -> None:
    before = list(warnings.filters)
    photos = [read(saved(noise(), "PNG")), read(tiff(RGB16, photometric="rgb"))] * 4
    threads = [threading.Thread(target=decode, args=(photo,)) for photo in photos]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert list(warnings.filters) == before
