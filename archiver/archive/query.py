"""Questions to the index, and what it answers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import date
from enum import Enum
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Select,
    and_,
    func,
    or_,
    select,
)

from archiver.archive.side_certainty import side_certainty
from archiver.archive.store import tables as t
from archiver.archive.store.index import iso_date, like_pattern
from archiver.archive.store.layout import Layout
from archiver.archive.store.tooth_coverage import surface_asked, views_asked
from archiver.dentition import Tooth
from archiver.objects import name_key


class RecordOrder(str, Enum):
    """In which order records come."""

    NEWEST = "newest"
    OLDEST = "oldest"
    ADDED = "added"


@dataclass(frozen=True)
class Query:
    """A question; what is None is not asked for. All that is asked for must hold.

    Parameters
    ----------
    patient_id, issuer
        Exactly as the objects have them.
    name
        Patient's name; ``*`` stands for any letters and ``?`` for one (PS3.4 C.2.2.2.4), without
        regard to case. Alphabetic, ideographic and phonetic spellings are searched alike.
    who
        Parts of a name or an identifier, in any order and without regard to case: each has to be
        in one of the two.
    since, until
        First and last day of the study, both included.
    teeth
        Instances that show any of them, named or within a view that contains them.
    view
        In the words of the trade. With teeth, a view of an arch also answers for the surface
        that it shows of them.
    surface
        In the words of the trade; buccal, labial and facial are one, lingual and palatal too.
    mirror, confirmed, modality, role, study_uid, series_uid, source_sha256
        Exactly.
    limit
        Records at most.
    order
        By date of the study, or in the order of their coming in.
    named_first
        Where teeth are asked for, put instances that name them before those that contain them.
    include_rejected
        Also those that a rejection note in the archive names.
    """

    patient_id: str | None = None
    issuer: str | None = None
    name: str | None = None
    who: tuple[str, ...] = ()
    since: date | str | None = None
    until: date | str | None = None
    teeth: tuple[Tooth, ...] = ()
    view: str | None = None
    surface: str | None = None
    mirror: str | None = None
    confirmed: bool | None = None
    modality: str | None = None
    role: str | None = None
    study_uid: str | None = None
    series_uid: str | None = None
    source_sha256: str | None = None
    limit: int | None = None
    order: RecordOrder = RecordOrder.NEWEST
    named_first: bool = True
    include_rejected: bool = False


@dataclass(frozen=True)
class Record:
    """An instance that answers a question.

    Parameters
    ----------
    study_date, study_time
        ISO 8601; empty where the object has none.
    teeth
        ISO 3950 designations of the teeth that the object names.
    tooth_found
        ``"named"`` or ``"covered"`` where teeth were asked for, else None.
    mirror
        ``"direct"``, ``"uncorrected"``, ``"corrected"`` or None.
    confirmed
        Whether a person confirmed the side; None where it is no photograph.
    path
        The file, absolute. Text, because an answer can have thousands.
    sha256, source_sha256
        Digests of the file, and of the camera file that it was made from.
    rejected
        Why the instance is not to be used, in the words of the standard; None for a valid one.
    certainty
        How the side is confirmed: ``"said"``, not bound to a picture, ``"bound"`` to what was
        shown, ``"countersigned"``; ``"lapsed"`` where it was confirmed of something else; empty
        where it is not; None where it is no photograph.
    """

    patient_id: str
    issuer: str
    patient_name: str
    study_date: str
    study_time: str
    modality: str
    sop_instance_uid: str
    series_uid: str
    study_uid: str
    sop_class_uid: str
    teeth: tuple[str, ...]
    tooth_found: str | None
    view: str | None
    surface: str | None
    mirror: str | None
    confirmed: bool | None
    role: str | None
    laterality: str | None
    arch: str | None
    rows: int | None
    columns: int | None
    acquired: str | None
    accession: str
    study_description: str
    series_description: str
    path: str
    size: int
    sha256: str
    source_sha256: str | None
    added: str
    rejected: str | None = None
    certainty: str | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the record as values that JSON has."""
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        values["teeth"] = list(self.teeth)
        return values

    def csv_row(self) -> list[str]:
        """Return the record as text, in the order of `CSV_HEADER`."""
        return harmless_row([_csv_text(getattr(self, name)) for name in CSV_HEADER])


#: Rows that are read from the index at once.
_AT_ONCE = 500
#: Names of the columns of a CSV file.
CSV_HEADER: tuple[str, ...] = tuple(f.name for f in fields(Record))


