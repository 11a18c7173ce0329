"""Sheets in a folder of their own, with files beside them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from archiver.errors import PhotoError, Problem, SheetError
from archiver.objects.session import Session
from archiver.objects.sheet import read_sheet

EXAMPLE = """\
numbering = "ISO 3950"            # or "Universal", "Palmer"

[patient]
id = "P-0417"
issuer = "RIVERBEND"              # optional
name = "Okafor^Nadia"
birth_date = 1988-02-17
sex = "F"

[visit]
date = 2026-03-04
time = 14:20:00
accession = "A-2291"              # optional, like all below
description = "Ceramic onlay, recall"
clock_offset = "-00:03:10"        # what to add to the camera's clock

[defaults]                        # any key of a photo
operator = "front"                # or "behind": where the camera was
retraction = "cheek retractor"

[[photo]]
file = "IMG_0101.JPG"
teeth = [25]                      # [14, 15, 16] or ["14-16"] too
view = "occlusal"
mirror = true
crop = { left = 640, top = 320, width = 3200, height = 2400 }
confirmed_by = "Haugen^Liv"

[[photo]]
file = "IMG_0102.JPG"
teeth = [25]
view = "buccal"
mirror = false
top = "head"                      # what is at the top as the camera shows it: head, foot,
                                  # anterior, posterior, right, left (the patient's)
comment = "after air drying"      # ends up last in Image Comments

[[photo]]
file = "IMG_0103.PNG"
view = "upper occlusal arch"      # views of an arch or the whole mouth need no teeth
mirror = true
"""

HEAD = """\
numbering = "ISO 3950"
[patient]
id = "P-0417"
[visit]
date = 2026-03-04
"""
PHOTO = """\
[[photo]]
file = "IMG_0101.JPG"
teeth = [25]
view = "occlusal"
mirror = true
"""
GOOD = HEAD + PHOTO
FILES = ("IMG_0101.JPG", "IMG_0102.JPG", "IMG_0103.PNG")


def size_of(path: Path) -> tuple[int, int, int]:
    """24 megapixels, not turned, for every file."""
    return 6000, 4000, 1


def unreadable(path: Path) -> tuple[int, int, int]:
    raise PhotoError(Problem("photo.webp.damaged"))


Size = Callable[[Path], tuple[int, int, int]]


def sheet_in(folder: Path, text: str | bytes) -> Path:
    """Write a sheet and empty files of the example's names beside it."""
    for name in FILES:
        (folder / name).touch()
    path = folder / "sheet.toml"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def read(folder: Path, text: str | bytes, size: Size = size_of, **other: object) -> Session:
    return read_sheet(sheet_in(folder, text), size_of=size, **other)  # type: ignore[arg-type]


def problems(
    folder: Path, text: str | bytes, size: Size = size_of, **other: object
) -> list[Problem]:
    """What is told of a sheet; an empty list for a good one. Each is one line with its file."""
    try:
        read(folder, text, size, **other)
    except SheetError as error:
        told = list(error.problems)
        for problem in told:
            assert len(str(problem).splitlines()) == 1, problem
        assert len(set(told)) == len(told), "told twice"
        return told
    return []


def line_of(problem: Problem) -> int:
    """The line that a problem names."""
    name, _, line = problem.where.partition(", line ")
    assert name == "sheet.toml", problem.where
    return int(line)


def only(folder: Path, text: str | bytes, size: Size = size_of, **other: object) -> Problem:
    """The one problem of a sheet that has exactly one."""
    told = problems(folder, text, size, **other)
    assert len(told) == 1, [str(p) for p in told]
    return told[0]
