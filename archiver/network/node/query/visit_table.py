"""The table of visits that a practice keeps, read row by row: a bad one costs itself alone.

A table with a line of headings as spreadsheet programs save it (separated by commas or semicolons,
UTF-8 or Windows-1252, or a workbook), or a TOML file with a table ``[[visit]]`` each::

    patient_id,name,birth_date,sex,accession,date,time,station,physician,description
    P-0417,Okafor^Nadia,1988-02-17,F,A-2291,2026-03-04,14:20,CAMERA1,Brânză^Ilinca,Recall

`patient_id`, `name` and `date` are needed. Nothing that is told of a row quotes it.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from datetime import time
from functools import partial
from pathlib import Path

from pydicom.config import RAISE
from pydicom.valuerep import validate_value

from archiver.errors import Place, Problem, UsageError
from archiver.objects import BadTableError, read_day, read_table
from archiver.wording import Text


@dataclass(frozen=True)
class WorklistRow:
    """A visit; dates and times are in ISO 8601."""

    patient_id: str
    name: str
    date: str
    time: str = ""
    birth_date: str = ""
    sex: str = ""
    issuer: str = ""
    accession: str = ""
    study_uid: str = ""
    station: str = ""
    modality: str = "XC"
    physician: str = ""
    referring: str = ""
    description: str = ""
    procedure_id: str = ""
    step_id: str = ""


@dataclass(frozen=True)
class VisitTable:
    """What a table says.

    Parameters
    ----------
    visits
        Of the rows that could be read.
    refused
        Why others could not, with the line of each; columns that are not known, too.
    """

    visits: tuple[WorklistRow, ...]
    refused: tuple[Problem, ...] = ()


_KEYS = tuple(one.name for one in fields(WorklistRow))
_NEEDED = ("patient_id", "name", "date")
#: Value representations of what goes into the worklist as it stands (PS3.6).
_REPRESENTATIONS = {
    **dict.fromkeys(("patient_id", "issuer", "description"), "LO"),
    **dict.fromkeys(("name", "physician", "referring"), "PN"),
    **dict.fromkeys(("accession", "procedure_id", "step_id"), "SH"),
    **dict.fromkeys(("sex", "modality"), "CS"),
    "study_uid": "UI",
    "station": "AE",
}
_SEXES = ("M", "F", "O")
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2})(?:\.\d+)?)?|(\d{2})(\d{2})(\d{2})?")

#: Line or number of a row, and its values by their keys; None for cells of no column.
_Row = tuple[int, dict[str | None, str]]


def read_visits(path: Path, day_order: str = "") -> VisitTable:
    """Read a table.

    Parameters
    ----------
    day_order
        ``day`` or ``month``, whichever comes first in dates such as 3/4/2026; where it is empty
        such dates are refused.

    Raises
    ------
    UsageError
        If it is no table, or lacks a column that is needed.
    """
    try:
        if path.suffix == ".toml":
            rows, head = _toml_rows(path.read_text("utf-8-sig"))
            where = partial(_visit_at, path)
        else:
            rows, head = _table_rows(path.read_bytes())
            where = partial(_line_at, path)
    except BadTableError as error:
        raise UsageError(error.problem.at(file=str(path))) from None
    except OSError:
        raise UsageError(Problem("network.visits.unreadable").at(file=str(path))) from None
    except ValueError:
        # What the parser says of it quotes the table.
        raise UsageError(Problem("network.visits.malformed").at(file=str(path))) from None
    lacking = [key for key in _NEEDED if head and key not in head]
    if lacking:
        problems = (Problem("network.visits.column_missing", key=key) for key in lacking)
        raise UsageError(*(one.at(file=str(path)) for one in problems))
    refused = [
        Problem("network.visits.unknown_column", key=key[:30], known=_KEYS).at(file=path.name)
        for key in dict.fromkeys(key for key in head if key not in _KEYS)
    ]
    visits = []
    for number, row in rows:
        told = list(_problems(row, day_order))
        refused += [problem.with_places(where(number)) for problem in told]
        if not told:
            visits.append(_visit(row, day_order))
    return VisitTable(tuple(visits), tuple(refused))


def _line_at(path: Path, number: int) -> Place:
    return Place(file=path.name, line=number)


def _visit_at(path: Path, number: int) -> Place:
    return Place(subject=Text("network.visits.row", file=path.name, number=number))


def _table_rows(octets: bytes) -> tuple[list[_Row], list[str]]:
    table = read_table(octets)
    if not table.rows:
        raise BadTableError("network.visits.empty")
    (_, first), *body = table.rows
    head = ["_".join(cell.casefold().split()) for cell in first]
    rows: list[_Row] = []
    for number, cells in body:
        row: dict[str | None, str] = {}
        for place, cell in enumerate(cells):
            key = head[place] if place < len(head) else None
            if cell.strip() and (key in _KEYS or key is None):
                row.setdefault(key, cell.strip())
        rows.append((number, row))
    return rows, [key for key in head if key]


def _toml_rows(text: str) -> tuple[list[_Row], list[str]]:
    if sys.version_info >= (3, 11):
        import tomllib
    else:
        import tomli as tomllib
    found = tomllib.loads(text).get("visit", [])
    if not isinstance(found, list) or not all(isinstance(one, Mapping) for one in found):
        raise ValueError("expected [[visit]]")
    rows: list[_Row] = []
    for number, row in enumerate(found, start=1):
        texts = ((str(key), str(value).strip()) for key, value in row.items())
        rows.append((number, {key: text for key, text in texts if text}))
    return rows, []


def _problems(row: Mapping[str | None, str], day_order: str) -> Iterator[Problem]:
    if None in row:
        yield Problem("network.visits.too_many_cells")
    for key in row:
        if key is not None and key not in _KEYS:
            yield Problem("network.visits.unknown_column", key=key[:30], known=_KEYS)
    for key in _NEEDED:
        if not row.get(key):
            yield Problem("network.visits.column_missing", key=key)
    for key in ("date", "birth_date"):
        if row.get(key) and not _day(row[key], day_order):
            yield Problem("network.visits.no_date", key=key)
    if row.get("time") and not _time(row["time"]):
        yield Problem("network.visits.no_time", key="time")
    if row.get("sex") and row["sex"].upper() not in _SEXES:
        yield Problem("network.visits.no_sex", key="sex")
    for key, representation in _REPRESENTATIONS.items():
        if key != "sex" and row.get(key) and not _fits(representation, row[key]):
            yield Problem("network.visits.no_value", key=key, representation=representation)


def _fits(representation: str, text: str) -> bool:
    try:
        validate_value(representation, text, RAISE)
    except ValueError:
        return False
    return "\\" not in text and text.isprintable()


def _day(text: str, day_order: str) -> str:
    """Return a date in ISO 8601; empty where it is none, or could be two."""
    if not re.search(r"\d{4}", text):
        return ""  # a year of two digits may be of either century
    try:
        return read_day(text, day_order or None, 0).isoformat()
    except BadTableError:
        return ""


def _time(text: str) -> str:
    """Return a time in ISO 8601, without seconds where there are none; empty where it is none."""
    found = _CLOCK.fullmatch(text)
    if not found:
        return ""
    hour, minute, second = (found[1], found[2], found[3]) if found[1] else found.group(4, 5, 6)
    try:
        clock = time(int(hour), int(minute), int(second or 0))
    except ValueError:
        return ""
    return clock.isoformat() if clock.second else f"{clock:%H:%M}"


def _visit(row: Mapping[str | None, str], day_order: str) -> WorklistRow:
    values = {key: value for key, value in row.items() if key is not None}
    for key in ("date", "birth_date"):
        if key in values:
            values[key] = _day(values[key], day_order)
    if "time" in values:
        values["time"] = _time(values["time"])
    if "sex" in values:
        values["sex"] = values["sex"].upper()
    return WorklistRow(**values)