#: With what a cell may begin that a spreadsheet program takes for a formula.
_LEADS = frozenset(" =+-@\t\r\n")


def harmless_row(row: list[str]) -> list[str]:
    """Return cells that no spreadsheet program takes for a formula, whatever somebody typed."""
    return [
        f"'{cell}" if cell[:1] in _LEADS and cell.lstrip(" ")[:1] in _LEADS else cell
        for cell in row
    ]


def _csv_text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return " ".join(value)
    return str(value)


def answer(connection: Connection, query: Query, layout: Layout) -> list[Record]:
    """Ask the index.

    Parameters
    ----------
    connection
        To the index.
    layout
        Of the archive, for the paths.
    """
    return list(answers(connection, query, layout))


def answers(connection: Connection, query: Query, layout: Layout) -> Iterator[Record]:
    """Ask the index as `answer` does, and yield what is found without ever holding all of it."""
    root = layout.root.as_posix()
    asked = _statement(query, side_certainty(connection)).execution_options(yield_per=_AT_ONCE)
    for row in connection.execute(asked):
        yield _record(tuple(row), root)


def _statement(query: Query, certainty: ColumnElement[Any]) -> Select[Any]:
    i, p = t.instances.c, t.patients.c
    answered = (*_ANSWERED, certainty)
    joined = t.instances.join(t.patients, i.patient == p.number)
    conditions = _conditions(query)
    valid = [] if query.include_rejected else [i.rejected.is_(None)]
    if not query.teeth:
        statement = select(*answered).select_from(joined)
        conditions += [*valid, *_dates(query, i.study_date)]
        if query.view is not None:
            conditions.append(i.view.in_(views_asked(query.view, of_tooth=False)))
        return _in_order(statement.where(*conditions), query, None)
    if _is_narrow(query):
        kind = _kind_beside(query)
        statement = select(*answered, kind.label("kind")).select_from(joined)
        conditions += [*valid, *_dates(query, i.study_date), kind.is_not(None)]
        return _in_order(statement.where(*conditions), query, kind)
    shown = _shown(query, alone=not conditions)
    joined = joined.join(shown, shown.c.instance == i.number)
    statement = select(*answered, shown.c.kind).select_from(joined)
    return _in_order(statement.where(*conditions), query, shown.c.kind)


def _in_order(statement: Select[Any], query: Query, kind: ColumnElement[Any] | None) -> Select[Any]:
    i = t.instances.c
    if kind is not None and query.named_first:
        statement = statement.order_by(kind)
    if query.order is RecordOrder.NEWEST:
        statement = statement.order_by(i.study_date.desc(), i.study_time.desc(), i.journal_seq)
    elif query.order is RecordOrder.OLDEST:
        statement = statement.order_by(i.study_date, i.study_time, i.journal_seq)
    else:
        statement = statement.order_by(i.journal_seq)
    return statement.limit(query.limit) if query.limit is not None else statement


def _is_narrow(query: Query) -> bool:
    """True where few instances are left before their teeth are looked at."""
    asked = (query.patient_id, query.study_uid, query.series_uid, query.source_sha256)
    return any(value is not None for value in asked)


def _of_teeth(query: Query) -> list[ColumnElement[bool]]:
    """Conditions for the rows of teeth."""
    c = t.instance_teeth.c
    conditions: list[ColumnElement[bool]] = [
        c.tooth.in_(sorted({tooth.iso for tooth in query.teeth}))
    ]
    if query.view is not None:
        conditions.append(c.view.in_(views_asked(query.view, of_tooth=True)))
    return conditions


def _kind_beside(query: Query) -> ColumnElement[Any]:
    """How each instance shows the teeth, looked up instance by instance; null if it does not."""
    c = t.instance_teeth.c
    best = select(func.min(c.kind)).where(c.instance == t.instances.c.number, *_of_teeth(query))
    return best.scalar_subquery()


