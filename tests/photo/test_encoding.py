"""What becomes of camera files of every kind, read back by decoders that nobody here wrote."""

from __future__ import annotations

import io
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pydicom
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jpeg_pictures import CODINGS, FACTORS, camera_file, coefficients, jpeg, scene
from PIL import Image
from pydicom.dataset import FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import VLPhotographicImageStorage, generate_uid

from archiver.errors import ArchiverError, PhotoError
from archiver.photo import encoding, lossless, lossless_stream, transcoding
from archiver.photo.camera_file import CameraFile, Claims, ColourClaim, Format
from archiver.photo.encoding import (
    Box,
    EncodedPixels,
    encode_as_shot,
    encode_both,
    encode_corrected,
    encode_lossless,
)
from archiver.photo.in_place import FlipInPlace
from archiver.photo.jpeg import Process, parse_jpeg
from archiver.photo.lossless_stream import encode_in_numpy
from archiver.photo.turning import turned


def decoded(stream: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(stream)) as picture:
        return np.asarray(picture)


def as_dicom(pixels: EncodedPixels, path: Path) -> Path:
    """Write the least that a DICOM decoder needs."""
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = pixels.transfer_syntax
    meta.MediaStorageSOPClassUID = VLPhotographicImageStorage
    meta.MediaStorageSOPInstanceUID = generate_uid()
    dataset = pydicom.Dataset()
    dataset.file_meta = meta
    dataset.SOPClassUID = meta.MediaStorageSOPClassUID
    dataset.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    dataset.SamplesPerPixel = pixels.samples
    dataset.PhotometricInterpretation = pixels.photometric
    if pixels.samples == 3:
        dataset.PlanarConfiguration = 0
    dataset.Rows, dataset.Columns = pixels.rows, pixels.columns
    dataset.BitsAllocated = dataset.BitsStored = 8
    dataset.HighBit, dataset.PixelRepresentation = 7, 0
    dataset.PixelData = encapsulate([pixels.stream])
    dataset["PixelData"].is_undefined_length = True
    dataset.save_as(path, enforce_file_format=True)
    return path


def by_dcmtk(pixels: EncodedPixels, folder: Path) -> np.ndarray:
    """Decode with DCMTK's ``dcmdjpeg``."""
    source, target = as_dicom(pixels, folder / "in.dcm"), folder / "out.dcm"
    subprocess.run(["dcmdjpeg", str(source), str(target)], check=True, capture_output=True)
    dataset = pydicom.dcmread(target)
    shape = (pixels.rows, pixels.columns) + ((3,) if pixels.samples == 3 else ())
    size = int(np.prod(shape))
    assert dataset.PhotometricInterpretation in ("RGB", "MONOCHROME2")
    return np.frombuffer(dataset.PixelData[:size], np.uint8).reshape(shape)


def by_pylibjpeg(pixels: EncodedPixels, folder: Path) -> np.ndarray:
    """Decode with the PyPI package ``pylibjpeg-libjpeg``, through pydicom."""
    dataset = pydicom.dcmread(as_dicom(pixels, folder / "other.dcm"))
    return pydicom.pixels.pixel_array(dataset, decoding_plugin="pylibjpeg")


def rgb_jpeg(columns: int = 75, rows: int = 53, quality: int = 90) -> bytes:
    """A JPEG that keeps RGB components, by Pillow."""
    buffer = io.BytesIO()
    Image.fromarray(scene(columns, rows)).save(buffer, "JPEG", quality=quality, keep_rgb=True)
    return buffer.getvalue()


def png_file(picture: np.ndarray) -> CameraFile:
    buffer = io.BytesIO()
    Image.fromarray(picture).save(buffer, "PNG")
    rows, columns = picture.shape[:2]
    return CameraFile(
        name="IMG_0001.PNG",
        data=buffer.getvalue(),
        sha256="",
        format=Format.PNG,
        columns=columns,
        rows=rows,
        exif_orientation=1,
        claims=Claims(),
        colour=ColourClaim(None, None, 1 if picture.ndim == 2 else 3),
        structure=None,
        lossy_past=(),
        notes=(),
    )


