"""Workbooks as spreadsheet programs keep them: .xlsx, .ods and .xls."""

from __future__ import annotations

import io
import zipfile
from datetime import date, datetime, time, timedelta
from typing import Final

from archiver.errors import Problem

_ZIP, _COMPOUND = b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
#: Bytes of its parts once unpacked, and cells of its table.
_LARGEST: Final = 256 << 20
_MOST_CELLS: Final = 5_000_000


class BadTableError(ValueError):
    """A table, or a cell of one, that cannot be read.

    Parameters
    ----------
    code
        Key of the catalogue: what is wrong.
    **values
        What the text is filled with.
    """

    def __init__(self, code: str, /, **values: object) -> None:
        self.problem = Problem(code, **values)
        super().__init__(self.problem)


Row = tuple[int, tuple[str, ...]]
_Cell = str | float | bool | date | datetime | time | timedelta


def is_workbook(octets: bytes) -> bool:
    """Whether these are the first bytes of a workbook rather than of separated values."""
    return octets.startswith((_ZIP, _COMPOUND))


def read_workbook(octets: bytes) -> tuple[Row, ...]:
    """Return the rows of the first table that has any: their numbers (from 1) and their cells.

    Dates and times come as ISO 8601 has them, whole numbers without a decimal point, results in
    place of formulas. Rows without any text are left out.

    Raises
    ------
    ValueError
        If it cannot be read.
    """
    try:
        from python_calamine import CalamineError, CalamineWorkbook, SheetTypeEnum
    except ImportError:
        raise BadTableError("objects.workbook.no_extra") from None
    _check_size(octets)
    try:
        with CalamineWorkbook.from_filelike(io.BytesIO(octets)) as book:
            for number, known in enumerate(book.sheets_metadata):
                if known.typ is not SheetTypeEnum.WorkSheet:
                    continue
                sheet = book.get_sheet_by_index(number)
                if sheet.total_height * sheet.total_width > _MOST_CELLS:
                    raise BadTableError("objects.workbook.too_many_cells", name=known.name[:60])
                rows = _texts(sheet.to_python(skip_empty_area=False))
                if rows:
                    return rows
    except CalamineError as error:
        said = " ".join(str(error).split()) or type(error).__name__
        raise BadTableError("objects.workbook.unreadable", said=said[:100]) from error
    return ()


def _check_size(octets: bytes) -> None:
    """Refuse what would take too much room once it is unpacked."""
    if not octets.startswith(_ZIP):
        return
    try:
        with zipfile.ZipFile(io.BytesIO(octets)) as packed:
            size = sum(part.file_size for part in packed.infolist())
    except zipfile.BadZipFile as error:
        raise BadTableError("objects.workbook.damaged") from error
    if size > _LARGEST:
        raise BadTableError("objects.workbook.too_large", most=_LARGEST >> 20)


def _texts(rows: list[list[_Cell]]) -> tuple[Row, ...]:
    cells = ((number, tuple(map(_text, row))) for number, row in enumerate(rows, start=1))
    return tuple((number, row) for number, row in cells if any(row))


def _text(cell: _Cell) -> str:
    if isinstance(cell, datetime) and cell.time() == time():
        cell = cell.date()
    if isinstance(cell, datetime):
        return cell.isoformat(" ", "seconds")
    if isinstance(cell, date | time):
        return cell.isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return " ".join(str(cell).split())
