"""Tables as spreadsheet programs save them: encodings, separators, dates, cells.

Nothing here knows teeth or treatments.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from archiver.objects.workbook import BadTableError, is_workbook, read_workbook

#: Day 0 of spreadsheets' serial days, so that day 60 and all behind it come out right although
#: those programs take 1900 for a leap year (ECMA-376 18.17.4.1).
_SERIAL_START = date(1899, 12, 30)
_SERIALS = range(20000, 80000)
_SEPARATORS = (";", ",", "\t", "|")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_TIME = r"(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?: ?[AaPp][Mm])?(?:Z|[+-]\d{2}:?\d{2})?)?"
_YEAR_FIRST = re.compile(r"(\d{4})([-/.]?)(\d{1,2})\2(\d{1,2})" + _TIME)
_NUMBERS = re.compile(r"(\d{1,2})([-/. ]+)(\d{1,2})\2(\d{4}|\d{2})" + _TIME)
_DAY_WORD = re.compile(r"(\d{1,2})[. -]*([A-Za-z]{3,9})[., -]+(\d{4})" + _TIME)
_WORD_DAY = re.compile(r"([A-Za-z]{3,9})[. ]+(\d{1,2})(?:st|nd|rd|th)?,? +(\d{4})" + _TIME)
#: Forms of which only one reading is possible, and the places of year, month and day in them.
_WITHOUT_DOUBT = ((_YEAR_FIRST, (1, 3, 4)), (_DAY_WORD, (3, 2, 1)), (_WORD_DAY, (3, 1, 2)))


@dataclass(frozen=True)
class Table:
    """A file of cells.

    Parameters
    ----------
    rows
        Line in the file (from 1) and cells, blank lines left out.
    encoding, separator
        As they were recognised; "workbook" and nothing where it is one.
    """

    rows: tuple[tuple[int, tuple[str, ...]], ...]
    encoding: str
    separator: str


def columns_by_heading(
    rows: Sequence[tuple[int, Sequence[str]]], headings: Mapping[str, Collection[str]]
) -> dict[str, int]:
    """Return the places of columns whose heading in the first row is one of theirs, in any case."""
    found = [" ".join(one.casefold().split()) for one in rows[0][1]] if rows else []
    return {
        column: place
        for column, words in headings.items()
        for place, heading in enumerate(found)
        if heading in words
    }


def cell_of(row: Sequence[str], columns: Mapping[str, int], name: str) -> str:
    """Return a row's cell of a column, empty where the row or the table has none."""
    place = columns.get(name)
    return row[place].strip() if place is not None and place < len(row) else ""


