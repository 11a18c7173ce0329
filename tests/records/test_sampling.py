"""A sample is drawn by its seed and shown without words; agreement is Cohen's kappa."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from PIL import Image

from archiver.archive.query import Query
from archiver.archive.store import Archive
from archiver.records import JudgedAgreement, agreement_of
from archiver.workflow import note_judgement, picture_file, read_sample
from tests.cli.in_process import archiver
from tests.cli.sessions import camera_jpeg, photo, write_sheet
from tests.new_archive import new_archive


def _pairs(table: list[list[int]]) -> list[tuple[str, str]]:
    return [
        (str(row), str(column))
        for row, counts in enumerate(table)
        for column, count in enumerate(counts)
        for _ in range(count)
    ]


def _found(table: list[list[int]]) -> JudgedAgreement:
    found = agreement_of(_pairs(table))
    assert found is not None
    return found


def test_kappa_is_that_of_the_example_with_which_it_was_published() -> None:
    # J. Cohen, Educational and Psychological Measurement 20 (1960) 37, table 1: 200 cases, three
    # categories, kappa .492, standard error .055 (counts from memory; the sums are his: .70, .41).
    found = _found([[88, 14, 18], [10, 40, 10], [2, 6, 12]])
    assert found.observed == pytest.approx(0.70) and found.expected == pytest.approx(0.41)
    assert found.kappa == pytest.approx(0.492, abs=5e-4)
    assert found.standard_error == pytest.approx(0.055, abs=5e-4)


def test_agreement_as_by_chance_is_none_and_without_a_choice_unknown() -> None:
    assert _found([[25, 25], [25, 25]]).kappa == pytest.approx(0)
    assert _found([[10, 0], [0, 10]]).kappa == pytest.approx(1)
    assert _found([[0, 10], [10, 0]]).kappa == pytest.approx(-1)
    assert _found([[10]]).kappa is None and agreement_of([]) is None


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sampled")
    card, made = folder / "card", new_archive(folder / "archive")
    card.mkdir()
    shots = []
    for number, (tooth, view) in enumerate(((26, "occlusal"), (36, "occlusal"), (26, "buccal"))):
        camera_jpeg(card / f"{number}.JPG", number)
        shots.append(photo(f"{number}.JPG", tooth, view))
    assert archiver("wrap", write_sheet(card, shots), "--archive", made).returncode in (0, 1)
    return made


def drawn(archive: Path, folder: Path, count: int = 2, seed: str = "2026-I") -> list[str]:
    words = ("--count", count, "--seed", seed, "--archive", archive, "--json")
    said = archiver("sample", "--into", folder, *words)
    assert said.returncode == 0, said.stderr
    return list(json.loads(said.stdout)["drawn"])


def test_the_same_seed_draws_the_same_and_anybody_can_draw_it_again(
    archive: Path, tmp_path: Path
) -> None:
    first = drawn(archive, tmp_path / "a")
    assert first == drawn(archive, tmp_path / "b") and len(first) == 2
    with Archive.open(archive, read_only=True) as opened:
        shown = [
            o.sop_instance_uid for o in opened.query(Query(modality="XC")) if o.role != "original"
        ]

    def place(seed: str, uid: str) -> str:
        return hashlib.sha256(f"{seed}:{uid}".encode()).hexdigest()

    assert first == sorted(shown, key=lambda uid: place("2026-I", uid))[:2]
    others = {tuple(drawn(archive, tmp_path / f"s{n}", 1, f"seed {n}")) for n in range(8)}
    assert len(others) > 1


def test_a_picture_lies_there_without_a_word_of_what_the_record_says(
    archive: Path, tmp_path: Path
) -> None:
    drawn(archive, tmp_path / "sample", 3)
    names = sorted(path.name for path in (tmp_path / "sample").iterdir())
    assert names == ["0001.png", "0002.png", "0003.png", "sample.json"]
    with Image.open(picture_file(tmp_path / "sample", 1)) as picture:
        assert picture.size[0] > 100 and picture.info == {}


def test_judgements_are_held_against_the_record(archive: Path, tmp_path: Path) -> None:
    folder = tmp_path / "sample"
    drawn(archive, folder, 3)
    sample = read_sample(folder)
    views = ("occlusal upper left", "occlusal lower left", "buccal upper left", "cannot tell")
    assert set(sample.categories) == set(views)
    own = ("--into", folder, "--result", "--archive", archive)
    assert archiver("sample", *own).returncode == 2
    for number in (1, 2, 3):
        note_judgement(folder, number, "cannot tell")
    told = json.loads(archiver("sample", *own, "--json").stdout)
    assert told["observed"] == 0 and told["judged"] == 3
    right = {one["number"]: one["record"] for one in told["pictures"]}
    note_judgement(folder, 1, right[1])
    note_judgement(folder, 2, right[2])
    said = archiver("sample", *own)
    assert said.returncode == 1 and "2 of 3 agree" in said.stdout
    assert right[3] in said.stdout and "cannot tell" in said.stdout
    note_judgement(folder, 3, right[3])
    whole = archiver("sample", *own, "--json")
    assert whole.returncode == 0 and json.loads(whole.stdout)["kappa"] == 1


def test_a_sample_is_not_drawn_over_another_nor_judged_against_another_archive(
    archive: Path, tmp_path: Path
) -> None:
    drawn(archive, tmp_path / "sample")
    words = ("--into", tmp_path / "sample", "--archive", archive)
    again = archiver("sample", *words, "--count", 2, "--seed", "x")
    assert again.returncode == 1 and "already" in again.stderr
    other = new_archive(tmp_path / "other")
    note_judgement(tmp_path / "sample", 1, "occlusal upper")
    said = archiver("sample", "--into", tmp_path / "sample", "--result", "--archive", other)
    assert said.returncode == 1 and "another archive" in said.stderr
