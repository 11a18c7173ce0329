"""Tables of treatments as workbooks that other programs' libraries write."""

from __future__ import annotations

import io
import re
import sys
import zipfile
from collections.abc import Callable, Sequence
from datetime import date, datetime
from pathlib import Path

import openpyxl
import pytest
from odf import table as odf_table
from odf import text as odf_text
from odf.opendocument import OpenDocumentSpreadsheet

from archiver.errors import InputError
from archiver.objects import workbook
from archiver.records.episodes import Episodes, read_episodes

Cells = Sequence[Sequence[object]]
TODAY = date(2026, 6, 1)
HEAD = ("Patient", "Tooth", "Numbering", "Treatment", "Start", "Prepared", "Finished")
ROWS: Cells = (
    HEAD,
    (),
    ("P-0417", 25, "ISO 3950", "Onlay, céramique", date(2026, 3, 4), None, "18.03.2026"),
    # A patient's number as a number, a time of day with a date, a serial day without a format.
    (417, 36.0, "ISO 3950", "Filling", datetime(2026, 3, 5, 14, 20), 46086, 46087.75),
    ("P-0418", "3", "Universal", "Filling", "5 March 2026", "", ""),
    ("P-0419", 99, "ISO 3950", "Filling", "no day", None, None),
)


def xlsx(rows: Cells, empty_first: bool = False) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    if empty_first:
        sheet = book.create_sheet("done")
    for row in rows:
        sheet.append(list(row))
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def ods(rows: Cells, empty_first: bool = False) -> bytes:
    book = OpenDocumentSpreadsheet()
    if empty_first:
        book.spreadsheet.addElement(odf_table.Table(name="notes"))
    sheet = odf_table.Table(name="done")
    for row in rows:
        made = odf_table.TableRow()
        for cell in row:
            made.addElement(_ods_cell(cell))
        sheet.addElement(made)
    # What programs write behind the last row, down to the end of the sheet.
    rest = odf_table.TableRow(numberrowsrepeated=1_048_000)
    rest.addElement(odf_table.TableCell(numbercolumnsrepeated=1000))
    sheet.addElement(rest)
    book.spreadsheet.addElement(sheet)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def _ods_cell(value: object) -> odf_table.TableCell:
    if value is None or value == "":
        return odf_table.TableCell()
    if isinstance(value, date):
        return odf_table.TableCell(valuetype="date", datevalue=value.isoformat())
    if isinstance(value, int | float):
        return odf_table.TableCell(valuetype="float", value=value)
    cell = odf_table.TableCell(valuetype="string")
    cell.addElement(odf_text.P(text=str(value)))
    return cell


def read(folder: Path, octets: bytes, name: str = "done.xlsx") -> Episodes:
    (folder / name).write_bytes(octets)
    return read_episodes(folder / name, today=TODAY)


WRITERS = pytest.mark.parametrize("write", [xlsx, ods])


@WRITERS
@pytest.mark.parametrize("empty_first", [False, True])
def test_dates_numbers_and_texts_are_read_as_they_are_shown(
    write: Callable[..., bytes], empty_first: bool, tmp_path: Path
) -> None:
    found = read(tmp_path, write(ROWS, empty_first))
    assert [(e.line, e.patient_id, e.treatment) for e in found.episodes] == [
        (3, "P-0417", "Onlay, céramique"),
        (4, "417", "Filling"),
        (5, "P-0418", "Filling"),
    ]
    assert [tuple(t.iso for t in e.teeth) for e in found.episodes] == [("25",), ("36",), ("16",)]
    first, second, third = found.episodes
    assert (first.start, first.finished) == (date(2026, 3, 4), date(2026, 3, 18))
    assert (second.start, second.prepared, second.finished) == (
        date(2026, 3, 5),
        date(2026, 3, 5),
        date(2026, 3, 6),
    )
    assert third.start == date(2026, 3, 5)
    (problem,) = found.problems
    assert problem.where.endswith("line 6") and "no day" in problem.found
    assert (found.encoding, found.separator, found.rows) == ("workbook", "", 4)


def test_what_it_is_follows_from_its_bytes_and_not_from_its_name(tmp_path: Path) -> None:
    assert len(read(tmp_path, xlsx(ROWS), "done.csv").episodes) == 3
    assert len(read(tmp_path, ods(ROWS), "done").episodes) == 3


def test_a_cell_that_a_formula_filled_has_its_result(tmp_path: Path) -> None:
    # openpyxl calculates nothing: the result is put in as a spreadsheet program would.
    packed = io.BytesIO(xlsx([*ROWS[:2], ("P-1", "=20+5", "ISO 3950", "Onlay", date(2026, 3, 4))]))
    made = io.BytesIO()
    with zipfile.ZipFile(packed) as old, zipfile.ZipFile(made, "w") as new:
        for name in old.namelist():
            part = old.read(name)
            new.writestr(name, re.sub(rb"<v ?/>|<v></v>", b"<v>25</v>", part))
    (episode,) = read(tmp_path, made.getvalue()).episodes
    assert [tooth.iso for tooth in episode.teeth] == ["25"]


@pytest.mark.parametrize(
    "octets",
    [
        xlsx(ROWS)[:900],
        b"PK\x03\x04 and nothing of an archive",
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(2000),
        xlsx(ROWS).replace(b"xl/workbook.xml", b"xl/workbok.xml_"),
        xlsx(()),
    ],
)
def test_what_is_no_table_ends_in_one_line(octets: bytes, tmp_path: Path) -> None:
    with pytest.raises(InputError) as told:
        read(tmp_path, octets)
    assert "\n" not in str(told.value) and "done.xlsx" in str(told.value)


@WRITERS
def test_what_unpacks_to_too_much_is_refused(
    write: Callable[..., bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workbook, "_LARGEST", 1000)
    with pytest.raises(InputError, match="once unpacked"):
        read(tmp_path, write(ROWS))
    monkeypatch.undo()
    monkeypatch.setattr(workbook, "_MOST_CELLS", 20)
    with pytest.raises(InputError, match="too many cells"):
        read(tmp_path, write(ROWS))


def test_without_the_extra_a_workbook_is_refused_with_the_line_that_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "python_calamine", None)
    (tmp_path / "done.xlsx").write_bytes(xlsx(ROWS))
    with pytest.raises(InputError) as refused:
        read_episodes(tmp_path / "done.xlsx", today=TODAY)
    assert "pip install archiver[spreadsheets]" in str(refused.value)
