"""Sheets of many photographs: the work grows with their number, not with its square."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from archiver.errors import SheetError
from archiver.objects.sheet import read_sheet

_HEAD = """numbering = "ISO 3950"
[patient]
id = "P-0417"
name = "Okafor^Nadia"
[visit]
date = 2026-03-04
"""
_PHOTO = """
[[photo]]
file = "IMG_{:05}.JPG"
teeth = [25]
view = "occlusal"
mirror = true
"""


def sheet(folder: Path, photographs: int, *, there: bool = True) -> Path:
    folder.mkdir()
    for number in range(photographs):
        (folder / f"IMG_{number + (0 if there else 50_000):05}.JPG").touch()
    path = folder / "sheet.toml"
    path.write_text(_HEAD + "".join(map(_PHOTO.format, range(photographs))))
    return path


def seconds(path: Path, photographs: int) -> float:
    """Return the processor's time for reading a sheet."""
    began = time.process_time()
    try:
        assert len(read_sheet(path).photographs) == photographs
    except SheetError as error:
        assert len(error.problems) == photographs
    return time.process_time() - began


@pytest.mark.parametrize("there", [True, False])
def test_ten_times_the_photographs_take_ten_times_as_long(tmp_path: Path, there: bool) -> None:
    few, many = sheet(tmp_path / "few", 250), sheet(tmp_path / "many", 2500, there=there)
    seconds(few, 250)
    least = min(seconds(few, 250) for _ in range(3))
    assert seconds(many, 2500) < 30 * least


def test_a_photograph_that_comes_again_is_told_with_the_line_of_the_first(tmp_path: Path) -> None:
    path = sheet(tmp_path / "card", 3)
    path.write_text(path.read_text() + _PHOTO.format(1))
    with pytest.raises(SheetError, match=r"line 26.*line 14"):
        read_sheet(path)
