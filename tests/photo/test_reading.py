"""Camera files are told by content, refused in one line, and never decoded by reading."""

from __future__ import annotations

import hashlib
import io
import os
import pickle
import struct
import sys
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import photo_pictures as pictures
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from photo_pictures import heic, noise, notes, read, saved, smooth, tiff
from PIL import Image

from archiver.errors import PhotoError
from archiver.photo.camera_file import Format, Limits
from archiver.photo.camera_reader import read_camera_bytes, read_camera_file
from archiver.photo.pixels import decode

PICTURES = {
    Format.JPEG: saved(smooth(), "JPEG"),
    Format.PNG: saved(noise(), "PNG"),
    Format.TIFF: tiff(noise(), photometric="rgb"),
    Format.HEIF: heic(smooth()),
    Format.WEBP: saved(noise(), "WEBP", lossless=True),
    Format.BMP: saved(noise(), "BMP"),
    Format.RAW: pictures.dng(),
}
SIZES = {Format.JPEG: (160, 120), Format.HEIF: (160, 120), Format.RAW: (192, 128)}


@pytest.mark.parametrize("kind", Format)
def test_the_content_tells_the_format_whatever_the_name(kind: Format, tmp_path: Path) -> None:
    path = tmp_path / "picture.xyz"
    path.write_bytes(PICTURES[kind])
    photo = read_camera_file(path)
    assert photo.format is kind
    assert (photo.columns, photo.rows) == SIZES.get(kind, (53, 37))
    assert photo.data == PICTURES[kind]
    assert photo.sha256 == hashlib.sha256(PICTURES[kind]).hexdigest()
    assert photo.name == "picture.xyz"
    assert (photo.structure is not None) == (kind is Format.JPEG)


def test_a_name_that_lies_about_its_content_is_noted(tmp_path: Path) -> None:
    path = tmp_path / "IMG_0103.PNG"
    path.write_bytes(PICTURES[Format.JPEG])
    assert "the name ends in .png, but the file is JPEG" in notes(read_camera_file(path))


@pytest.mark.parametrize("kind", Format)
def test_a_right_name_is_not_noted(kind: Format) -> None:
    suffix = {Format.RAW: "DNG", Format.WEBP: "webp"}.get(kind, kind.value)
    assert "name" not in notes(read(PICTURES[kind], f"a.{suffix}"))


def test_an_error_names_the_file_and_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "IMG_0001.JPG"
    path.write_bytes(b"")
    with pytest.raises(PhotoError) as caught:
        read_camera_file(path)
    text = str(caught.value)
    assert text.startswith("IMG_0001.JPG: the file is empty")
    assert "\n" not in text


def test_a_missing_file_a_folder_and_a_pipe_are_refused(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "folder").mkdir()
    for name, words in (("none.jpg", "no such file"), ("folder", "no file"), ("pipe", "no file")):
        with pytest.raises(PhotoError, match=words):
            read_camera_file(tmp_path / name)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\0" * 5000, "nothing but zeros"),
        (b"GIF89a" + bytes(100), "a GIF"),
        (b"%PDF-1.7\n", "PDF"),
        (b"hello" * 100, "no known kind"),
        (bytes(128) + b"DICM" + bytes(100), "DICOM object already"),
        (b"\0\0\0\x18ftypisom\0\0\0\0isommp42", "film"),
        (saved(smooth(), "AVIF"), "AVIF"),
    ],
)
def test_what_is_no_camera_file_is_refused_by_kind(data: bytes, words: str) -> None:
    with pytest.raises(PhotoError, match=words):
        read(data)


