"""Files that other people's programs wrote: the samples that pydicom and pynetdicom ship."""

from __future__ import annotations

from pathlib import Path

import pydicom
import pytest

from archiver.standard.finding import Finding
from archiver.standard.validator import validate_file

DATA = Path(pydicom.__file__).parent / "data"
SAMPLES = sorted(p for p in DATA.rglob("*") if p.is_file() and p.suffix in ("", ".dcm"))


def found_in(name: str) -> dict[str, Finding]:
    (path,) = [p for p in SAMPLES if p.name == name]
    return {f.rule: f for f in validate_file(path)}


def test_there_are_samples() -> None:
    assert len(SAMPLES) > 100


@pytest.mark.parametrize("path", SAMPLES, ids=lambda p: p.name)
def test_every_sample_is_read_without_an_exception(path: Path) -> None:
    for finding in validate_file(path):
        assert finding.clause and "\n" not in str(finding)


CHARSETS = sorted(p.name for p in SAMPLES if p.name.startswith("chr") and "SQ" not in p.name)


@pytest.mark.parametrize("name", CHARSETS)
def test_the_character_sets_of_the_samples_are_read(name: str) -> None:
    # Among them the examples of PS3.5 H.3.1, H.3.2 (Japanese), I.2 and I.3 (Korean), X.1, X.2.
    assert not {r for r in found_in(name) if r.startswith("charset")}


# What is known to be wrong with a sample, as pydicom's tests or its name tell.
KNOWN = {
    "MR_truncated.dcm": "element-truncated",
    "rtplan_truncated.dcm": "element-truncated",
    "SC_rgb_jpeg.dcm": "encoding-contradicts-syntax",
    "JPEG-lossy.dcm": "lossy-method-missing",
    "SC_jpeg_no_color_transform.dcm": "photometric-contradicts-stream",
    "ExplVR_BigEnd.dcm": "transfer-syntax-retired",
    "badVR.dcm": "value-format",
    "no_meta_group_length.dcm": "file-meta-element-missing",
    "meta_missing_tsyntax.dcm": "file-meta-element-missing",
    # Fragments under OW: PS3.5 A.4 wants OB.
    "MR_small_jpeg_ls_lossless.dcm": "pixel-data-vr",
    "rtdose_rle.dcm": "pixel-data-vr",
}


@pytest.mark.parametrize("name", KNOWN)
def test_what_is_known_to_be_wrong_is_found(name: str) -> None:
    assert KNOWN[name] in found_in(name)


# Multi-frame, RLE, JPEG 2000, JPEG-LS and 16-bit samples whose pixel data are sound.
SOUND = (
    "MR_small.dcm",
    "MR_small_RLE.dcm",
    "SC_rgb_rle_2frame.dcm",
    "SC_rgb_rle_32bit_2frame.dcm",
    "SC_rgb_jpeg_gdcm.dcm",
    "examples_jpeg2k.dcm",
    "JPEGLSNearLossless_16.dcm",
    "CT_small.dcm",
)


@pytest.mark.parametrize("name", SOUND)
def test_sound_pixel_data_are_left_alone(name: str) -> None:
    kinds = ("stream-", "frame-", "pixel-data", "fragment", "offset-table", "bits")
    assert [f for r, f in found_in(name).items() if r.startswith(kinds)] == []
