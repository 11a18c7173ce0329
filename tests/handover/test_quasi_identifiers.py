"""What could single a patient out is said before a package is made, purpose by purpose."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from handover_samples import agreed, camera_file, opened, order, photo, take

from archiver.archive.store.archive import Archive
from archiver.cli.main import main
from archiver.handover.order import preview_package
from archiver.handover.quasi_identifiers import QuasiIdentifier, risks_of
from archiver.objects.purposes import Purpose


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    folder = tmp_path_factory.mktemp("risk")
    archive = opened(folder)
    told = ('comment = "agenesis of 12, lip piercing"', 'stage = "before"')
    for number, (day, lines) in enumerate((("2026-03-04", told), ("2026-04-08", ())), 1):
        camera_file(folder / f"{number}.JPG", number)
        take(archive, folder, [photo(f"{number}.JPG", *lines)], day=day)
    agreed(archive)
    return archive


def risks(archive: Archive, folder: Path, purpose: Purpose) -> dict[str, QuasiIdentifier]:
    chosen = preview_package(archive, order(folder, purpose=purpose))
    return {one.kind: one for one in risks_of(chosen)}


def test_every_kind_is_told_whether_it_goes_out_or_not(archive: Archive, tmp_path: Path) -> None:
    for purpose in Purpose:
        found = risks(archive, tmp_path, purpose)
        assert list(found) == ["age", "sex", "dates", "times", "camera", "faces",
                               "missing_teeth", "rare_finding", "marks"]  # fmt: skip


def test_age_and_sex_go_out_by_purpose(archive: Archive, tmp_path: Path) -> None:
    sex = {p: risks(archive, tmp_path, p)["sex"].goes_out for p in Purpose}
    assert {p for p, out in sex.items() if out} == {Purpose.REFERRAL}
    assert str(risks(archive, tmp_path, Purpose.TEACHING)["sex"].told) == "sex: removed"


def test_dates_are_told_as_the_purpose_has_them(archive: Archive, tmp_path: Path) -> None:
    told = {p: str(risks(archive, tmp_path, p)["dates"].told) for p in Purpose}
    assert "moved" in told[Purpose.LABORATORY] and "within 35 days" in told[Purpose.LABORATORY]
    assert "real; visits: 2" in told[Purpose.PATIENT_COPY]
    assert "none, but the order" in told[Purpose.PUBLICATION]


def test_what_somebody_wrote_is_told_by_picture_and_never_in_their_words(
    archive: Archive, tmp_path: Path
) -> None:
    found = risks(archive, tmp_path, Purpose.TEACHING)
    assert found["missing_teeth"].goes_out and found["marks"].goes_out
    assert "pictures 1," in str(found["marks"].told)
    assert found["rare_finding"].goes_out is None
    assert "look at the pictures" in str(found["rare_finding"].told)
    assert not any("lip" in str(one.told) for one in found.values())


def test_the_verb_lists_them(
    archive: Archive, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    at = ["handover", "--archive", str(archive.layout.root), "--patient-id", "P-0417"]
    at += ["--case", "1187", "--purpose", "referral", "--list"]
    assert main([*at, "--risk"]) == 0
    assert "sex: included" in capsys.readouterr().out.splitlines()
    assert main([*at, "--risk", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["risk"]
    assert {"kind": "sex", "goes_out": True, "told": "sex: included"} in told
    assert main(at) == 0
    assert "sex:" not in capsys.readouterr().out


def test_nothing_is_said_of_a_picture_that_is_left_out(archive: Archive, tmp_path: Path) -> None:
    chosen = preview_package(archive, order(tmp_path, purpose=Purpose.TEACHING))
    second = replace(chosen, pictures=chosen.pictures[1:])
    assert {one.kind: one for one in risks_of(second)}["marks"].goes_out is None
