"""The README's first command."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from archiver.cli import demo, main

REPOSITORY = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("refused", "errors", "again", "status"),
    [(0, 0, 0, 0), (1, 0, 0, 1), (0, 1, 0, 1), (0, 0, 1, 1), (1, 1, 1, 1)],
)
def test_the_demo_succeeds_only_where_all_of_it_did(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    refused: int,
    errors: int,
    again: int,
    status: int,
) -> None:
    gave = {
        "_sheets": [tmp_path],
        "_visit": refused,
        "_validate": errors,
        "_second_run": again,
        "_busiest": ("P-1042", "16"),
        "_questions": None,
        "_hand_over": tmp_path,
    }
    for name, value in gave.items():
        monkeypatch.setattr(demo, name, lambda *_, value=value: value)
    assert main(["demo", str(tmp_path / "demo")]) == status


def test_the_demo_runs_as_the_readme_says(tmp_path: Path) -> None:
    assert "/archiver demo\n" in (REPOSITORY / "README.md").read_text("utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "archiver", "demo"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(REPOSITORY)},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    made = tmp_path / "archiver-demo"
    assert re.search(r"Validated \d\d+ objects: 0 errors", done.stdout)
    assert "Run a second time they added 0 instances." in done.stdout
    visits = list((made / "sessions").glob("*/*/sheet.toml"))
    assert len(list((made / "contact-sheets").glob("*.png"))) == len(visits) > 1
    assert (made / "for-the-laboratory" / "1187.pdf").stat().st_size
    assert list((made / "archive" / "objects").rglob("*.dcm"))
