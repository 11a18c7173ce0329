"""`archiver consent` and `archiver handover` as a user runs them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from handover_samples import HEAD, PATIENT, camera_file, photo

from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.cli import main
from tests.confirming import look_at_sheet
from tests.new_archive import new_archive


@pytest.fixture
def archive(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """An archive with a confirmed and an unconfirmed picture, wrapped by the verb."""
    folder = new_archive(tmp_path / "archive")
    camera_file(tmp_path / "1.JPG", 1)
    camera_file(tmp_path / "2.JPG", 2)
    photos = [photo("1.JPG"), photo("2.JPG", tooth=26, confirmed=False)]
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(
        HEAD.format(day="2026-03-04") + "".join(f"\n[[photo]]\n{one}\n" for one in photos)
    )
    look_at_sheet(sheet)
    assert main(["wrap", str(sheet), "--archive", str(folder)]) == 0
    capsys.readouterr()
    return folder


def consent(archive: Path, *words: str) -> int:
    return main(["consent", "--archive", str(archive), "--patient-id", PATIENT, *words])


def handover(archive: Path, *words: str) -> int:
    told = ["--archive", str(archive), "--patient-id", PATIENT, "--case", "1187", *words]
    return main(["handover", *told])


def test_a_first_package_from_consent_to_files(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "1187"
    whom = ("--tooth", "iso:25", "--to", "North laboratory", "--out", str(out))
    assert handover(archive, *whom) == 1
    told = capsys.readouterr().err
    assert "consent for the purpose laboratory is not on record" in told and told.count("\n") == 1
    assert consent(archive, "--purpose", "laboratory", "--noted-by", "Haugen^Liv") == 0
    assert "laboratory    given (noted" in capsys.readouterr().out
    assert handover(archive, *whom) == 0
    told = capsys.readouterr().out
    assert told.startswith(f"{out}: case 1187, 1 picture, 6 files")
    assert (out / "1187.pdf").exists() and (out / "1187-01.jpg").exists()


def test_a_medium_is_made_whose_page_is_to_be_looked_at(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert consent(archive, "--purpose", "patient-copy", "--noted-by", "Haugen^Liv") == 0
    out = tmp_path / "stick"
    asked = ("media", "--archive", str(archive), "--patient-id", PATIENT, "--with-identity")
    asked = (*asked, "--to", "the patient", "--case", "CD-1", "--out", str(out))
    assert main([*asked, "--insist-by", "Haugen^Liv"]) == 0
    told = capsys.readouterr().out.splitlines()[-1]
    assert told.startswith(f"{out}: 2 objects, ") and told.endswith("before it goes out")
    assert main([*asked, "--insist-by", "Haugen^Liv", "--json"]) == 1, "it is there already"
    assert (out / "DICOMDIR").exists()


def test_a_list_says_what_would_go_and_what_speaks_against_it(
    archive: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert handover(archive, "--list") == 0
    told = capsys.readouterr().out
    assert "  1 2026-03-04 25 occlusal" in told
    assert "doubtful: no person has confirmed its side" in told
    assert "consent for the purpose laboratory is not on record" in told
    assert handover(archive, "--list", "--json", "--without-doubtful") == 0
    told = json.loads(capsys.readouterr().out)
    assert "laboratory" in told["consent_missing"]
    consent(archive, "--purpose", "laboratory", "--noted-by", "Haugen^Liv")
    capsys.readouterr()
    assert handover(archive, "--list", "--json", "--without-doubtful") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["consent_missing"] is None
    assert [one["teeth"] for one in told["pictures"]] == [["25"]]
    assert len(told["left_out"]) == 1


def test_doubtful_pictures_are_refused_one_line_each(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    consent(archive, "--purpose", "laboratory", "--noted-by", "Haugen^Liv")
    capsys.readouterr()
    words = ("--to", "North laboratory", "--out", str(tmp_path / "p"))
    assert handover(archive, *words) == 1
    told = capsys.readouterr().err
    assert told.startswith("picture 2: no person has confirmed its side") and told.count("\n") == 1
    assert handover(archive, *words, "--insist-by", "Haugen^Liv", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["case"] == "1187" and len(told["instances"]) == 2


def test_a_zip_gets_its_ending(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    consent(archive, "--purpose", "referral", "--noted-by", "Haugen^Liv")
    words = ("--purpose", "referral", "--to", "Dr. Lund", "--out", str(tmp_path / "p"), "--zip")
    assert handover(archive, *words, "--without-doubtful") == 0
    assert "left out:" in capsys.readouterr().err
    assert (tmp_path / "p.zip").is_file() and not (tmp_path / "p").exists()


def test_a_withdrawal_tells_what_is_outside_already(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = ("--purpose", "laboratory", "--noted-by", "Haugen^Liv")
    consent(archive, *said, "--until", "2999-01-01")
    handover(archive, "--to", "North", "--out", str(tmp_path / "p"), "--without-doubtful")
    capsys.readouterr()
    assert consent(archive, *said, "--withdrawn") == 0
    told = capsys.readouterr().out
    assert "laboratory    was withdrawn" in told
    assert "outside already: case 1187, to North" in told
    assert consent(archive, "--json") == 0
    (one,) = json.loads(capsys.readouterr().out)
    assert one["state"] == "withdrawn" and one["holds"] is False


def test_a_consent_to_a_picture_on_a_paper(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Archive.open(archive, read_only=True) as opened:
        (uid, *_) = [one.sop_instance_uid for one in opened.query(Query(role="original"))]
    said = ("--purpose", "laboratory", "--noted-by", "Haugen^Liv", "--picture", uid)
    form = tmp_path / "signed.pdf"
    assert consent(archive, *said, "--form", str(form)) == 1
    form.write_bytes(b"no paper")
    capsys.readouterr()
    assert consent(archive, *said, "--form", str(form)) == 1
    assert f"{form}: " in capsys.readouterr().err
    form.write_bytes(b"%PDF-1.4\n%%EOF\n")
    assert consent(archive, *said, "--form", str(form), "--given-by", "parent") == 1
    with Archive.open(archive, read_only=True) as opened:
        assert not [one for one in opened.query(Query()) if one.modality == "DOC"]
    capsys.readouterr()
    assert consent(archive, *said, "--form", str(form)) == 0
    told = capsys.readouterr().out
    assert "for 2 pictures alone; on the paper " in told
    consent(archive, "--json")
    (one,) = json.loads(capsys.readouterr().out)
    assert uid in one["pictures"] and one["form"]


def test_masked_pictures_are_shown_with_their_codes(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "look"
    assert handover(archive, "--list", "--mask", "1=0,0,50,20", "--review", str(folder)) == 0
    (line,) = [one for one in capsys.readouterr().out.splitlines() if "--seen " in one]
    assert line.startswith(f"{folder / 'masked-01.png'}: is nobody recognised?")
    assert (folder / "masked-01.png").read_bytes().startswith(b"\x89PNG")
    assert handover(archive, "--list", "--seen", "nonsense") == 1


def test_only_what_the_withdrawn_consent_let_out_is_told(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "sheet.toml"
    camera_file(tmp_path / "3.JPG", 3)
    other = HEAD.format(day="2026-03-04").replace(PATIENT, "P-0999") + "\n[[photo]]\n"
    sheet.write_text(other + photo("3.JPG"))
    look_at_sheet(sheet)
    assert main(["wrap", str(sheet), "--archive", str(archive)]) == 0
    given = ("--purpose", "laboratory", "--noted-by", "Haugen^Liv")
    teaching = ("--purpose", "teaching", "--noted-by", "Haugen^Liv", "--withdrawn")
    consent(archive, *given)
    assert not handover(
        archive, "--to", "North", "--out", str(tmp_path / "p"), "--without-doubtful"
    )
    somebody = ["--archive", str(archive), "--patient-id", "P-0999", *given, "--withdrawn"]
    for again in (
        lambda: consent(archive, *given),
        lambda: consent(archive, *teaching),
        lambda: main(["consent", *somebody]),
    ):
        capsys.readouterr()
        assert again() == 0
        assert "outside already" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("verb", "words", "told"),
    [
        ("handover", ["--case", "1"], "--patient-id is missing"),
        ("handover", ["--case", "1", "--patient-id", PATIENT], "--to and --out are missing"),
        ("handover", ["--case", "1", "--mask", "1=2,3"], '"1=2,3" is no N=left,top,width,height'),
        ("handover", ["--patient-id", PATIENT], "--case"),
        ("consent", ["--patient-id", PATIENT, "--withdrawn"], "--purpose is missing"),
        ("consent", ["--patient-id", PATIENT, "--purpose", "teaching"], "--noted-by is missing"),
    ],
)
def test_wrong_use_is_told(
    archive: Path, capsys: pytest.CaptureFixture[str], verb: str, words: list[str], told: str
) -> None:
    assert main([verb, "--archive", str(archive), *words]) == 2
    assert told in capsys.readouterr().err


def test_an_unknown_patient_is_told(archive: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["consent", "--archive", str(archive), "--patient-id", "P-9999"]) == 1
    assert "the archive has no patient 'P-9999'" in capsys.readouterr().err


def test_a_sheet_can_carry_the_consent(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "sheet.toml"
    table = '[consent]\npurposes = ["laboratory", "teaching"]\nnoted_by = "Haugen^Liv"\n'
    sheet.write_text(sheet.read_text().replace("[visit]", f"{table}[visit]", 1))
    for _ in "12":  # a second run adds nothing
        assert main(["wrap", str(sheet), "--archive", str(archive)]) == 0
    capsys.readouterr()
    assert consent(archive) == 0
    told = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in told] == ["laboratory", "teaching"]
    assert (archive / "consents.jsonl").read_text().count("\n") == 2
