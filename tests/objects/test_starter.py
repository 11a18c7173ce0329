"""The starter sheet: with its gaps filled in it is a sheet, without it is refused."""

from __future__ import annotations

import re
import tempfile
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sheet_samples import line_of, problems, size_of

from archiver.dentition.views import View
from archiver.objects.sheet import read_sheet
from archiver.objects.starter import starter_sheet

VIEWS = [v.value for v in View]
PHOTOS = [
    ("IMG_0102.JPG", "taken 2026-03-04 14:21:07", 6000, 4000),
    ("IMG_0101.JPG", "time not told", 4000, 6000),
    ("IMG_0103.PNG", "time not told", 640, 480),
]


def filled(text: str) -> str:
    """Fill the gaps as a person would."""
    for gap, words in (
        ("<patient identifier>", "P-0417"),
        ('name = "<family^given>"', 'name = "Okafor^Nadia"'),
        ("<view>", "upper occlusal arch"),
        ("<true or false>", "true"),
    ):
        text = text.replace(gap, words)
    return text


def uncommented(text: str) -> str:
    """Take the sign of a comment from every line that offers a key."""
    lines = []
    for line in text.splitlines():
        offered = line.startswith("# ") and (" = " in line or line.startswith("# ["))
        line = line.replace("<family^given>", "Haugen^Liv").replace("<code>", "7KQ2-M4")
        lines.append(line[2:] if offered else line)
    return "\n".join(lines) + "\n"


def test_a_filled_starter_sheet_names_the_photos_in_order(tmp_path: Path) -> None:
    path = tmp_path / "sheet.toml"
    path.write_text(filled(starter_sheet(path.name, PHOTOS, date(2026, 3, 4), VIEWS)))
    for name, *_ in PHOTOS:
        (tmp_path / name).touch()

    session = read_sheet(path, size_of=size_of)

    assert [e.file.name for e in session.photographs] == [name for name, *_ in PHOTOS]
    assert session.patient.name == "Okafor^Nadia"
    assert session.visit.date == date(2026, 3, 4)


def test_every_key_that_it_offers_as_a_comment_is_a_key(tmp_path: Path) -> None:
    path = tmp_path / "sheet.toml"
    text = uncommented(filled(starter_sheet(path.name, PHOTOS, date(2026, 3, 4), VIEWS)))
    text = text.replace('top = "head"', 'top = "left"')  # an occlusal view looks along "head"
    path.write_text(text)
    for name, *_ in PHOTOS:
        (tmp_path / name).touch()

    sizes = {name: (width, height, 1) for name, _, width, height in PHOTOS}
    with pytest.raises(Exception, match="leaves the corrected picture"):
        read_sheet(path, size_of=lambda p: sizes[p.name])  # the left is at the top: it is turned
    path.write_text(text.replace('top = "left"', 'top = "anterior"'))
    session = read_sheet(path, size_of=lambda p: sizes[p.name])

    assert session.consent is not None and session.consent.noted_by == "Haugen^Liv"
    assert [e.confirmed_by for e in session.photographs] == ["Haugen^Liv"] * 3
    assert [(e.crop.width, e.crop.height) for e in session.photographs if e.crop] == [
        (width, height) for _, _, width, height in PHOTOS
    ]


@pytest.mark.parametrize("day", [date(2024, 2, 29), date(2026, 3, 4), date(9999, 12, 31)])
def test_the_consent_that_it_offers_has_not_ended_before_the_visit(day: date) -> None:
    text = uncommented(filled(starter_sheet("sheet.toml", PHOTOS, day, VIEWS)))
    (until,) = re.findall(r"^until = (\S+)", text, re.M)
    assert day < date.fromisoformat(until) or day == date.max


def test_a_gap_that_is_still_open_is_told_with_its_line(tmp_path: Path) -> None:
    text = starter_sheet("sheet.toml", PHOTOS[:1], date(2026, 3, 4), VIEWS)

    (problem,) = problems(tmp_path, text)

    assert problem.found == "a gap of the starter sheet is still open"
    assert text.splitlines()[line_of(problem) - 1] == "mirror = <true or false>"


def test_no_gap_becomes_a_patient_or_a_view(tmp_path: Path) -> None:
    text = starter_sheet("sheet.toml", [("IMG_0101.JPG", "", 1, 1)], date(2026, 3, 4), VIEWS)

    told = problems(tmp_path, text.replace("<true or false>", "true"))

    assert [text.splitlines()[line_of(p) - 1].split(" ")[0] for p in told] == ["id", "name", "view"]


@settings(max_examples=60, deadline=None)
@given(st.text(st.characters(exclude_characters="/\0", exclude_categories=["Cs"]), min_size=1))
def test_any_name_of_a_file_is_written_so_that_it_is_read_back(name: str) -> None:
    text = filled(starter_sheet("sheet.toml", [(name, "", 9, 9)], date(2026, 3, 4), VIEWS))
    name_on_disk = name.encode()
    if len(name_on_disk) > 200 or name in (".", "..", "sheet.toml") or not name.strip():
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sheet.toml"
        path.write_text(text, encoding="utf-8")
        (Path(folder) / name).touch()

        (entry,) = read_sheet(path, size_of=size_of).photographs

        assert entry.file.name == name


def test_a_name_that_no_sheet_can_spell_is_left_as_a_gap(tmp_path: Path) -> None:
    # A name in Latin-1 on a UTF-8 system comes to Python with lone surrogates (PEP 383).
    name = b"R\xf6ntgen.jpg".decode("utf-8", "surrogateescape")
    text = starter_sheet("sheet.toml", [(name, "", 9, 9)], date(2026, 3, 4), VIEWS)

    text.encode("utf-8")
    assert 'file = "<rename the file>"' in text