@pytest.fixture
def no_library(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine without libjpeg-turbo 3."""
    for module in (encoding, lossless, transcoding):
        monkeypatch.setattr(module, "load_turbo", lambda: None)


@pytest.mark.parametrize("sampling", FACTORS)
def test_a_baseline_jpeg_is_stored_with_its_own_scan_bytes(sampling):
    source = jpeg(75, 53, sampling)
    pixels = encode_as_shot(camera_file(source + b"a trailing picture"))
    before, after = parse_jpeg(source), parse_jpeg(pixels.stream)
    (one,), (other,) = before.scans, after.scans
    assert source[one.start : one.end] == pixels.stream[other.start : other.end]
    assert pixels.stream.startswith(b"\xff\xd8\xff\xdb") and pixels.stream.endswith(b"\xff\xd9")
    grey = sampling == "grey"
    # PS3.3 C.8.12.1.1.1: YBR_FULL_422 for lossy JPEG, MONOCHROME2 for one sample.
    assert pixels.photometric == ("MONOCHROME2" if grey else "YBR_FULL_422")
    assert pixels.samples == (1 if grey else 3)
    assert (pixels.columns, pixels.rows) == (75, 53)
    assert pixels.transfer_syntax == "1.2.840.10008.1.2.4.50"


@pytest.mark.parametrize("coding", CODINGS)
def test_every_coding_is_stored_as_baseline_with_the_same_coefficients(coding):
    pixels = encode_as_shot(camera_file(jpeg(75, 53, "4:2:0", coding)))
    structure = parse_jpeg(pixels.stream)
    assert structure.process is Process.BASELINE
    assert not {s.marker for s in structure.segments} & {*range(0xE0, 0xF0), 0xFE}
    for one, other in zip(
        coefficients(pixels.stream), coefficients(jpeg(75, 53, "4:2:0")), strict=True
    ):
        assert np.array_equal(one, other)


def test_extended_sequential_becomes_baseline():
    source = jpeg(75, 53, "4:2:2")
    extended = source.replace(b"\xff\xc0", b"\xff\xc1", 1)
    assert parse_jpeg(extended).process is Process.EXTENDED
    pixels = encode_as_shot(camera_file(extended))
    assert parse_jpeg(pixels.stream).process is Process.BASELINE
    assert pixels.transfer_syntax == "1.2.840.10008.1.2.4.50"
    assert np.array_equal(coefficients(pixels.stream)[0], coefficients(source)[0])


def test_what_baseline_cannot_hold_is_stored_without_loss():
    # 16-bit quantisation tables (T.81 B.2.4.1).
    source = jpeg(75, 53, "4:4:4", quality=5)
    both = encode_both(camera_file(source), 6, None)
    assert both.as_shot.transfer_syntax == "1.2.840.10008.1.2.4.70"
    assert both.corrected is not None and both.corrected.lossless_codec


def test_an_rgb_jpeg_is_stored_without_loss_as_its_decoder_shows_it(tmp_path):
    source = rgb_jpeg()
    both = encode_both(camera_file(source), 8, Box(3, 5, 20, 31))
    assert both.as_shot.transfer_syntax == "1.2.840.10008.1.2.4.70"
    assert both.as_shot.photometric == "RGB"
    expected = decoded(source)
    assert np.array_equal(by_dcmtk(both.as_shot, tmp_path), expected)
    assert both.corrected is not None and both.corrected.box == Box(3, 5, 20, 31)
    exact = turned(expected, 8)[5:36, 3:23]
    assert np.array_equal(by_dcmtk(both.corrected.pixels, tmp_path), exact)


@pytest.mark.parametrize("grey", [False, True], ids=["colour", "grey"])
def test_a_png_is_stored_without_loss_turned_and_cropped_exactly(grey, tmp_path):
    picture = scene(41, 29, grey)
    for turn in range(1, 9):
        both = encode_both(png_file(picture), turn, Box(2, 3, 17, 19))
        assert both.as_shot.photometric == ("MONOCHROME2" if grey else "RGB")
        assert np.array_equal(by_dcmtk(both.as_shot, tmp_path), picture)
        assert both.corrected is not None and both.corrected.lossless_codec
        exact = turned(picture, turn)[3:22, 2:19]
        assert np.array_equal(by_dcmtk(both.corrected.pixels, tmp_path), exact)


@pytest.mark.parametrize("grey", [False, True], ids=["colour", "grey"])
@pytest.mark.parametrize("encode", ["library", "numpy"])
@pytest.mark.parametrize("size", [(1, 1), (7, 130), (75, 53), (3, 64)])
def test_three_decoders_read_the_lossless_stream(size, encode, grey, tmp_path, monkeypatch):
    monkeypatch.setattr(lossless_stream, "_SAMPLES_AT_ONCE", 1000)
    random = np.random.default_rng(5)
    picture = random.integers(0, 256, (size[1], size[0], *(() if grey else (3,))), np.uint8)
    picture[: size[1] // 2] = np.where(picture[: size[1] // 2] > 127, 255, 0)
    pixels = encode_lossless(picture)
    if encode == "numpy":
        pixels = EncodedPixels(
            encode_in_numpy(picture),
            pixels.transfer_syntax,
            pixels.photometric,
            pixels.samples,
            pixels.rows,
            pixels.columns,
        )
    structure = parse_jpeg(pixels.stream)
    (scan,) = structure.scans
    # PS3.5 A.4.1 with T.81 Table H.1: process 14, selection value 1; point transform 0.
    assert structure.process is Process.LOSSLESS
    assert (scan.spectral_start, scan.approximation_low) == (1, 0)
    assert np.array_equal(by_dcmtk(pixels, tmp_path), picture)
    assert np.array_equal(by_pylibjpeg(pixels, tmp_path), picture)
    turbo = lossless.load_turbo()
    assert turbo is not None
    assert np.array_equal(turbo.decode(pixels.stream), picture)


@pytest.mark.parametrize("sampling", FACTORS)
def test_dcmtk_and_pillow_decode_the_stored_jpegs_alike(sampling, tmp_path):
    both = encode_both(camera_file(jpeg(75, 53, sampling, "progressive")), 6, Box(9, 9, 33, 41))
    assert both.corrected is not None
    for pixels in (both.as_shot, both.corrected.pixels):
        # DCMTK's chroma upsampling is its own; luma rounding differs by a level.
        found, expected = by_dcmtk(pixels, tmp_path), decoded(pixels.stream)
        assert found.shape == expected.shape
        assert np.abs(found.astype(int) - expected.astype(int)).mean() < 4


@pytest.mark.parametrize("coding", CODINGS)
def test_one_decoding_gives_what_separate_calls_give(coding):
    photo = camera_file(jpeg(96, 80, "4:2:2", coding))
    crop = Box(18, 20, 40, 30)
    both = encode_both(photo, 2, crop)
    assert both.as_shot == encode_as_shot(photo)
    assert both.corrected == encode_corrected(photo, 2, crop)


def test_turn_one_without_crop_needs_no_corrected_picture():
    photo = camera_file(jpeg(75, 53))
    both = encode_both(photo, 1, None)
    assert both.corrected is None
    corrected = encode_corrected(photo, 1, None)
    assert corrected.pixels == both.as_shot
    assert corrected.box == Box(0, 0, 75, 53) and not corrected.lossless_codec


def test_a_picture_thinner_than_an_mcu_is_turned_without_loss_of_a_pixel():
    corrected = encode_corrected(camera_file(jpeg(9, 53, "4:2:0")), 2, None)
    assert corrected.lossless_codec and corrected.box == Box(0, 0, 9, 53)


def test_trimmed_columns_are_told_for_the_edge_where_they_are_lost():
    # 75 = 4 x 16 + 11 and 53 = 3 x 16 + 5.
    photo = camera_file(jpeg(75, 53, "4:2:0"))
    trimmed = {
        turn: (corrected.trimmed_left, corrected.trimmed_top)
        for turn in range(1, 9)
        for corrected in (encode_corrected(photo, turn, None),)
    }
    assert trimmed == {
        1: (0, 0),
        2: (11, 0),
        3: (11, 5),
        4: (0, 5),
        5: (0, 0),
        6: (5, 0),
        7: (5, 11),
        8: (0, 11),
    }
    inside = encode_corrected(photo, 3, Box(20, 20, 30, 20))
    assert (inside.trimmed_left, inside.trimmed_top) == (0, 0)


@pytest.mark.parametrize(
    "crop", [Box(0, 0, 0, 5), Box(-1, 0, 5, 5), Box(50, 0, 4, 5), Box(0, 0, 53, 76)]
)
def test_a_crop_that_passes_the_edge_is_refused(crop):
    for photo in (camera_file(jpeg(75, 53)), png_file(scene(75, 53))):
        with pytest.raises(PhotoError, match="inside the corrected picture of 53 x 75"):
            encode_both(photo, 6, crop)


@pytest.mark.parametrize("coding", ["baseline", "progressive", "restart"])
def test_a_damaged_picture_is_refused_even_where_nothing_is_to_be_turned(coding):
    source = jpeg(75, 53, "4:2:0", coding)
    scan = parse_jpeg(source).scans[0]
    middle = (scan.start + scan.end) // 2
    short = source[:middle] + source[parse_jpeg(source).scans[0].end :]
    with pytest.raises(PhotoError, match=r"cut short|damaged"):
        encode_as_shot(camera_file(short))
    with pytest.raises(PhotoError, match=r"cut short|damaged"):
        encode_both(camera_file(short), 2, None)


def test_padding_before_the_end_marker_is_no_damage():
    source = jpeg(75, 53, "4:2:0")
    for padding in (b"\x00" * 5, b"\xff" * 7):
        photo = camera_file(source[:-2] + padding + source[-2:])
        corrected = encode_corrected(photo, 2, None)
        clean = encode_corrected(camera_file(source), 2, None)
        assert corrected.pixels.stream == clean.pixels.stream
        assert np.array_equal(decoded(encode_as_shot(photo).stream), decoded(source))


@pytest.mark.usefixtures("no_library")
@pytest.mark.parametrize("coding", ["baseline", "progressive"])
def test_without_the_library_the_program_does_the_same(coding):
    photo = camera_file(jpeg(75, 53, "4:2:2", coding))
    both = encode_both(photo, 7, Box(20, 17, 30, 30))
    with pytest.MonkeyPatch.context() as patch:
        for module in (encoding, lossless, transcoding):
            patch.setattr(module, "load_turbo", turbo_load)
        other = encode_both(photo, 7, Box(20, 17, 30, 30))
    assert both.corrected is not None and other.corrected is not None
    assert both.corrected.box == other.corrected.box
    for one, two in (
        (both.as_shot, other.as_shot),
        (both.corrected.pixels, other.corrected.pixels),
    ):
        for a, b in zip(coefficients(one.stream), coefficients(two.stream), strict=True):
            assert np.array_equal(a, b)
    short = photo.data[:-200] + b"\xff\xd9"
    with pytest.raises(PhotoError, match=r"cut short|damaged"):
        encode_as_shot(camera_file(short))


turbo_load = lossless.load_turbo


@pytest.mark.usefixtures("no_library")
def test_without_the_library_pixels_are_stored_without_loss_too(tmp_path):
    picture = scene(41, 29)
    both = encode_both(png_file(picture), 5, None)
    assert both.corrected is not None
    assert np.array_equal(by_dcmtk(both.corrected.pixels, tmp_path), turned(picture, 5))
    both = encode_both(camera_file(rgb_jpeg(41, 29)), 2, None)
    assert np.array_equal(by_dcmtk(both.as_shot, tmp_path), decoded(rgb_jpeg(41, 29)))


@pytest.mark.usefixtures("no_library")
def test_a_machine_that_can_do_neither_says_what_to_install(monkeypatch):
    monkeypatch.setattr(transcoding, "find_jpegtran", lambda: None)
    with pytest.raises(ArchiverError, match="turbojpeg or the program jpegtran"):
        encode_both(camera_file(jpeg(75, 53)), 2, None)


def test_threads_get_their_own_pictures():
    photos = [camera_file(jpeg(75 + k, 53, "4:2:0")) for k in range(12)]
    alone = [encode_both(photo, 3, None) for photo in photos]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(lambda photo: encode_both(photo, 3, None), photos * 4))
    assert together == alone * 4


@settings(max_examples=250, deadline=None)
@given(
    coding=st.sampled_from(sorted(CODINGS)),
    turn=st.integers(1, 8),
    changes=st.lists(
        st.tuples(st.integers(0, 10_000), st.integers(0, 255)), min_size=1, max_size=6
    ),
)
def test_mutated_pictures_are_encoded_or_refused(coding, turn, changes):
    stream = bytearray(jpeg(40, 24, "4:2:0", coding))
    for place, value in changes:
        stream[place % len(stream)] = value
    try:
        photo = camera_file(bytes(stream))
        if photo.columns * photo.rows > 1_000_000:
            return
        both = encode_both(photo, turn, None)
    except PhotoError as error:
        assert len(error.problems) == 1 and "\n" not in str(error)
        return
    assert (both.as_shot.columns, both.as_shot.rows) == (photo.columns, photo.rows)


def test_a_failure_inside_the_flip_in_place_comes_out_as_itself(monkeypatch):
    def fail(*_arguments: object) -> None:
        raise MemoryError("no room")

    monkeypatch.setattr(FlipInPlace, "_take", fail)
    with pytest.raises(MemoryError, match="no room"):
        encode_corrected(camera_file(jpeg(96, 64)), 2, None)
