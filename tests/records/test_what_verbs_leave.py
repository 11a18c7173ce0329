"""What the other verbs leave in an archive is in order by the audit's own measure."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from archiver.cli.main import main
from tests.cli.sessions import camera_jpeg, write_sheet
from tests.new_archive import new_archive

PHOTO = 'file = "{}.JPG"\nteeth = [16]\nview = "occlusal"\nmirror = true\n'


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A patient of whom a package was handed over."""
    folder = tmp_path_factory.mktemp("verbs")
    card, own = folder / "card", ["--archive", str(new_archive(folder / "archive"))]
    card.mkdir()
    for seed, name in enumerate(("A", "B")):
        camera_jpeg(card / f"{name}.JPG", seed, columns=1200, rows=800)
    confirmed = 'confirmed_by = "Haugen^Liv"\n'
    sheet = write_sheet(card, [PHOTO.format("A") + confirmed, PHOTO.format("B") + confirmed])
    patient = ["--patient-id", "P-0417"]
    assert main(["wrap", str(sheet), *own]) == 0
    assert main(["consent", *own, *patient, "--purpose", "referral", "--noted-by", "L"]) == 0
    words = ["--purpose", "referral", "--case", "7", "--to", "North clinic"]
    assert main(["handover", *own, *patient, *words, "--out", str(folder / "7")]) == 0
    return folder / "archive"


def test_a_note_of_what_was_handed_over_is_indexed_as_its_object_says(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "report"
    main(["audit", "--archive", str(archive), "--rules", "good-record", "--out", str(out)])
    capsys.readouterr()
    report = json.loads((out / "audit.json").read_text("utf-8"))
    assert report["archive"]["instances"] == 5  # two photographs, each twice, and the note
    assert [c for c in report["concerns"] if c["group"] == "integrity"] == []
