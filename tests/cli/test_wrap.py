"""`archiver wrap` as a user runs it: what is kept, what is refused, and in which words."""

from __future__ import annotations

import hashlib
import json
import struct
import zlib
from pathlib import Path
from typing import Any

import pydicom
import pytest
from in_process import archiver
from PIL import Image
from pydicom.encaps import generate_frames
from sessions import camera_jpeg, photo, picture, write_sheet

from archiver.photo.jpeg_stripping import without_metadata
from tests.network.bombs import progressive
from tests.new_archive import new_archive


def wrapped(sheet: Path, archive: Path, *words: object) -> dict[str, Any]:
    result = archiver("wrap", sheet, "--archive", new_archive(archive), "--json", *words)
    assert "Traceback" not in result.stderr
    told: dict[str, Any] = json.loads(result.stdout)
    return {**told, "status": result.returncode}


def instances(told: dict[str, Any]) -> list[tuple[str, Path]]:
    kept = [k for one in told["photographs"] for k in one["instances"]]
    return [(k["role"], Path(k["path"])) for k in kept]


def test_a_mirror_shot_becomes_an_original_and_a_derived_instance(tmp_path: Path) -> None:
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    told = wrapped(write_sheet(tmp_path, [photo("IMG_0001.JPG")]), tmp_path / "archive")
    assert told["status"] == 0
    (first, original), (second, derived) = instances(told)
    assert (first, second) == ("original", "derived")
    a, b = pydicom.dcmread(original), pydicom.dcmread(derived)
    assert b.SourceImageSequence[0].ReferencedSOPInstanceUID == a.SOPInstanceUID
    assert a.SeriesInstanceUID != b.SeriesInstanceUID
    assert a.StudyInstanceUID == b.StudyInstanceUID


def test_a_direct_picture_that_needs_no_turn_has_one_instance(tmp_path: Path) -> None:
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    sheet = write_sheet(tmp_path, [photo("IMG_0001.JPG", view="buccal", mirror=False)])
    assert [role for role, _ in instances(wrapped(sheet, tmp_path / "archive"))] == ["original"]


def test_the_scan_data_of_the_camera_are_kept_bit_for_bit(tmp_path: Path) -> None:
    data = camera_jpeg(tmp_path / "IMG_0001.JPG").read_bytes()
    told = wrapped(write_sheet(tmp_path, [photo("IMG_0001.JPG")]), tmp_path / "archive")
    original = pydicom.dcmread(instances(told)[0][1])
    frame = next(generate_frames(original.PixelData, number_of_frames=1))
    stripped = without_metadata(data)
    assert frame[: len(stripped)] == stripped and frame[len(stripped) :] in (b"", b"\0")
    assert stripped[stripped.index(b"\xff\xda") :] == data[data.rindex(b"\xff\xda") :]
    assert b"Exif" not in frame and b"Lumora" not in frame


def test_a_second_run_adds_nothing(tmp_path: Path) -> None:
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    sheet = write_sheet(tmp_path, [photo("IMG_0001.JPG")])
    first = wrapped(sheet, tmp_path / "archive")
    files = {p: p.read_bytes() for p in (tmp_path / "archive" / "objects").rglob("*.dcm")}
    second = wrapped(sheet, tmp_path / "archive")
    assert [one["status"] for one in second["photographs"]] == ["present"]
    assert instances(second) == instances(first)
    again = {p: p.read_bytes() for p in (tmp_path / "archive" / "objects").rglob("*.dcm")}
    assert again == files


def test_two_workers_make_what_one_makes(tmp_path: Path) -> None:
    names = [f"IMG_{n:04}.JPG" for n in range(7)]
    for seed, name in enumerate(names):
        camera_jpeg(tmp_path / name, seed, progressive=bool(seed % 2))
    sheet = write_sheet(tmp_path, [photo(name) for name in names])
    one = wrapped(sheet, tmp_path / "one")
    two = wrapped(sheet, tmp_path / "two", "--workers", 2)
    for a, b in zip(one["photographs"], two["photographs"], strict=True):
        assert a["file"] == b["file"]
        uids = [[k["sop_instance_uid"] for k in x["instances"]] for x in (a, b)]
        assert uids[0] == uids[1]
    for (_, a), (_, b) in zip(instances(one), instances(two), strict=True):
        assert pydicom.dcmread(a).PixelData == pydicom.dcmread(b).PixelData


