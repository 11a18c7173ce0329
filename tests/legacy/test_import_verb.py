"""The verb: a dry run that archives nothing, mends of a person, and a run that goes on."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from legacy_tree import drawn, encoded

from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.legacy.mends import FORMAT
from tests.cli.in_process import archiver
from tests.new_archive import new_archive

RULES = 'dates = ["D.M.YYYY"]\n[[path]]\nis = "{name} {birth_date}/{visit_date}/{words}"\n'
PEOPLE = "patient,surname,first name,birth date\nP-1,Okafor,Nadia,12.03.1981\n"
HOME = "Okafor Nadia 12.3.1981/5.4.2017"
WHEN = datetime(2017, 4, 5, 9, 30)


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A few old folders with rules and a table beside them."""
    folder = tmp_path_factory.mktemp("old")
    for number in range(6):
        path = folder / "old" / HOME / f"IMG_{number}.jpg"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(encoded(drawn(number), WHEN.replace(minute=number)))
    loose = folder / "old" / "loose" / "IMG_9.jpg"
    loose.parent.mkdir()
    loose.write_bytes(encoded(drawn(9)))
    (folder / "old" / "notes.txt").write_text("invented")
    (folder / "rules.toml").write_text(RULES)
    (folder / "patients.csv").write_text(PEOPLE)
    return folder


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    return new_archive(tmp_path / "archive")


def words(old: Path, report: Path, *more: object) -> list[object]:
    rules, people = old / "rules.toml", old / "patients.csv"
    told = ["--rules", rules, "--people", people, "--report", report, "--workers", 2]
    return ["import", old / "old", *told, "--json", *more]


def told(old: Path, report: Path, *more: object) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(archiver(*words(old, report, *more)).stdout)
    return found


def archived(folder: Path) -> list[str]:
    with Archive.open(folder, create=False) as archive:
        return sorted(one.sop_instance_uid for one in archive.query(Query()))


def test_a_dry_run_archives_nothing_and_what_a_person_mends_is_then_taken(
    old: Path, archive: Path, tmp_path: Path
) -> None:
    report = tmp_path / "report"
    dry = told(old, report)
    assert dry["fates"] == {
        "accepted": 6,
        "quarantined": 1,
        "duplicate": 0,
        "not a picture": 1,
    }
    assert dry["imported"] is None and archived(archive) == []
    mends = tmp_path / "mends.json"
    said = {"patient": "P-1", "day": "2018-02-01", "view": "frontal", "mirror": False}
    rows = [
        {"files": ["loose/IMG_9.jpg"], "set": said},
        {"files": [f"{HOME}/IMG_0.jpg"], "set": {"leave_out": True}},
    ]
    mends.write_text(json.dumps({"format": FORMAT, "by": "Haugen^Liv", "mends": rows}))
    done = told(old, report, "--mends", mends, "--accept", "--archive", archive)
    assert done["reasons"] == {"whole": 1, "view unknown": 5, "left out": 1, "other": 1}
    assert done["imported"] == {"new": 6} and len(archived(archive)) == 6
    again = told(old, report, "--mends", mends, "--accept", "--archive", archive)
    assert again["imported"] == {"same": 6} and len(archived(archive)) == 6


def test_mends_that_name_nobody_known_make_nobody_up(old: Path, tmp_path: Path) -> None:
    mends = tmp_path / "mends.json"
    rows = [{"files": ["loose/IMG_9.jpg"], "set": {"patient": "P-77", "day": "2018-02-01"}}]
    mends.write_text(json.dumps({"format": FORMAT, "by": "Haugen^Liv", "mends": rows}))
    done = told(old, tmp_path / "report", "--mends", mends)
    assert done["reasons"]["patient unknown"] == 1
    mends.write_text(json.dumps({"format": FORMAT, "by": "", "mends": rows}))
    refused = archiver(*words(old, tmp_path / "report", "--mends", mends))
    assert refused.returncode == 1 and "no file of mends" in refused.stderr


def test_a_run_that_was_killed_is_gone_on_with_and_archives_nothing_twice(
    old: Path, archive: Path, tmp_path: Path
) -> None:
    report = tmp_path / "report"
    line = [str(one) for one in words(old, report, "--accept", "--archive", archive)]
    for _ in range(int(os.environ.get("ARCHIVER_KILLS", "1"))):
        run = subprocess.Popen([sys.executable, "-m", "archiver", *line], stdout=subprocess.DEVNULL)
        # As soon as anything is on the disk of the archive, or the run is through.
        while run.poll() is None and not any((archive / "objects").rglob("*.dcm")):
            time.sleep(0.01)
        run.send_signal(signal.SIGKILL)
        run.wait()
    done = told(old, report, "--accept", "--archive", archive)
    assert done["imported"] is not None and sum(done["imported"].values()) == 6
    assert len(archived(archive)) == 6
    (report / "import.sqlite").unlink()
    anew = told(old, report, "--accept", "--archive", archive)
    assert anew["imported"] == {"same": 6} and len(archived(archive)) == 6


def test_a_proposal_fits_the_folder_that_it_was_made_from(old: Path, tmp_path: Path) -> None:
    rules = tmp_path / "rules.toml"
    assert archiver("import", old / "old", "--propose", rules).returncode == 0
    assert 'is = "{name} {birth_date}/{visit_date}/{words}"' in rules.read_text()
    again = archiver("import", old / "old", "--propose", rules)
    assert again.returncode == 1 and rules.read_text().startswith("# Proposed from 7 pictures")
    people, report = old / "patients.csv", tmp_path / "report"
    line = ("--rules", rules, "--people", people, "--report", report, "--json")
    found = json.loads(archiver("import", old / "old", *line).stdout)
    assert found["fates"]["accepted"] == 6


def test_the_command_line_wants_rules_a_report_and_whoever_knows_the_patients(
    old: Path, tmp_path: Path
) -> None:
    for more in (
        [],
        ["--rules", old / "rules.toml", "--report", tmp_path / "report"],
        ["--people", old / "patients.csv", "--report", tmp_path / "report"],
    ):
        assert archiver("import", old / "old", *more).returncode == 2
    assert archiver("import", old / "none", "--propose", tmp_path / "x").returncode == 2
