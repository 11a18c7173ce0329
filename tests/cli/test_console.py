"""No console's encoding can stop a verb; what goes into a file is UTF-8."""

from __future__ import annotations

import csv
import os
import subprocess
import sys
from pathlib import Path

import pytest
from sessions import archiver, camera_jpeg, photo, write_sheet
from terminal import on_a_terminal

from tests.new_archive import new_archive

NARROW = {**os.environ, "PYTHONIOENCODING": "cp1252"}
LINGUAL = ("explain", "--tooth", "iso:46", "--view", "lingual", "--mirror")


def into_a_file(*words: str | Path, file: Path) -> int:
    with file.open("wb") as target:
        return subprocess.run(
            [sys.executable, "-m", "archiver", *words], env=NARROW, stdout=target
        ).returncode


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """An archive whose patient's name no western code page has."""
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    sheet = write_sheet(tmp_path, [photo("IMG_0001.JPG")])
    sheet.write_text(sheet.read_text("utf-8").replace("Okafor^Nadia", "Brânză^Ilinca"), "utf-8")
    assert archiver("wrap", sheet, "--archive", new_archive(tmp_path / "archive")).returncode == 0
    return tmp_path / "archive"


def test_a_terminal_shows_what_it_can_and_replaces_the_rest() -> None:
    status, shown = on_a_terminal(*LINGUAL, env=NARROW)
    assert status == 0
    assert b"Traceback" not in shown
    assert "lower right first molar" in shown.decode("cp1252")
    assert b"?" in shown  # the frame of the drawing


def test_a_file_is_utf_8_whatever_the_console_says(tmp_path: Path) -> None:
    assert into_a_file(*LINGUAL, file=tmp_path / "out.txt") == 0
    assert "┌" in (tmp_path / "out.txt").read_text("utf-8")


def test_a_table_keeps_every_name_in_a_file(archive: Path, tmp_path: Path) -> None:
    words = ("query", "--csv", "--archive", archive)
    assert into_a_file(*words, file=tmp_path / "out.csv") == 0
    with (tmp_path / "out.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows and all("Brânză^Ilinca" in row.values() for row in rows)


def test_a_table_does_not_die_on_a_terminal(archive: Path) -> None:
    status, shown = on_a_terminal("query", "--csv", "--archive", archive, env=NARROW)
    assert status == 0
    assert "Brânz?^Ilinca" in shown.decode("cp1252")


def test_a_file_name_that_is_no_text_is_written_with_backslashes(tmp_path: Path) -> None:
    odd = os.fsdecode(b"IMG_\xff.dcm")
    done = subprocess.run(
        [sys.executable, "-m", "archiver", "validate", str(tmp_path / odd)], capture_output=True
    )
    assert done.returncode == 2
    assert b"IMG_\\udcff.dcm" in done.stderr and b"Traceback" not in done.stderr