def _shown(query: Query, *, alone: bool) -> Any:
    """Instances that show one of the teeth in the view, and whether any of them is named.

    Where nothing else is asked, the limit is kept here already: everything that orders the
    answer stands in the index of the teeth, and what is not answered is never fetched.
    """
    c = t.instance_teeth.c
    one = len(set(query.teeth)) == 1
    # One tooth has one row an instance (the primary key); several have to be drawn together.
    kind = (c.kind if one else func.min(c.kind)).label("kind")
    at = c.study_at if one else func.min(c.study_at)
    shown = select(c.instance, kind).where(*_of_teeth(query), *_dates(query, c.study_at))
    if not query.include_rejected:
        shown = shown.where(c.rejected.is_(False))
    if not one:
        shown = shown.group_by(c.instance)
    if alone and query.limit is not None:
        if query.named_first:
            shown = shown.order_by(kind)
        if query.order is RecordOrder.NEWEST:
            shown = shown.order_by(at.desc())
        elif query.order is RecordOrder.OLDEST:
            shown = shown.order_by(at)
        shown = shown.order_by(c.instance).limit(query.limit)
    return shown.subquery("shown")


def _dates(query: Query, column: ColumnElement[str]) -> list[ColumnElement[bool]]:
    """Conditions for a column that holds a date, with or without a time behind a T."""
    conditions: list[ColumnElement[bool]] = []
    if query.since is not None:
        conditions.append(column >= iso_date(str(query.since)))
    if query.until is not None:
        conditions.append(column < iso_date(str(query.until)) + "U")
    return conditions


def _conditions(query: Query) -> list[ColumnElement[bool]]:
    i, p = t.instances.c, t.patients.c
    exact = {
        p.patient_id: query.patient_id,
        p.issuer: query.issuer,
        i.surface: None if query.surface is None else surface_asked(query.surface),
        i.mirror: query.mirror,
        i.modality: query.modality,
        i.role: query.role,
        i.study_uid: query.study_uid,
        i.series_uid: query.series_uid,
        i.source_digest: query.source_sha256,
        i.confirmed: query.confirmed,
    }
    conditions = [column == value for column, value in exact.items() if value is not None]
    if query.name is not None:
        conditions.append(_named(query.name))
    conditions += map(_has_part, query.who)
    return conditions


def _named(name: str) -> ColumnElement[bool]:
    """A patient one of whose spellings matches."""
    pattern = like_pattern(name_key(name))
    key = t.patients.c.name_key
    # A pattern that ends in a star would take the other spellings along; that does no harm.
    places = (pattern, f"{pattern}=%", f"%={pattern}", f"%={pattern}=%")
    matching = select(t.patients.c.number).where(
        or_(*(key.like(place, escape="\\") for place in places))
    )
    return and_(t.instances.c.patient.in_(matching))


def _has_part(part: str) -> ColumnElement[bool]:
    """A patient whose name or identifier has a part, whatever stands before and behind it."""
    c = t.patients.c
    held = or_(
        c.name_key.contains(name_key(part), autoescape=True),
        c.patient_id.icontains(part, autoescape=True),
    )
    return and_(t.instances.c.patient.in_(select(c.number).where(held)))


_I, _P = t.instances.c, t.patients.c
_ANSWERED = (
    _P.patient_id,
    _P.issuer,
    _P.name,
    _I.study_date,
    _I.study_time,
    _I.modality,
    _I.sop_instance_uid,
    _I.series_uid,
    _I.study_uid,
    _I.sop_class_uid,
    _I.teeth,
    _I.view,
    _I.surface,
    _I.mirror,
    _I.confirmed,
    _I.role,
    _I.laterality,
    _I.arch,
    _I.rows,
    _I.columns,
    _I.acquired,
    _I.accession,
    _I.study_description,
    _I.series_description,
    _I.path,
    _I.size,
    _I.digest,
    _I.source_digest,
    _I.added,
    _I.rejected,
)
_BEFORE_FOUND = 11
_KINDS = {t.NAMED: "named", t.COVERED: "covered"}


def without_twins(records: Sequence[Record]) -> list[Record]:
    """Leave out photographs as shot that are in the same study corrected, too."""
    corrected = {
        (r.study_uid, r.source_sha256) for r in records if r.role == "derived" and r.source_sha256
    }
    return [
        record
        for record in records
        if record.role == "derived" or (record.study_uid, record.source_sha256) not in corrected
    ]


def _record(row: tuple[Any, ...], root: str) -> Record:
    """Make a record from a row of `_ANSWERED` and the certainty, perhaps with the kind after it."""
    answered, kind = row[: len(_ANSWERED) + 1], row[len(_ANSWERED) + 1 :]
    values = list(answered)
    values[10] = tuple(values[10].split(",")) if values[10] else ()
    values.insert(_BEFORE_FOUND, _KINDS[kind[0]] if kind else None)
    values[25] = f"{root}/{values[25]}"
    return Record(*values)
