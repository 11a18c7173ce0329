"""A table of patients that a practice keeps: .csv, .xlsx, .ods or .xls, found by its headings::

patient;issuer;surname;first name;birth date;sex
P-0417;RIVERBEND;Okafor;Nadia;12.03.1981;F
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from archiver.errors import InputError, Problem
from archiver.objects import (
    BadTableError,
    Patient,
    cell_of,
    columns_by_heading,
    day_order,
    read_day,
    read_table,
)

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
    order = day_order([cell_of(row, columns, "birth date") for _, row in rows[1:]])
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
    found = columns_by_heading(rows, _HEADINGS)
    missing = [one for one in ("patient", "birth date") if one not in found]
    if "name" not in found and not {"surname", "first name"} <= found.keys():
        missing.append("name")
    if missing:
        known = tuple(_HEADINGS)
        problem = Problem("legacy.table.no_column", missing=tuple(missing), known=known)
        raise InputError(problem.at(file=name))
    return found


def _patient(
    row: Sequence[str], columns: dict[str, int], order: str | None, today: date
) -> Patient:
    identifier = cell_of(row, columns, "patient")
    if not identifier:
        raise BadTableError("legacy.table.no_patient")
    name = cell_of(row, columns, "name")
    surname, first = cell_of(row, columns, "surname"), cell_of(row, columns, "first name")
    if surname:
        name = f"{surname}^{first}"
    elif "^" not in name:
        family, comma, given = name.partition(",")
        if not comma:
            raise BadTableError("legacy.table.no_comma", name=name)
        name = f"{family.strip()}^{given.strip()}"
    said = cell_of(row, columns, "birth date")
    sex = _SEXES.get(cell_of(row, columns, "sex").casefold())
    if sex is None:
        raise BadTableError("legacy.table.no_sex", said=cell_of(row, columns, "sex"))
    born = read_day(said, order, today.year) if said else None
    return Patient(identifier, name, cell_of(row, columns, "issuer"), born, sex)