@pytest.mark.parametrize("kind", [k for k in Format if k not in (Format.RAW, Format.HEIF)])
def test_a_file_that_is_cut_short_anywhere_is_refused_by_reading(kind: Format) -> None:
    data = PICTURES[kind]
    for length in {len(data) - 3, len(data) // 2, len(data) // 10, 30, 9}:
        with pytest.raises(PhotoError):
            read(data[:length])


@pytest.mark.parametrize("kind", [Format.HEIF, Format.RAW])
def test_a_file_with_its_decoder_is_refused_when_cut_short_by_reading_or_decoding(
    kind: Format,
) -> None:
    data = PICTURES[kind]
    for length in (len(data) // 2, len(data) // 10, 30):
        with pytest.raises(PhotoError):
            decode(read(data[:length]))


def test_cmyk_is_refused_in_jpeg_and_tiff() -> None:
    for kind in ("JPEG", "TIFF"):
        target = io.BytesIO()
        Image.fromarray(smooth()).convert("CMYK").save(target, kind)
        with pytest.raises(PhotoError, match="CMYK"):
            read(target.getvalue())


def test_animations_are_refused_and_further_pages_noted() -> None:
    frames = [Image.fromarray(noise()), Image.fromarray(255 - noise())]
    for kind in ("PNG", "WEBP"):
        target = io.BytesIO()
        frames[0].save(target, kind, save_all=True, append_images=frames[1:], duration=100)
        with pytest.raises(PhotoError, match="animated"):
            read(target.getvalue())
    target = io.BytesIO()
    frames[0].save(target, "TIFF", save_all=True, append_images=frames[1:])
    photo = read(target.getvalue())
    assert "1 further picture;" in notes(photo)
    assert (decode(photo) == noise()).all()
    target = io.BytesIO()
    frames[0].save(target, "MPO", save_all=True, append_images=frames[1:])
    photo = read(target.getvalue(), "a.mpo")
    assert photo.format is Format.JPEG
    assert "further pictures behind the first picture are left out" in notes(photo)


def _huge_png() -> bytes:
    header = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    pixels = zlib.compress(bytes(1_000_000), 9)
    chunk = pictures.png_chunk
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        (chunk(b"IHDR", header), chunk(b"IDAT", pixels), chunk(b"IEND", b""))
    )


def _huge_webp() -> bytes:
    bits = struct.pack("<BI", 0x2F, 16_383 | 16_383 << 14)
    chunk = b"VP8L" + struct.pack("<I", len(bits)) + bits + b"\0"
    return b"RIFF" + struct.pack("<I", 4 + len(chunk)) + b"WEBP" + chunk


def _huge_tiff() -> bytes:
    data = bytearray(tiff(np.zeros((40, 40, 3), np.uint8), photometric="rgb", metadata=None))
    with tifffile.TiffFile(io.BytesIO(bytes(data))) as file:
        for tag in (256, 257):
            place = file.pages[0].tags[tag].valueoffset
            data[place : place + 2] = struct.pack("<H", 60_000)
    return bytes(data)


def _huge_jpeg() -> bytes:
    data = bytearray(PICTURES[Format.JPEG])
    place = data.index(b"\xff\xc0") + 5
    data[place : place + 4] = struct.pack(">HH", 60_000, 60_000)
    return bytes(data)


def _huge_bmp() -> bytes:
    data = bytearray(PICTURES[Format.BMP])
    data[18:26] = struct.pack("<ii", 60_000, -60_000)
    return bytes(data)


@pytest.mark.parametrize("make", [_huge_png, _huge_webp, _huge_tiff, _huge_jpeg, _huge_bmp])
def test_a_decompression_bomb_is_refused_by_its_header(make: Callable[[], bytes]) -> None:
    data = make()
    assert len(data) < 70_000
    with pytest.raises(PhotoError, match=r"megapixels|cut short"):
        read(data)


def test_the_budgets_can_be_set() -> None:
    for limits, words in (
        (Limits(max_pixels=1000), "megapixels"),
        (Limits(max_side=50), "at most 50 on a side"),
    ):
        for kind in Format:
            with pytest.raises(PhotoError, match=words):
                read_camera_bytes(PICTURES[kind], "a", limits=limits)


def test_a_file_larger_than_the_limit_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(PICTURES[Format.JPEG])
    with pytest.raises(PhotoError, match="at most 0 MB"):
        read_camera_file(path, limits=Limits(max_bytes=100))


def test_the_lossy_past_is_told() -> None:
    # Terms: PS3.3 C.7.6.1.1.5.1. The ratio of a JPEG counts the picture, not its metadata.
    plain = read(PICTURES[Format.JPEG]).lossy_past
    talkative = read(saved(smooth(), "JPEG", comment=b"x" * 5000)).lossy_past
    assert plain == talkative
    assert plain[0].method == "ISO_10918_1"
    assert plain[0].ratio == pytest.approx(160 * 120 * 3 / len(PICTURES[Format.JPEG]), rel=0.02)
    assert read(PICTURES[Format.HEIF]).lossy_past[0].method == "ISO_23008_2"
    inside = saved(smooth(), "TIFF", compression="jpeg")
    assert read(inside).lossy_past[0].method == "ISO_10918_1"
    lossy = read(saved(smooth(), "WEBP", quality=80))
    assert lossy.lossy_past[0].method == "" and lossy.lossy_past[0].ratio > 3
    assert "no term in DICOM" in notes(lossy)
    for kind in (Format.PNG, Format.TIFF, Format.WEBP, Format.BMP, Format.RAW):
        assert read(PICTURES[kind]).lossy_past == ()


def test_raw_without_its_decoder_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "rawpy", None)
    with pytest.raises(PhotoError, match=r'pip install "archiver\[raw\]"'):
        read(PICTURES[Format.RAW])


@pytest.mark.parametrize("kind", Format)
@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(mutation=st.data())
def test_damaged_bytes_raise_nothing_but_photo_errors(
    kind: Format, mutation: st.DataObject
) -> None:
    data = bytearray(PICTURES[kind])
    # Half of the damage falls on the first bytes, where headers are.
    for _ in range(mutation.draw(st.integers(1, 6))):
        end = mutation.draw(st.sampled_from((64, 400, len(data))))
        place = mutation.draw(st.integers(0, min(end, len(data)) - 1))
        data[place] = mutation.draw(st.sampled_from((0, 1, 0x7F, 0x80, 0xFF)) | st.integers(0, 255))
    if mutation.draw(st.booleans()):
        del data[mutation.draw(st.integers(0, len(data) - 1)) :]
    try:
        decode(read_camera_bytes(bytes(data), "a", limits=Limits(max_pixels=2_000_000)))
    except PhotoError as error:
        assert error.problems and all(str(p) and "\n" not in str(p) for p in error.problems)


def test_a_picture_with_its_exif_data_goes_to_a_worker_process_whole() -> None:
    path = Path(__file__).parents[2] / "demo_studies" / "P-1042" / "2026-02-24" / "C70_2208.PNG"
    photo = read_camera_file(path)
    again = pickle.loads(pickle.dumps(photo))
    assert photo.exif is not None and again.exif is not None
    assert again == photo and bytes(again.exif.block) == bytes(photo.exif.block)