def read_table(octets: bytes) -> Table:
    """Read a workbook, or separated values.

    Raises
    ------
    BadTableError
        If the bytes are no text, or no table.
    """
    if is_workbook(octets):
        return Table(read_workbook(octets), "workbook", "")
    text, encoding = _decoded(octets)
    if "\0" in text:
        raise BadTableError("objects.spreadsheet.no_text")
    lines = text.splitlines()
    skipped = 0
    separator = ""
    if lines and re.fullmatch(r"sep=.", lines[0].strip()):
        # The line by which one spreadsheet program tells another what separates.
        separator, skipped = lines[0].strip()[-1], 1
    text = "\n".join(lines[skipped:])
    separator = separator or _separator(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    physical = text.split("\n")
    columns = max(1, physical[0].count(separator))
    rows = []
    begin = skipped + 1
    try:
        for cells in reader:
            last = reader.line_num + skipped
            # A cell may have lines of its own; a stray quotation mark makes a cell of whole rows.
            told = sum(
                line.count(separator) for line in physical[begin - skipped - 1 : last - skipped]
            )
            if last > begin and told >= 2 * columns:
                raise BadTableError("objects.spreadsheet.swallowed", line=begin, last=last)
            if any(cell.strip() for cell in cells):
                rows.append((begin, tuple(_cell(cell) for cell in cells)))
            begin = last + 1
    except csv.Error as error:
        raise BadTableError("objects.spreadsheet.no_row", line=begin, error=error) from error
    return Table(tuple(rows), encoding, separator)


def _decoded(octets: bytes) -> tuple[str, str]:
    if octets.startswith((b"\xff\xfe", b"\xfe\xff")):
        return octets.decode("utf-16", "strict"), "UTF-16"
    try:
        return octets.decode("utf-8-sig"), "UTF-8"
    except UnicodeDecodeError:
        # What Western spreadsheet programs write unless told otherwise; the five bytes that it
        # leaves undefined must not cost the whole file.
        return octets.decode("cp1252", "replace"), "Windows-1252"


def _separator(text: str) -> str:
    """Return what separates best: the same number of times in the first lines, and often."""
    heads = [re.sub(r'"[^"]*"', "", line) for line in text.split("\n")[:20] if line.strip()]
    if not heads:
        return ","
    best = max(_SEPARATORS, key=lambda s: (heads[0].count(s) > 0, _evenness(heads, s)))
    return best if heads[0].count(best) else ","


def _evenness(lines: list[str], separator: str) -> tuple[int, int]:
    expected = lines[0].count(separator)
    return sum(line.count(separator) == expected for line in lines), expected


def _cell(cell: str) -> str:
    text = " ".join(cell.replace("\u00a0", " ").replace("\u202f", " ").split())
    formula = re.fullmatch(r'="(.*)"', text)  # how numbers are kept from losing their zeros
    if formula:
        text = formula.group(1)
    return text.removeprefix("'") if text.startswith("'") and text.count("'") == 1 else text


def day_order(cells: Iterable[str]) -> str | None:
    """Return ``day`` or ``month``, whichever comes first in dates such as 3/4/2026.

    Returns
    -------
    str or None
        None where nothing settles it, or where cells contradict each other.
    """
    orders = set()
    for cell in cells:
        found = _NUMBERS.fullmatch(cell.strip())
        if found is None:
            continue
        one, mark, two = int(found.group(1)), found.group(2), int(found.group(3))
        if "." in mark or one > 12:
            orders.add("day")
        elif two > 12:
            orders.add("month")
    return orders.pop() if len(orders) == 1 else None


def read_day(cell: str, order: str | None, latest_year: int) -> date:
    """Read a date as spreadsheets write them.

    Parameters
    ----------
    order
        Of the column, by `day_order` or by the caller; where it is None, dates that could be
        read both ways are refused.
    latest_year
        Years of two digits lie in the hundred years up to it.

    Raises
    ------
    BadTableError
        With what is wrong.
    """
    text = cell.strip()
    if re.fullmatch(r"\d{5}(?:[.,]\d+)?", text) and int(text[:5]) in _SERIALS:
        return _SERIAL_START + timedelta(days=int(text[:5]))
    for pattern, places in _WITHOUT_DOUBT:
        found = pattern.fullmatch(text)
        if found:
            year, month, day = (found.group(place) for place in places)
            return _date(int(year), _month(month), int(day), text)
    found = _NUMBERS.fullmatch(text)
    if found is None:
        raise BadTableError("objects.spreadsheet.no_date", text=text[:40])
    one, mark, two = int(found.group(1)), found.group(2), int(found.group(3))
    year = _year(found.group(4), latest_year)
    if "." in mark or one > 12:
        return _date(year, two, one, text)
    if two > 12:
        return _date(year, one, two, text)
    if order is None and one != two:
        raise BadTableError("objects.spreadsheet.ambiguous_date", text=text)
    return _date(year, one, two, text) if order == "month" else _date(year, two, one, text)


def _year(digits: str, latest_year: int) -> int:
    if len(digits) == 4:
        return int(digits)
    year = latest_year - latest_year % 100 + int(digits)
    return year if year <= latest_year else year - 100


def _month(text: str) -> int:
    if text.isdigit():
        return int(text)
    if text[:3].casefold() not in _MONTHS:
        raise BadTableError("objects.spreadsheet.no_month", text=text)
    return _MONTHS.index(text[:3].casefold()) + 1


def _date(year: int, month: int, day: int, text: str) -> date:
    if not 1900 <= year <= 2200:
        raise BadTableError("objects.spreadsheet.other_year", text=text[:40], year=year)
    try:
        return date(year, month, day)
    except ValueError:
        raise BadTableError("objects.spreadsheet.no_day", text=text[:40]) from None
