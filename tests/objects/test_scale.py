"""A scale from what is of known length: what is written, when there is none, how sure it is."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from object_samples import entry, exif_block, make, picture, write
from sheet_samples import HEAD

from archiver.errors import MeaningError, SheetError
from archiver.objects import comments, read_sheet, scale_of
from archiver.objects.scale import scale_by
from archiver.objects.session import Circumstances, Crop
from archiver.standard.finding import Severity
from archiver.standard.validator import validate_file

HOW = Circumstances(scale_region=Crop(10, 12, 40, 30), scale_length="8 mm ± 0.1 mm")


@pytest.mark.parametrize("exif", [1, 6])
def test_pixel_spacing_and_the_ruler_stand_in_every_instance(exif: int, tmp_path: Path) -> None:
    crop = Crop(0, 0, 48, 48)
    one = entry("labial", "11", False, circumstances=HOW, crop=crop)
    made = make(one, picture(exif=exif_block(exif)))
    assert made.corrected is not None
    for instance in made.instances:
        ds = instance.dataset
        # PS3.3 C.8.12.1, type 3: 8 mm from corner to corner of 40 x 30 pixels.
        assert [float(v) for v in ds.PixelSpacing] == pytest.approx([8 / 50] * 2)
        (ruler,) = ds.DeviceSequence
        # CID 4072 and PS3.3 C.7.6.12.
        assert (ruler.CodeValue, float(ruler.InterMarkerDistance)) == ("102304005", 8.0)
        assert "PixelSpacingCalibrationType" not in ds, "VL Image has no such attribute"
        scale = scale_of(ds)
        assert scale is not None and (scale.spacing, scale.length) == (0.16, 8.0)
        assert comments(ds)["Known length at"] == "40x30+10+12"
        found = validate_file(write(instance, tmp_path))
        assert [f for f in found if f.severity is not Severity.NOTE] == []


def test_without_what_is_of_known_length_there_is_no_scale() -> None:
    ds = make(entry("labial", "11", False)).as_shot.dataset
    assert scale_of(ds) is None
    assert not {"PixelSpacing", "DeviceSequence"} & set(ds.dir())


def test_a_picture_through_a_mirror_has_no_scale() -> None:
    with pytest.raises(MeaningError, match="mirror is oblique"):
        entry("labial", "11", True, circumstances=HOW)


@pytest.mark.parametrize(
    ("said", "kept"),
    [
        ("8.0", "8 mm ± 0.1 mm"),
        ('"8,2 mm ± 0,05 mm"', "8.2 mm ± 0.05 mm"),
        ('"10+-0.2"', "10 mm ± 0.2 mm"),
    ],
)
def test_a_length_is_read_as_it_is_written(said: str, kept: str, tmp_path: Path) -> None:
    (one,) = read_sheet(_sheet(tmp_path, f"scale_length = {said}")).photographs
    assert one.circumstances.scale_length == kept


@pytest.mark.parametrize("said", ["0", "true", '"wide"', '"8 mm ± 5 mm"', '"900 mm"'])
def test_a_length_that_cannot_be_is_refused(said: str, tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="a length in millimetres"):
        read_sheet(_sheet(tmp_path, f"scale_length = {said}"))


def test_a_drawing_without_its_length_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="scale_region from one end to the other"):
        read_sheet(_sheet(tmp_path, ""))


def _sheet(folder: Path, more: str) -> Path:
    (folder / "A.JPG").write_bytes(picture())
    path = folder / "sheet.toml"
    lines = (
        "[[photo]]",
        'file = "A.JPG"',
        'view = "labial"',
        "mirror = false",
        "teeth = [11]",
        more,
    )
    region = "scale_region = { left = 10, top = 12, width = 40, height = 1 }"
    path.write_text(HEAD + "\n".join((*lines, region)) + "\n", "utf-8")
    return path


@pytest.mark.parametrize("distance", [170.0, 300.0])
def test_the_true_scale_lies_within_what_is_told(distance: float) -> None:
    """A pinhole camera; the length up to 2 mm off the tooth's plane, tilted by up to 10 degrees."""
    rng, found = np.random.default_rng(17), []
    columns, across = 6000, 36.0  # pixels and millimetres from edge to edge in the tooth's plane
    focal = columns / across * distance
    for _ in range(2000):
        off, tilt = rng.uniform(-2, 2), np.radians(rng.uniform(-10, 10))
        length = 8.0 + rng.normal(0, 0.05)
        at = rng.uniform(-5, 5)
        ends = [at + side * length / 2 * np.cos(tilt) for side in (-1, 1)]
        depths = [distance + off + side * length / 2 * np.sin(tilt) for side in (-1, 1)]
        seen = [focal * x / z + rng.normal(0, 6) for x, z in zip(ends, depths, strict=True)]
        region = Crop(0, 0, round(abs(seen[1] - seen[0])), 1)
        how = Circumstances(scale_region=region, scale_length="8 mm ± 0.1 mm")
        scale = scale_by(how, columns)
        assert scale is not None
        found.append(abs(scale.spacing / (distance / focal) - 1) * 100 <= scale.uncertain_by)
        assert scale.uncertain_by < 4
    assert np.mean(found) >= 0.95
