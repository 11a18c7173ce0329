"""When patients were last in contact, who lacks capacity, and what must be kept for a court.

A table of the practice's own, one row a patient; the columns are found by their headings::

    patient;issuer;last contact;lacks capacity;legal hold
    P-0417;RIVERBEND;04.03.2026;;
    P-0418;RIVERBEND;11.09.2019;yes;claim 2025/118

Keeping times count from the last contact, which is not the last photograph.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from archiver.errors import InputError, Problem
from archiver.objects import (
    BadTableError,
    cell_of,
    columns_by_heading,
    day_order,
    read_day,
    read_table,
)

_HEADINGS = {
    "patient": ("patient", "patient id", "id", "chart", "record no"),
    "issuer": ("issuer", "issuer of patient id"),
    "last contact": ("last contact", "last seen", "last visit", "contact"),
    "lacks capacity": ("lacks capacity", "without capacity"),
    "legal hold": ("legal hold", "hold"),
}
_YES = ("yes", "y", "x", "true", "1")
_NO = ("", "no", "n", "false", "0")


@dataclass(frozen=True)
class Contact:
    """What a table says of a patient.

    Parameters
    ----------
    last
        Day of the last contact; None where the table does not say.
    lacks_capacity
        Whether the patient cannot decide for themselves.
    hold
        Why the record must be kept whatever the rules say; empty for no hold.
    """

    last: date | None = None
    lacks_capacity: bool = False
    hold: str = ""


NO_CONTACT = Contact()


def read_contacts(path: Path, *, today: date) -> dict[tuple[str, str], Contact]:
    """Read a table of contacts, by identifier and issuer.

    Raises
    ------
    InputError
        With every row that cannot be read: a record that is let go by mistake does not come back.
    """
    try:
        rows = read_table(path.read_bytes()).rows
    except OSError as error:
        problem = Problem("records.contacts.unreadable", reason=error.strerror)
        raise InputError(problem.at(file=str(path))) from error
    except BadTableError as error:
        problem = Problem("records.contacts.no_table", what=error.problem)
        raise InputError(problem.at(file=path.name)) from error
    columns = _columns(path.name, rows)
    body = rows[1:]
    order = day_order([cell_of(row, columns, "last contact") for _, row in body])
    found: dict[tuple[str, str], Contact] = {}
    problems: list[Problem] = []
    for line, row in body:
        try:
            key, contact = _row(row, columns, order, today)
        except BadTableError as error:
            problems.append(error.problem.at(file=path.name, line=line))
            continue
        if key in found:
            problems.append(Problem("records.contacts.twice").at(file=path.name, line=line))
        found[key] = contact
    if problems:
        raise InputError(*problems)
    return found


def _columns(name: str, rows: Sequence[tuple[int, Sequence[str]]]) -> dict[str, int]:
    found = columns_by_heading(rows, _HEADINGS)
    missing = tuple(one for one in ("patient", "last contact") if one not in found)
    if missing:
        problem = Problem("records.contacts.no_column", missing=missing, known=tuple(_HEADINGS))
        raise InputError(problem.at(file=name))
    return found


def _row(
    row: Sequence[str], columns: dict[str, int], order: str | None, today: date
) -> tuple[tuple[str, str], Contact]:
    patient, issuer = cell_of(row, columns, "patient"), cell_of(row, columns, "issuer")
    if not patient:
        raise BadTableError("records.contacts.no_patient")
    said = cell_of(row, columns, "last contact")
    capacity = cell_of(row, columns, "lacks capacity").casefold()
    if capacity not in (*_YES, *_NO):
        raise BadTableError("records.contacts.yes_or_no", said=capacity)
    last = read_day(said, order, today.year) if said else None
    return (patient, issuer), Contact(last, capacity in _YES, cell_of(row, columns, "legal hold"))