def _bomb() -> bytes:
    """A PNG whose header promises 60,000 x 60,000 pixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    header = chunk(b"IHDR", struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0))
    return (
        b"\x89PNG\r\n\x1a\n"
        + header
        + chunk(b"IDAT", zlib.compress(b"\0" * 99))
        + chunk(b"IEND", b"")
    )


def _cmyk(path: Path) -> None:
    picture(9).convert("CMYK").save(path, "JPEG")


def _cut_short(path: Path) -> None:
    data = camera_jpeg(path, 9).read_bytes()
    path.write_bytes(data[: len(data) * 2 // 3])


BAD_FILES = {
    "empty": lambda p: p.write_bytes(b""),
    "text": lambda p: p.write_text("no picture at all"),
    "cut short": _cut_short,
    "CMYK": _cmyk,
    "a bomb": lambda p: p.write_bytes(_bomb()),
    "a folder": lambda p: (p.unlink(missing_ok=True), p.symlink_to("/dev/null")),
}


@pytest.mark.parametrize("kind", BAD_FILES)
def test_a_bad_file_costs_one_line_and_no_good_photograph(tmp_path: Path, kind: str) -> None:
    for n in (1, 3):
        camera_jpeg(tmp_path / f"IMG_000{n}.JPG", n)
    BAD_FILES[kind](tmp_path / "IMG_0002.JPG")
    names = [f"IMG_000{n}.JPG" for n in (1, 2, 3)]
    if kind == "a folder":
        # A device instead of a file: the sheet itself is wrong, and nothing is written.
        sheet = write_sheet(tmp_path, [photo(name) for name in names])
        result = archiver("wrap", sheet, "--archive", tmp_path / "archive")
        assert result.returncode == 2 and not (tmp_path / "archive").exists()
        return
    sheet = write_sheet(tmp_path, [photo(name) for name in names])
    result = archiver("wrap", sheet, "--archive", new_archive(tmp_path / "archive"))
    assert result.returncode == 1 and "Traceback" not in result.stderr
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1 and "IMG_0002.JPG" in lines[0], result.stderr
    assert len(list((tmp_path / "archive" / "objects").rglob("*.dcm"))) == 4


def test_a_wrong_sheet_is_told_whole_and_nothing_is_written(tmp_path: Path) -> None:
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    sheet = write_sheet(
        tmp_path,
        [
            photo("IMG_0001.JPG") + "\ncorp = 1",
            photo("IMG_0010.JPG"),
            photo("IMG_0001.JPG", tooth=59),
            photo("IMG_0001.JPG", tooth=36, view="palatal"),
            photo("IMG_0001.JPG") + "\ncrop = { left = 0, top = 0, width = 9999, height = 9 }",
        ],
    )
    result = archiver("wrap", sheet, "--archive", tmp_path / "archive")
    assert result.returncode == 2
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 5 and all(line.startswith("sheet.toml, line ") for line in lines)
    for words, line in zip(
        ("did you mean crop", "IMG_0001.JPG", "59", "palatal", "9999"), lines, strict=True
    ):
        assert words in line
    assert not (tmp_path / "archive").exists()


def test_the_same_picture_under_two_patients_is_refused(tmp_path: Path) -> None:
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    wrapped(write_sheet(tmp_path, [photo("IMG_0001.JPG")]), tmp_path / "archive")
    other = write_sheet(tmp_path, [photo("IMG_0001.JPG")], patient="P-0999")
    told = wrapped(other, tmp_path / "archive")
    assert told["status"] == 1
    assert "another patient" in told["photographs"][0]["problems"][0]
    assert len(list((tmp_path / "archive" / "objects").rglob("*.dcm"))) == 2


def test_a_changed_meaning_makes_new_instances_and_says_so(tmp_path: Path) -> None:
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    before = wrapped(write_sheet(tmp_path, [photo("IMG_0001.JPG")]), tmp_path / "archive")
    sheet = write_sheet(tmp_path, [photo("IMG_0001.JPG", tooth=26)])
    after = wrapped(sheet, tmp_path / "archive")
    assert not set(instances(before)) & set(instances(after))
    assert any("another meaning" in w for w in after["photographs"][0]["warnings"])


def test_photographs_stand_beside_the_radiograph_that_they_are_like(tmp_path: Path) -> None:
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    told = wrapped(write_sheet(tmp_path, [photo("IMG_0001.JPG")]), tmp_path / "first")
    radiograph = pydicom.dcmread(instances(told)[0][1])
    radiograph.SOPClassUID = "1.2.840.10008.5.1.4.1.1.1.3"
    radiograph.SOPInstanceUID = radiograph.file_meta.MediaStorageSOPInstanceUID = "2.25.77"
    radiograph.Modality, radiograph.StudyInstanceUID = "IO", "2.25.78"
    radiograph.PatientID = "P-0500"
    radiograph.save_as(tmp_path / "radiograph.dcm")
    sheet = tmp_path / "like.toml"
    sheet.write_text(f'numbering = "ISO 3950"\n[[photo]]\n{photo("IMG_0001.JPG")}\n')
    told = wrapped(sheet, tmp_path / "second", "--like", tmp_path / "radiograph.dcm")
    for _, path in instances(told):
        made = pydicom.dcmread(path)
        assert (made.PatientID, made.StudyInstanceUID) == ("P-0500", "2.25.78")


def test_a_starter_sheet_names_every_photograph_in_order_of_capture(tmp_path: Path) -> None:
    camera_jpeg(tmp_path / "B.JPG", 1)
    picture(2).save(tmp_path / "A.png")
    (tmp_path / "notes.txt").write_text("no picture")
    result = archiver("wrap", "--new-sheet", tmp_path)
    assert result.returncode == 0
    text = (tmp_path / "sheet.toml").read_text("utf-8")
    assert text.index('"B.JPG"') < text.index('"A.png"')  # the one without a time comes last
    assert "notes.txt" in result.stderr and "notes.txt" not in text
    assert archiver("wrap", "--new-sheet", tmp_path).returncode == 2  # never overwritten


def test_the_practice_settings_name_the_archive(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    settings = tmp_path / "archiver.toml"
    new_archive(tmp_path / "kept")
    settings.write_text(
        f'archive = "{tmp_path / "kept"}"\n[defaults]\nview = "occlusal"\nmirror = true\n'
    )
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
    sheet = write_sheet(tmp_path, ['file = "IMG_0001.JPG"\nteeth = [25]'])
    assert archiver("wrap", sheet).returncode == 0
    told = archiver("query", "--tooth", "iso:25", "--json").stdout
    found = json.loads(told)
    assert told == json.dumps(found, ensure_ascii=False, indent=2) + "\n" and len(found) == 2
    assert archiver("query", "--tooth", "iso:11", "--json").stdout == "[]\n"
    assert {r["mirror"] for r in found} == {"uncorrected", "corrected"}
    keys = {"patient_id", "study_date", "modality", "sop_instance_uid", "teeth", "view"}
    assert keys | {"mirror", "confirmed", "path"} <= set(found[0])


def test_a_picture_without_loss_is_the_same_pixels(tmp_path: Path) -> None:
    picture(5).save(tmp_path / "IMG_0001.PNG")
    told = wrapped(write_sheet(tmp_path, [photo("IMG_0001.PNG")]), tmp_path / "archive")
    source = Image.open(tmp_path / "IMG_0001.PNG").convert("RGB")
    shot, turned = (pydicom.dcmread(p) for _, p in instances(told))
    assert shot.pixel_array.tobytes() == source.tobytes()
    flipped = source.transpose(Image.Transpose.FLIP_TOP_BOTTOM)
    assert turned.pixel_array.tobytes() == flipped.tobytes()
    assert shot.LossyImageCompression == "00"


def test_the_journal_knows_the_digest_of_the_camera_file(tmp_path: Path) -> None:
    data = camera_jpeg(tmp_path / "IMG_0001.JPG").read_bytes()
    wrapped(write_sheet(tmp_path, [photo("IMG_0001.JPG")]), tmp_path / "archive")
    journal = (tmp_path / "archive" / "journal.jsonl").read_text("utf-8")
    assert hashlib.sha256(data).hexdigest() in journal
    assert "Okafor" not in journal and "P-0417" not in journal and "IMG_0001" not in journal


def test_an_identifier_known_as_somebody_elses_stops_the_sheet_until_somebody_has_looked(
    tmp_path: Path,
) -> None:
    for name in ("IMG_0001.JPG", "IMG_0002.JPG"):
        camera_jpeg(tmp_path / name, int(name[-5]))
    archive = new_archive(tmp_path / "archive")
    assert (
        archiver(
            "wrap", write_sheet(tmp_path, [photo("IMG_0001.JPG")]), "--archive", archive
        ).returncode
        == 0
    )
    sheet = write_sheet(tmp_path, [photo("IMG_0002.JPG")])
    other = sheet.read_text().replace("Okafor^Nadia", "Okoro-Blythe^Ada")
    sheet.write_text(other)
    stopped = archiver("wrap", sheet, "--archive", archive)
    assert stopped.returncode == 1
    assert "Okafor, Nadia" in stopped.stderr and "Okoro-Blythe, Ada" in stopped.stderr
    assert len(stopped.stderr.splitlines()) == 1
    said = 'name = "Okoro-Blythe^Ada"\nsame_person_checked_by = "Haugen^Liv"\n'
    sheet.write_text(other.replace('name = "Okoro-Blythe^Ada"\n', said))
    assert archiver("wrap", sheet, "--archive", archive).returncode == 2  # why is not said
    said += 'same_person_reason = "married"\n'
    sheet.write_text(other.replace('name = "Okoro-Blythe^Ada"\n', said))
    assert archiver("wrap", sheet, "--archive", archive).returncode == 0


def test_add_takes_from_quarantine_what_somebody_has_looked_at(tmp_path: Path) -> None:
    archive, elsewhere = tmp_path / "archive", tmp_path / "elsewhere"
    for folder, name in ((archive, "Okafor^Nadia"), (elsewhere, "Okoro-Blythe^Ada")):
        camera_jpeg(tmp_path / f"{folder.name}.JPG", len(folder.name))
        sheet = write_sheet(tmp_path, [photo(f"{folder.name}.JPG", view="buccal", mirror=False)])
        sheet.write_text(sheet.read_text().replace("Okafor^Nadia", name))
        assert archiver("wrap", sheet, "--archive", new_archive(folder)).returncode == 0
    added = archiver("add", elsewhere / "objects", "--archive", archive)
    assert added.returncode == 1 and "quarantined: " in added.stderr
    assert "1 lie" in added.stdout
    words = ("--same-person-checked-by", "Haugen^Liv")
    assert archiver("add", archive / "quarantine", "--archive", archive, *words).returncode == 2
    words += ("--reason", "has married")
    assert archiver("add", archive / "quarantine", "--archive", archive, *words).returncode == 0
    assert not list((archive / "quarantine").iterdir())


def test_the_pixel_budget_of_the_settings_is_the_one_that_the_message_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    sheet = write_sheet(tmp_path, [photo("IMG_0001.JPG")])
    settings = tmp_path / "archiver.toml"
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
    settings.write_text("[pictures]\nmegapixels = 0.01\n")
    refused = wrapped(sheet, tmp_path / "archive")
    assert refused["status"] == 1
    (problem,) = refused["photographs"][0]["problems"]
    assert "at most 0.01 megapixels" in problem
    assert "raise megapixels in the table [pictures] of the settings" in problem
    settings.write_text("[pictures]\nmegapixels = 100\n")
    assert wrapped(sheet, tmp_path / "archive")["status"] == 0


def test_settings_of_pictures_are_checked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = tmp_path / "archiver.toml"
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
    settings.write_text("[pictures]\nmegapixel = 100\nscans = 0\n")
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    sheet = write_sheet(tmp_path, [photo("IMG_0001.JPG")])
    result = archiver("wrap", sheet, "--archive", tmp_path / "archive")
    assert result.returncode == 2
    unknown, unfit = result.stderr.strip().splitlines()
    assert "megapixel" in unknown and "decoder_seconds" in unknown
    assert "scans = 0" in unfit


def test_a_jpeg_of_very_many_scans_is_refused_before_it_is_decoded(tmp_path: Path) -> None:
    (tmp_path / "IMG_0001.JPG").write_bytes(progressive(20_000, 400, 600))
    camera_jpeg(tmp_path / "IMG_0002.JPG")
    sheet = write_sheet(tmp_path, [photo("IMG_0001.JPG"), photo("IMG_0002.JPG")])
    told = wrapped(sheet, tmp_path / "archive")
    first, second = told["photographs"]
    assert "scans" in first["problems"][0] and "100 at most" in first["problems"][0]
    assert not second["problems"]
