"""Objects of other programs, spoilt in every way: a verb says so in a line, and carries on.

``ARCHIVER_ROUNDS=10000 tests/run tests/handover/test_mutated_objects.py`` spoils 10,000;
``ARCHIVER_FIRST`` says with which it begins, so that they can be run in parts.
"""

from __future__ import annotations

import contextlib
import io
import os
import random
import shutil
import traceback
import warnings
from pathlib import Path

import pytest
from handover_samples import NOW, agreed, camera_file, opened, order, photo, take
from mutants import kinds, mutant, read
from pydicom import Dataset

from archiver.archive.query import Query
from archiver.cli.main import main
from archiver.handover.package import hand_over
from archiver.objects.purposes import Purpose

ROUNDS = int(os.environ.get("ARCHIVER_ROUNDS", "16"))
FIRST = int(os.environ.get("ARCHIVER_FIRST", "0"))
#: Mutants that are in an archive together.
TOGETHER = 8
#: Where the 10,000 once found a traceback.
FOUND = (600, 720, 2152, 2208)
RULES = ("cosmetic-twelve", "five-intraoral", "good-record")


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive of two visits with a selection note and a rejection note."""
    folder = tmp_path_factory.mktemp("base")
    with opened(folder) as archive:
        for number, day in enumerate(("2026-03-04", "2026-04-08"), 1):
            camera_file(folder / f"{number}.JPG", number)
            take(archive, folder, [photo(f"{number}.JPG", 'light = "ring flash"')], day=day)
        agreed(archive)
        hand_over(archive, order(folder), NOW)
        (first, *_) = archive.query(Query(patient_id="P-0417", role="original"))
    run("amend", "--archive", folder / "archive", first.sop_instance_uid, "--tooth", "iso:26",
        "--by", "Haugen^Liv")  # fmt: skip
    return folder / "archive"


@pytest.fixture(scope="module")
def good(base: Path) -> list[Dataset]:
    objects = [read(path) for path in sorted((base / "objects").rglob("*.dcm"))]
    photographs = [one for one in objects if one.Modality == "XC"]
    notes = [one for one in objects if one.Modality == "KO"]
    assert photographs and len(notes) == 3
    return kinds(photographs, notes)


def run(*words: object) -> tuple[int, str]:
    """Run a verb; an exception that is none of ours comes out."""
    out = io.StringIO()
    with (
        warnings.catch_warnings(),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(out),
    ):
        warnings.simplefilter("ignore")
        status = main([str(word) for word in words])
    return status, out.getvalue()


def verbs(rng: random.Random, root: Path, folder: Path, files: list[Path]) -> list[list[object]]:
    """What is done with an archive that holds mutants; the files are theirs."""
    at = ["--archive", root]
    purpose = rng.choice(list(Purpose)).value
    return [
        ["validate", *files],
        ["add", *at, *files],
        ["query", *at, "--patient-id", "P-0417", "--json"],
        ["compare", *at, "--patient-id", "P-0417", "--tooth", "iso:25", "--view", "occlusal",
         "--json"],
        ["handover", *at, "--patient-id", "P-0417", "--case", "1187", "--list"],
        ["handover", *at, "--patient-id", "P-0417", "--case", "1187", "--to", "North", "--out",
         folder / "package", "--purpose", purpose, "--insist-by", "Liv", "--with-faces"],
        *(["amend", *at, f"1.2.826.0.1.3680043.8.498.{int(file.stem) + 100}", "--tooth", "iso:36",
           "--by", "Liv", "--json"] for file in files[:4]),
        ["audit", *at, "--rules", rng.choice(RULES)],
    ]  # fmt: skip


def test_no_object_that_add_takes_ends_a_verb_with_a_traceback(
    base: Path, good: list[Dataset], tmp_path: Path
) -> None:
    failed: list[str] = []
    for first in sorted({*FOUND, *range(FIRST, FIRST + ROUNDS, TOGETHER)}):
        folder = tmp_path / str(first)
        root = folder / "archive"
        shutil.copytree(base, root)
        files = []
        for number in range(first, first + TOGETHER):
            rng = random.Random(number)
            file = folder / f"{number}.dcm"
            file.write_bytes(mutant(rng, rng.choice(good), number))
            files.append(file)
        for words in verbs(random.Random(first), root, folder, files):
            try:
                status, told = run(*words)
                assert status in (0, 1, 2) and "Traceback" not in told
            except Exception as error:
                where = traceback.extract_tb(error.__traceback__)[-6:]
                lines = " < ".join(f"{f.filename.rpartition('/')[2]}:{f.lineno}" for f in where)
                failed.append(f"{first} {words[0]}: {error!r:.200} at {lines}")
        shutil.rmtree(folder)
    assert not failed, "\n".join(failed)
