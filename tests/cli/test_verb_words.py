"""What verbs report comes from the catalogue: in a language nobody speaks it shows no English."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from in_process import archiver
from sessions import camera_jpeg, photo, write_sheet

from tests.pseudo_language import plain_words, pseudo_language


def english(told: str, *values: object) -> list[str]:
    """Return the plain words of a report outside the values of the input and option names."""
    for value in values:
        told = told.replace(str(value), "")
    return plain_words(re.sub(r"--[a-z-]+|[A-Z_]{4,}\d*\.JPG|\S+\.toml", "", told))


def test_the_summary_of_a_session_and_of_a_question_show_no_english(tmp_path: Path) -> None:
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    sheet, archive = write_sheet(tmp_path, [photo("IMG_0001.JPG")]), tmp_path / "archive"
    with pseudo_language():
        wrapped = archiver("wrap", sheet, "--archive", archive)
        nothing = archiver("query", "--patient-id", "P-1", "--archive", archive)
        found = archiver("query", "--patient-id", "P-0417", "--archive", archive)
    summary = [line for line in wrapped.stdout.splitlines() if not re.match(r"1/1 |    ", line)]
    assert len(summary) >= 2 and not english("\n".join(summary), archive)
    assert nothing.stdout.strip() and not english(nothing.stdout)
    assert not english(found.stdout.splitlines()[-1])


def test_a_starter_sheet_is_told_of_without_english(tmp_path: Path) -> None:
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    with pseudo_language():
        told = archiver("wrap", "--new-sheet", tmp_path).stdout
    assert told.strip() and not english(told, tmp_path)


@pytest.mark.parametrize(
    "words",
    [
        ("wrap",),
        ("wrap", "sheet.toml", "--new-sheet", "folder"),
        ("compare",),
        ("handover", "--archive", "a"),
        ("audit", "--out", "a"),
        ("consent", "--patient-id", "1", "--noted-by", "A"),
        ("amend", "1.2.3", "--sex", "F"),
    ],
    ids=" ".join,
)
def test_a_wrong_command_line_is_told_of_without_english(words: tuple[str, ...]) -> None:
    with pseudo_language():
        result = archiver(*words)
    assert result.returncode == 2
    assert not english(result.stderr, "archiver", *words)
