"""A session with a colour chart: pictures taken like it get its profile, and no pixel moves."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from datetime import datetime, timezone
from pathlib import Path

import numpy as np
import piexif
import pytest
from PIL import Image, ImageCms
from pydicom import Dataset, dcmread
from pydicom.encaps import generate_frames
from simulated_camera import (
    PLAIN,
    chart_scene,
    developed,
    lab_of,
    pixels_of,
    tooth_reflectances,
    tooth_scene,
)

from archiver.archive.ingest import IngestSettings, WrappedPhotograph
from archiver.archive.query import Query
from archiver.archive.statements import AmendmentRequest, AmendmentSettings
from archiver.archive.statements import note as agree
from archiver.archive.store import Archive
from archiver.colour.colours import White, difference, lab, space_of
from archiver.dentition import parse_teeth
from archiver.handover import PackageOrder, hand_over
from archiver.objects import Change, Purpose, calibration_of, comments, concepts, read_sheet
from archiver.photo import icc
from archiver.standard import validate_file
from archiver.workflow import amend, wrap

CAMERA = PLAIN[1]
NOW = datetime(2026, 3, 4, 16, tzinfo=timezone.utc)
SHEET = """
numbering = "ISO 3950"
[patient]
id = "P-1042"
[visit]
date = 2026-03-04
[defaults]
light = "ring flash"
[[photo]]
file = "chart.JPG"
view = "labial"
mirror = false
teeth = [11]
colour_frame = "colour chart"
[[photo]]
file = "direct.JPG"
view = "labial"
mirror = false
teeth = [11]
[[photo]]
file = "mirrored.JPG"
view = "occlusal"
mirror = true
teeth = [16]
[[photo]]
file = "automatic.JPG"
view = "labial"
mirror = false
teeth = [21]
"""


def shot(path: Path, picture: bytes, second: int, white_balance: int = 1) -> None:
    """Write a JPEG with what a camera says of its settings."""
    exif = piexif.dump(
        {
            "0th": {piexif.ImageIFD.Make: b"Lumora", piexif.ImageIFD.Model: b"L1"},
            "Exif": {
                piexif.ExifIFD.DateTimeOriginal: f"2026:03:04 14:05:{second:02}".encode(),
                piexif.ExifIFD.WhiteBalance: white_balance,
                piexif.ExifIFD.Flash: 1,
                piexif.ExifIFD.FNumber: (22, 1),
                piexif.ExifIFD.ExposureTime: (1, 160),
                piexif.ExifIFD.ISOSpeedRatings: 200,
                piexif.ExifIFD.ColorSpace: 1,
            },
        }
    )
    out = io.BytesIO()
    piexif.insert(exif, picture, out)
    path.write_bytes(out.getvalue())


def sheet(folder: Path, frame: bytes) -> Path:
    shot(folder / "chart.JPG", frame, 1)
    teeth = tooth_scene(CAMERA)
    for second, name in enumerate(("direct", "mirrored"), 2):
        shot(folder / f"{name}.JPG", developed(CAMERA, teeth, seed=second), second)
    shot(folder / "automatic.JPG", developed(CAMERA, teeth, seed=9), 9, white_balance=0)
    (folder / "sheet.toml").write_text(SHEET, "utf-8")
    return folder / "sheet.toml"


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Archive]:
    folder = tmp_path_factory.mktemp("chart")
    with Archive.open(folder / "archive", clock=lambda: NOW, actor="test") as opened:
        yield opened


@pytest.fixture(scope="module")
def photographs(archive: Archive) -> dict[str, WrappedPhotograph]:
    frame = developed(CAMERA, chart_scene(CAMERA, 20))
    return wrapped(archive, sheet(archive.layout.root.parent, frame))


def wrapped(archive: Archive, path: Path) -> dict[str, WrappedPhotograph]:
    done = wrap(archive, read_sheet(path), IngestSettings(lambda: NOW)).photographs
    assert not [problem for one in done for problem in one.problems]
    return {one.photograph.file.stem: one for one in done}


def objects(one: WrappedPhotograph) -> dict[str, Dataset]:
    return {kept.role: dcmread(kept.path) for kept in one.instances}


def stream(ds: Dataset) -> bytes:
    return next(generate_frames(ds.PixelData, number_of_frames=1))


def test_a_picture_taken_alike_gets_the_profile_and_keeps_its_jpeg_data(
    photographs: dict[str, WrappedPhotograph],
) -> None:
    frame = objects(photographs["chart"])["original"]
    one = objects(photographs["direct"])
    original, derived = one["original"], one["derived"]
    assert frame.QualityControlImage == "BOTH"  # PS3.3 C.7.6.1
    assert stream(original) == stream(derived)
    assert original.ICCProfile != derived.ICCProfile and "ColorSpace" not in derived
    (reference,) = derived.ReferencedImageSequence
    assert reference.ReferencedSOPInstanceUID == frame.SOPInstanceUID
    (purpose,) = reference.PurposeOfReferenceCodeSequence
    assert (purpose.CodeValue, purpose.CodingSchemeDesignator) == ("130750", "DCM")  # CID 7201
    assert derived.SourceImageSequence[0].ReferencedSOPInstanceUID == original.SOPInstanceUID
    read = calibration_of(derived)
    assert read is not None and read.instance == frame.SOPInstanceUID
    assert 0 < read.median < 3 and read.median < read.upper
    assert calibration_of(original) is None
    for kept in photographs["direct"].instances:
        assert not validate_file(Path(kept.path))


def test_its_colours_are_those_of_the_teeth(photographs: dict[str, WrappedPhotograph]) -> None:
    found = {}
    for role, ds in objects(photographs["direct"]).items():
        pixels = pixels_of(stream(ds))
        fields = np.array(
            [
                lab(pixels[12:36, 48 * n + 12 : 48 * n + 36], space_of(ds.ICCProfile), White.D50)
                .mean(axis=(0, 1))
                for n in range(14)
            ]
        )  # fmt: skip
        apart = difference(fields, lab_of(tooth_reflectances()))
        found[role] = float(np.median(apart))
    assert found["derived"] <= 1.2 and found["original"] > 8


def test_a_mirror_shot_is_turned_and_gets_it_too(
    photographs: dict[str, WrappedPhotograph],
) -> None:
    derived = objects(photographs["mirrored"])["derived"]
    assert calibration_of(derived) is not None
    assert len(derived.ReferencedSeriesSequence) >= 1
    profile = io.BytesIO(derived.ICCProfile)
    assert "24-patch" in ImageCms.getProfileDescription(profile)


def test_a_picture_with_automatic_white_balance_is_left_and_told_why(
    photographs: dict[str, WrappedPhotograph],
) -> None:
    one = photographs["automatic"]
    assert set(objects(one)) == {"original"}
    (told,) = [p for p in one.warnings if p.code == "archive.colour_frames.not_alike"]
    assert "chart.JPG: white balance not the same" in str(told)


def test_the_same_sheet_again_adds_nothing(
    archive: Archive, photographs: dict[str, WrappedPhotograph]
) -> None:
    again = wrapped(archive, archive.layout.root.parent / "sheet.toml")
    assert {n: one.instances for n, one in again.items()} == {
        n: one.instances for n, one in photographs.items()
    }


def test_a_package_says_what_its_colours_rest_on(
    archive: Archive, photographs: dict[str, WrappedPhotograph], tmp_path: Path
) -> None:
    agree(archive, ("P-1042", ""), Purpose.LABORATORY, by="Haugen^Liv", now=NOW)
    wish = PackageOrder(
        query=Query(patient_id="P-1042"),
        purpose=Purpose.LABORATORY,
        case="7",
        to="North laboratory",
        target=tmp_path / "package",
        insisted_by="Haugen^Liv",
    )
    package = hand_over(archive, wish, NOW).target
    rows = json.loads((package / "7-manifest.json").read_text("utf-8"))["pictures"]
    told = [row["colour"] for row in rows if "corrected from a 24-patch chart" in row["colour"]]
    assert len(told) == 2 and "remaining error 1." in told[0]
    twins = [dcmread(path) for path in sorted(package.glob("*.dcm"))]
    charted = [comments(ds) for ds in twins if concepts.COLOUR_PROFILE in comments(ds)]
    assert len(charted) == 2
    # The frame is in the package, too, under the package's own identifiers.
    frame, one = twins[0], twins[1]
    assert one.ReferencedImageSequence[0].ReferencedSOPInstanceUID == frame.SOPInstanceUID
    assert frame.SOPInstanceUID != objects(photographs["chart"])["original"].SOPInstanceUID


@pytest.mark.parametrize("name", ["direct", "mirrored"])
def test_a_profile_outlives_an_amendment(
    archive: Archive, photographs: dict[str, WrappedPhotograph], name: str
) -> None:
    before = objects(photographs[name])
    tooth = {"direct": "iso:12", "mirrored": "iso:15"}[name]
    uid = before["original"].SOPInstanceUID
    wish = AmendmentRequest(uid, Change(teeth=parse_teeth(tooth)), by="Haugen^Liv")
    made = amend(archive, wish, AmendmentSettings(NOW))
    after = {
        one.role: dcmread(io.BytesIO(b"".join(one.incoming.parts)))
        for one in made.amendment.successors
    }
    assert set(after) == {"original", "derived"}
    old, new = calibration_of(before["derived"]), calibration_of(after["derived"])
    assert new == old and new is not None
    assert (
        after["derived"].SourceImageSequence[0].ReferencedSOPInstanceUID
        == after["original"].SOPInstanceUID
    )


def test_a_frame_of_which_nothing_can_be_made_says_why(tmp_path: Path) -> None:
    bare = np.full((540, 720, 3), 120, np.uint8)
    out = io.BytesIO()
    Image.fromarray(bare).save(out, "JPEG")
    with Archive.open(tmp_path / "archive", clock=lambda: NOW, actor="test") as archive:
        done = wrapped(archive, sheet(tmp_path, out.getvalue()))
    assert "colour.chart.missing" in [p.code for p in done["chart"].warnings]
    assert set(objects(done["direct"])) == {"original"}
    assert (
        icc.known_space(icc.read_profile(objects(done["direct"])["original"].ICCProfile)) == "SRGB"
    )
