"""A side is confirmed by who has seen the picture: by its code, in a sheet or afterwards."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pydicom
import pytest
from PIL import Image, ImageFilter

from archiver.archive.query import Query, Record
from archiver.archive.store.archive import Archive
from archiver.cli import main
from archiver.objects.confirmation import ALPHABET, read_shown, signers
from archiver.objects.description import Description, describe
from archiver.objects.sheet import read_sheet
from tests.cli.sessions import camera_jpeg, photo, write_sheet
from tests.confirming import seen
from tests.new_archive import new_archive

Run = Callable[..., tuple[int, str, str]]
TEETH = Path(__file__).parents[1] / "vision" / "photographs" / "patient_0.left_buccal.jpeg"


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def run(*words: object) -> tuple[int, str, str]:
        capsys.readouterr()
        status = main([str(word) for word in words])
        told = capsys.readouterr()
        return status, told.out, told.err

    return run


@pytest.fixture
def card(tmp_path: Path) -> Path:
    folder = tmp_path / "card"
    folder.mkdir()
    camera_jpeg(folder / "A.JPG", 1)
    return folder


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    return new_archive(tmp_path / "archive")


def sheet_of(card: Path, *lines: str) -> Path:
    """A sheet as somebody wrote it, its codes with it."""
    path = write_sheet(card, [photo("A.JPG")])
    path.write_text(path.read_text("utf-8") + "".join(f"{line}\n" for line in lines), "utf-8")
    return path


def code(card: Path) -> str:
    session = read_sheet(sheet_of(card))
    return seen(session, session.photographs[0]).code


def records(archive: Path, **asked: Any) -> list[Record]:
    with Archive.open(archive, read_only=True) as opened:
        return opened.query(Query(modality="XC", **asked))


def said(record: Record) -> Description:
    return describe(pydicom.dcmread(record.path, stop_before_pixels=True))


BY = 'confirmed_by = "Haugen^Liv"'


@pytest.mark.parametrize("lines", [(BY,), (BY, 'shown = "7KQ2-M4"')], ids=["no code", "another's"])
def test_without_its_code_a_photograph_is_archived_as_unconfirmed_and_that_is_told(
    run: Run, card: Path, archive: Path, lines: tuple[str, ...]
) -> None:
    status, out, _ = run("wrap", sheet_of(card, *lines), "--archive", archive)
    assert status == 0
    assert "archived as unconfirmed, although Haugen^Liv is named" in out
    assert code(card) not in out, "the code is to be read under the picture"
    assert {r.confirmed for r in records(archive)} == {False}


def test_with_its_code_it_is_confirmed_with_who_when_and_what_was_shown(
    run: Run, card: Path, archive: Path
) -> None:
    typed = code(card).lower().replace("-", " ")
    sheet = sheet_of(card, BY, f'shown = "{typed}"')
    assert run("wrap", sheet, "--archive", archive)[0] == 0
    for record in records(archive):
        (one,) = said(record).confirmations
        assert (one.by, one.shown) == ("Haugen^Liv", seen_digest(card))
        assert one.when is not None and one.when.utcoffset() is not None
    journal = (archive / "journal.jsonl").read_text("utf-8")
    assert "side confirmed by Haugen^Liv at 20" in journal and seen_digest(card) in journal
    assert run("wrap", sheet, "--archive", archive)[0] == 0
    assert len(records(archive, include_rejected=True)) == 2


def seen_digest(card: Path) -> str:
    session = read_sheet(card / "sheet.toml")
    return seen(session, session.photographs[0]).digest


def test_what_is_said_of_the_picture_since_makes_its_code_another_one(card: Path) -> None:
    codes = {code(card)}
    changes = {
        "view": ('view = "occlusal"', 'view = "buccal"'),
        "teeth": ("teeth = [25]", "teeth = [15]"),
        "mirror": ("mirror = true", "mirror = false"),
        "crop": ("mirror = true", "mirror = true\ncrop = {left=0,top=0,width=64,height=64}"),
        "turn": ("mirror = true", 'mirror = true\noperator = "behind"'),
        "patient": ('id = "P-0417"', 'id = "P-0418"'),
    }
    for old, new in changes.values():
        sheet = sheet_of(card)
        text = sheet.read_text("utf-8")
        assert old in text
        sheet.write_text(text.replace(old, new), "utf-8")
        session = read_sheet(sheet)
        codes.add(seen(session, session.photographs[0]).code)
    camera_jpeg(card / "A.JPG", 2)
    codes.add(code(card))
    assert len(codes) == 2 + len(changes)
    assert all(set(one) <= {*ALPHABET, "-"} for one in codes)


def test_nobody_confirms_every_picture_of_a_sheet_or_of_a_practice(
    run: Run, card: Path, archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = sheet_of(card)
    text = sheet.read_text("utf-8").replace("[[photo]]", f"[defaults]\n{BY}\n\n[[photo]]", 1)
    sheet.write_text(text, "utf-8")
    line = text.splitlines().index(BY) + 1
    status, _, err = run("wrap", sheet, "--archive", archive)
    assert status == 2 and f"line {line}" in err and "never for several" in err
    settings = tmp_path / "archiver.toml"
    settings.write_text(f"[defaults]\noperator = 'front'\n{BY}\n", "utf-8")
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
    status, _, err = run("wrap", sheet_of(card), "--archive", archive)
    assert status == 2 and "line 3" in err and "never for several" in err
    assert records(archive) == []


def test_a_review_draws_what_would_be_archived_and_archives_nothing(
    run: Run, card: Path, archive: Path, tmp_path: Path
) -> None:
    picture = tmp_path / "review.png"
    camera_jpeg(card / "A.JPG", 1)
    with Image.open(card / "A.JPG") as shot, Image.open(TEETH) as teeth:
        soft = teeth.filter(ImageFilter.GaussianBlur(4))
        soft.save(card / "A.JPG", quality=92, exif=shot.info["exif"])
    before = sorted(path.name for path in archive.rglob("*"))
    status, out, _ = run("wrap", sheet_of(card), "--archive", archive, "--review", picture)
    assert status == 0 and str(picture) in out and picture.stat().st_size > 10_000
    assert "the teeth are soft" in out
    assert sorted(path.name for path in archive.rglob("*")) == before


def test_an_archived_side_is_confirmed_by_its_code_and_countersigned_by_another(
    run: Run, card: Path, archive: Path
) -> None:
    assert run("wrap", sheet_of(card), "--archive", archive)[0] == 0
    own, name = code(card), ("--archive", archive, "--by")
    status, out, err = run("confirm", *name, "Haugen^Liv", own.lower())
    assert (status, err) == (0, "") and "side confirmed by Haugen^Liv" in out
    assert [said(r).certainty for r in records(archive)] == ["bound", "bound"]
    status, _, err = run("confirm", *name, "haugen^LIV", own)
    assert status == 1 and "nothing would change" in err
    assert run("confirm", *name, "Vale^Iris", own)[0] == 0
    for record in records(archive):
        assert said(record).certainty == "countersigned"
        assert signers(said(record).confirmations) == ("Haugen^Liv", "Vale^Iris")
    status, out, _ = run("confirm", *name, "Vale^Iris", "7KQ2-M4", "nonsense", "--json")
    told = json.loads(out)
    assert status == 1 and all(one["problems"] for one in told)
    # The sheet that led to it says nothing new.
    count = len(records(archive, include_rejected=True))
    assert run("wrap", sheet_of(card), "--archive", archive)[0] == 0
    assert len(records(archive, include_rejected=True)) == count


def certainties(run: Run, archive: Path, *asked: str) -> list[str | None]:
    photographs = ("--modality", "XC")
    status, out, _ = run("query", "--archive", archive, "--json", *photographs, *asked)
    assert status == 0
    return [one["certainty"] for one in json.loads(out)]


def test_query_tells_how_a_side_is_confirmed(run: Run, card: Path, archive: Path) -> None:
    assert run("wrap", sheet_of(card), "--archive", archive)[0] == 0
    assert certainties(run, archive) == ["", ""]
    own = code(card)
    for by, now in (("Haugen^Liv", "bound"), ("Vale^Iris", "countersigned")):
        assert run("confirm", "--archive", archive, "--by", by, own)[0] == 0
        assert certainties(run, archive) == [now, now]
    # What an earlier version indexed as confirmed was said, and bound to nothing.
    with closing(sqlite3.connect(archive / "index.sqlite")) as database, database:
        database.execute("DROP TABLE shown")
    assert certainties(run, archive) == ["said", "said"]
    assert run("rebuild", "--archive", archive)[0] == 0
    assert certainties(run, archive) == ["countersigned", "countersigned"]


def test_query_tells_of_a_confirmation_that_is_of_something_else(
    run: Run, card: Path, archive: Path, tmp_path: Path
) -> None:
    sheet = sheet_of(card, BY, f'shown = "{code(card)}"')
    assert run("wrap", sheet, "--archive", archive)[0] == 0
    ds = pydicom.dcmread(records(archive, role="derived")[0].path)
    ds.PatientID, ds.SOPInstanceUID = "P-0418", "2.25.77"
    ds.StudyInstanceUID, ds.SeriesInstanceUID = "2.25.78", "2.25.79"
    ds.file_meta.MediaStorageSOPInstanceUID = "2.25.77"
    ds.save_as(tmp_path / "other.dcm")
    assert run("add", tmp_path / "other.dcm", "--archive", archive)[0] == 0
    assert certainties(run, archive, "--patient-id", "P-0418") == ["lapsed"]


def test_a_sheet_with_the_code_confirms_what_it_archived_before(
    run: Run, card: Path, archive: Path
) -> None:
    assert run("wrap", sheet_of(card), "--archive", archive)[0] == 0
    own = code(card)
    sheet = sheet_of(card, BY, f'shown = "{own}"')
    for _ in range(2):
        assert run("wrap", sheet, "--archive", archive)[0] == 0
        assert [r.confirmed for r in records(archive)] == [True, True]
        assert len(records(archive, include_rejected=True)) == 4


def test_a_picture_that_was_amended_is_no_longer_named_by_its_old_code(
    run: Run, card: Path, archive: Path
) -> None:
    assert run("wrap", sheet_of(card), "--archive", archive)[0] == 0
    uid = records(archive, role="derived")[0].sop_instance_uid
    assert run("amend", uid, "--tooth", "iso:26", "--archive", archive)[0] == 0
    status, _, err = run("confirm", "--archive", archive, "--by", "Haugen^Liv", code(card))
    assert status == 1 and "no picture with the code" in err
    assert {r.confirmed for r in records(archive)} == {False}


def test_an_object_whose_header_was_changed_afterwards_is_not_confirmed(
    run: Run, card: Path, archive: Path
) -> None:
    sheet = sheet_of(card, BY, f'shown = "{code(card)}"')
    assert run("wrap", sheet, "--archive", archive)[0] == 0
    for record in records(archive):
        ds = pydicom.dcmread(record.path, stop_before_pixels=True)
        ds.PatientID = "P-0418"
        changed = describe(ds)
        assert (changed.confirmed, changed.certainty) == (False, "lapsed")


def test_a_code_is_read_however_it_is_typed() -> None:
    for typed in ("7KQ2-M4", "7kq2m4", " 7kq2 m4 ", "7KQ2–M4"):
        assert read_shown(typed) == "7KQ2-M4"
