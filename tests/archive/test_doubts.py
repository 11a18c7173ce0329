"""Doubts go with a photograph through `archiver wrap`: told, listed, answered by the sheet."""

from __future__ import annotations

import json
from datetime import datetime, timezone
from pathlib import Path

import piexif
import pytest

from archiver import AmendmentRequest, AmendmentSettings, Archive, Change, amend, cli
from archiver.archive.statements import confirmation_of, kept_doubts, looked_at
from archiver.objects import FLIPS
from tests.photo.camera_files import camera_exif, camera_jpeg, repainted, shot, thumbnail

SHEET = """\
numbering = "ISO 3950"
[patient]
id = "P-0417"
[visit]
date = 2026-03-04
[[photo]]
file = "a.jpg"
mirror = false
"""


def wrapped(
    folder: Path, said: str, capsys: pytest.CaptureFixture[str], view: str = "frontal"
) -> tuple[dict, str]:
    """Wrap the one photograph of a folder; what the report for programs and for people say."""
    sheet = folder / "sheet.toml"
    sheet.write_text(SHEET + f'view = "{view}"\n' + said, "utf-8")
    archive = folder / ("archive" + str(abs(hash(said))))
    assert cli.main(["init", str(archive)]) == 0
    capsys.readouterr()
    assert cli.main(["wrap", str(sheet), "--archive", str(archive), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["photographs"][0]
    assert cli.main(["wrap", str(sheet), "--archive", str(archive)]) == 0
    return told, capsys.readouterr().out


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    picture, stream = shot()
    (tmp_path / "a.jpg").write_bytes(repainted(picture, 2, piexif.dump(piexif.load(stream))))
    return tmp_path


def kinds(told: dict) -> list[str]:
    return [one["kind"] for one in told["doubts"] if not one["answered"]]


def test_a_doubt_is_told_before_the_side_and_listed_with_its_evidence(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told, words = wrapped(folder, "", capsys)
    assert kinds(told) == ["embedded picture", "editor"]
    assert told["doubts"][0]["evidence"]["turn"] == 2
    assert "doubt: the camera's own thumbnail shows it otherwise" in words
    assert "flipped left to right" in words


@pytest.mark.parametrize("flipped", ["left-right", "no"])
def test_the_sheet_answers_a_doubt_by_saying_how_it_was_flipped(
    folder: Path, flipped: str, capsys: pytest.CaptureFixture[str]
) -> None:
    told, words = wrapped(folder, f'flipped = "{flipped}"\n', capsys)
    assert told["doubts"] and kinds(told) == []
    assert told["correction"] == (2 if flipped == "left-right" else 1)
    assert "doubt:" not in words


@pytest.mark.parametrize("said", ["", 'flipped = "no"\n'])
def test_doubts_are_kept_with_their_answers_and_outlive_a_confirmation(
    folder: Path, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    told, _ = wrapped(folder, said, capsys)
    uid = told["instances"][-1]["sop_instance_uid"]
    (archive,) = (path for path in folder.iterdir() if path.name.startswith("archive"))
    kept = kept_doubts(archive)[uid]
    expected = [(kind, bool(said)) for kind in ("embedded picture", "editor")]
    assert [(one.kind.value, one.is_answered) for one in kept] == expected
    assert "the camera's own thumbnail shows it otherwise" in str(kept[0].text)
    journal = (archive / "journal.jsonl").read_text("utf-8")
    assert ("doubt (editor) answered by flipped" in journal) is bool(said)
    with Archive.open(archive, actor="test") as opened:
        code = looked_at(opened, uid).examined.code
        wish = confirmation_of(uid, "Haugen^Liv", code)
        done = amend(opened, wish, AmendmentSettings(datetime.now(timezone.utc)))
        after = done.amendment.successors[-1].sop_instance_uid
        assert [(o.kind.value, o.is_answered) for o in kept_doubts(archive)[after]] == expected
        flip = AmendmentRequest(after, Change(flipped=FLIPS["left-right"]), by="Haugen^Liv")
        done = amend(opened, flip, AmendmentSettings(datetime.now(timezone.utc)))
    after = done.amendment.successors[-1].sop_instance_uid
    assert all(one.is_answered for one in kept_doubts(archive)[after])


@pytest.mark.parametrize("said", ['checked = "tooth"', "checked = []", "checked = true"])
def test_what_was_checked_is_said_in_its_own_words_and_of_one_picture(
    folder: Path, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = folder / "sheet.toml"
    sheet.write_text(SHEET + 'view = "left buccal"\n' + said + "\n", "utf-8")
    assert cli.main(["init", str(folder / "new")]) == 0
    assert cli.main(["wrap", str(sheet), "--archive", str(folder / "new")]) == 2
    assert '"teeth" or "patient"' in capsys.readouterr().err
    sheet.write_text('[defaults]\nchecked = "teeth"\n' + SHEET + 'view = "left buccal"\n', "utf-8")
    assert cli.main(["wrap", str(sheet), "--archive", str(folder / "new")]) == 2
    assert "checked holds for one picture" in capsys.readouterr().err


def test_a_flip_that_the_thumbnail_contradicts_is_no_answer(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told, _ = wrapped(folder, 'flipped = "top-bottom"\n', capsys)
    assert kinds(told) == ["embedded picture"]


@pytest.mark.parametrize(
    ("said", "left"),
    [("", ["orientation"]), ('exif_orientation = "ignore"\n', []), ('top = "anterior"\n', [])],
)
def test_an_orientation_in_doubt_is_answered_by_what_a_person_saw(
    tmp_path: Path, said: str, left: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    picture, _ = shot("patient_0.lower_occlusal")
    exif = camera_exif(picture, thumbnail(picture), 3)
    (tmp_path / "a.jpg").write_bytes(camera_jpeg(picture, exif))
    told, _ = wrapped(tmp_path, said, capsys, "lower occlusal arch")
    assert kinds(told) == left


def test_a_photograph_as_its_camera_made_it_is_not_doubted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "a.jpg").write_bytes(shot()[1])
    told, words = wrapped(tmp_path, "", capsys)
    assert told["doubts"] == [] and "doubt:" not in words
