"""Long verbs show on a terminal how far they have come, and nowhere else."""

from __future__ import annotations

import io
import os
import sys
from pathlib import Path

import pytest
from sessions import archiver, camera_jpeg, photo, write_sheet
from terminal import on_a_terminal

from archiver.cli.progress import ProgressBar
from tests.new_archive import new_archive

PHOTOGRAPHS = 3
PLAIN = {**os.environ, "TERM": "xterm", "NO_COLOR": "1"}


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    names = [f"IMG_{number:04}.JPG" for number in range(PHOTOGRAPHS)]
    for number, name in enumerate(names):
        camera_jpeg(tmp_path / name, seed=number)
    return write_sheet(tmp_path, [photo(name) for name in names])


def counted(shown: bytes, most: int) -> bool:
    """Whether a bar came as far as it could, and the cursor was given back."""
    return f"{most}/{most}".encode() in shown and shown.rindex(b"\x1b[?25h") > shown.rindex(
        b"\x1b[?25l"
    )


def test_wrap_counts_its_photographs_between_its_lines(sheet: Path, tmp_path: Path) -> None:
    status, shown = on_a_terminal(
        "wrap", sheet, "--archive", new_archive(tmp_path / "archive"), env=PLAIN
    )
    assert status == 0
    assert counted(shown, PHOTOGRAPHS)
    # The bar is wiped before a line of the report, so that no line ends in its rest.
    assert shown.count(b"kept as shot") == PHOTOGRAPHS
    for line in shown.split(b"\r\n"):
        assert b"kept as shot" not in line or b"wrapping" not in line.rpartition(b"\x1b[?25h")[2]


@pytest.mark.parametrize("verb", ["rebuild", "add", "audit"])
def test_other_long_verbs_count_too(verb: str, sheet: Path, tmp_path: Path) -> None:
    archive = new_archive(tmp_path / "archive")
    assert archiver("wrap", sheet, "--archive", archive).returncode == 0
    words: dict[str, tuple[object, ...]] = {
        "rebuild": ("--archive", archive),
        "add": (archive / "objects", "--archive", new_archive(tmp_path / "other")),
        "audit": (
            *("--archive", archive, "--rules", "five-intraoral"),
            *("--out", tmp_path / "report"),
        ),
    }
    _, shown = on_a_terminal(verb, *words[verb], env=PLAIN)
    assert f"/{2 * PHOTOGRAPHS}".encode() in shown


def test_no_colour_is_used(sheet: Path, tmp_path: Path) -> None:
    _, shown = on_a_terminal(
        "wrap", sheet, "--archive", new_archive(tmp_path / "archive"), env=PLAIN
    )
    codes = {piece[:3].rstrip(b"0123456789") for piece in shown.split(b"\x1b[")[1:]}
    assert not [code for code in codes if code.endswith(b"m")]


@pytest.mark.parametrize("words", [(), ("--json",)], ids=["text", "json"])
def test_nothing_is_counted_into_a_pipe(
    words: tuple[str, ...], sheet: Path, tmp_path: Path
) -> None:
    done = archiver("wrap", sheet, "--archive", new_archive(tmp_path / "archive"), *words)
    assert done.returncode == 0
    assert done.stderr == "" and "\x1b" not in done.stdout and "wrapping" not in done.stdout


def test_nothing_is_counted_beside_json(sheet: Path, tmp_path: Path) -> None:
    _, shown = on_a_terminal(
        "wrap", sheet, "--archive", new_archive(tmp_path / "archive"), "--json", env=PLAIN
    )
    assert b"\x1b" not in shown


def test_a_terminal_that_cannot_move_its_cursor_gets_no_bar(sheet: Path, tmp_path: Path) -> None:
    _, shown = on_a_terminal(
        "wrap", sheet, "--archive", new_archive(tmp_path / "archive"), env={**PLAIN, "TERM": "dumb"}
    )
    assert b"\x1b" not in shown and b"wrapping" not in shown


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_the_bar_shows_count_and_remaining_time(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = _Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setenv("TERM", "xterm")
    clock = [1000.0]
    monkeypatch.setattr("time.monotonic", lambda: clock[0])
    monkeypatch.setattr("time.time", lambda: clock[0])
    with ProgressBar("reading") as progress:
        for done in range(11):
            progress(done, 40)
            clock[0] += 2.0
    shown = terminal.getvalue()
    assert "reading" in shown and "10/40" in shown
    assert "00:01:00" in shown  # 30 left, two seconds each
