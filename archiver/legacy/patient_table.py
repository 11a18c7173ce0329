"""A table of patients that a practice keeps: .csv, .xlsx, .ods or .xls, found by its headings::

patient;issuer;surname;first name;birth date;sex
P-0417;RIVERBEND;Okafor;Nadia;12.03.1981;F
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from archiver.errors import InputError, Problem
from archiver.objects import BadTableError, Patient, day_order, read_day, read_table

_HEADINGS = {
    "patient": ("patient", "patient id", "id", "chart", "record no", "patient number"),
    "issuer": ("issuer", "issuer of patient id"),
    "name": ("name", "patient name"),
    "surname": ("surname", "family name", "last name"),
    "first name": ("first name", "given name", "given names", "first names"),
    "birth date": ("birth date", "date of birth", "born", "dob"),
    "sex": ("sex",),
}
_SEXES = {"": "", "f": "F", "female": "F", "m": "M", "male": "M", "o": "O", "other": "O"}


def read_patients(path: Path, *, today: date) -> tuple[Patient, ...]:
    """Read a table of patients.

    Raises
    ------
    InputError
        With every row that cannot be read.
    """
    try:
        rows = read_table(path.read_bytes()).rows
    except OSError as error:
        problem = Problem("legacy.table.unreadable", reason=error.strerror)
        raise InputError(problem.at(file=str(path))) from error
    except BadTableError as error:
        raise InputError(
            Problem("legacy.table.no_table", what=error.problem).at(file=path.name)
        ) from error
    columns = _columns(path.name, rows)
    order = day_order([_cell(row, columns, "birth date") for _, row in rows[1:]])
    found, problems = [], []
    for line, row in rows[1:]:
        try:
            found.append(_patient(row, columns, order, today))
        except BadTableError as error:
            problems.append(error.problem.at(file=path.name, line=line))
    if problems:
        raise InputError(*problems)
    return tuple(found)


def _columns(name: str, rows: Sequence[tuple[int, Sequence[str]]]) -> dict[str, int]:
    headings = [" ".join(one.casefold().split()) for one in rows[0][1]] if rows else []
    found = {
        column: place
        for column, words in _HEADINGS.items()
        for place, heading in enumerate(headings)
        if heading in words
    }
    missing = [one for one in ("patient", "birth date") if one not in found]
    if "name" not in found and not {"surname", "first name"} <= found.keys():
        missing.append("name")
    if missing:
        known = tuple(_HEADINGS)
        problem = Problem("legacy.table.no_column", missing=tuple(missing), known=known)
        raise InputError(problem.at(file=name))
    return found


def _cell(row: Sequence[str], columns: dict[str, int], name: str) -> str:
    place = columns.get(name)
    return row[place].strip() if place is not None and place < len(row) else ""


def _patient(
    row: Sequence[str], columns: dict[str, int], order: str | None, today: date
) -> Patient:
    identifier = _cell(row, columns, "patient")
    if not identifier:
        raise BadTableError("legacy.table.no_patient")
    name = _cell(row, columns, "name")
    surname, first = _cell(row, columns, "surname"), _cell(row, columns, "first name")
    if surname:
        name = f"{surname}^{first}"
    elif "^" not in name:
        family, comma, given = name.partition(",")
        if not comma:
            raise BadTableError("legacy.table.no_comma", name=name)
        name = f"{family.strip()}^{given.strip()}"
    said = _cell(row, columns, "birth date")
    sex = _SEXES.get(_cell(row, columns, "sex").casefold())
    if sex is None:
        raise BadTableError("legacy.table.no_sex", said=_cell(row, columns, "sex"))
    born = read_day(said, order, today.year) if said else None
    return Patient(identifier, name, _cell(row, columns, "issuer"), born, sex)
