"""Whom the index knows by each identifier and in each study, so few that it is soon asked."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from itertools import combinations
from typing import Any

from sqlalchemy import Connection, FromClause, Select, delete, func, inspect, select
from sqlalchemy.dialects.sqlite import insert

from archiver.archive.store import tables as t
from archiver.objects import Person

#: Notes about other instances, made from them: no witness of who the patient is.
NOTES = ("KO", "PR")


def note_people(connection: Connection, rows: Iterable[Mapping[str, Any]]) -> None:
    """Take note of whom new rows of ``instances`` name; they may be in already.

    An index of an earlier version gets its tables with the first rows that come in.
    """
    witnesses = [row for row in rows if row["modality"] not in NOTES]
    for table in (t.people, t.study_patients):
        columns = [column.name for column in table.columns]
        if not inspect(connection).has_table(table.name):
            table.create(connection)
            connection.execute(insert(table).from_select(columns, _scanned(table.c)))
        named = {tuple(row[column] for column in columns) for row in witnesses}
        if named:
            made = [dict(zip(columns, one, strict=True)) for one in sorted(named)]
            connection.execute(insert(table).on_conflict_do_nothing(), made)


def forget_people(connection: Connection) -> None:
    """Take out whom no instance names any more, after instances were taken out."""
    for table in (t.people, t.study_patients):
        if inspect(connection).has_table(table.name):
            there, right = select(*table.c), _scanned(table.c)
            for row in connection.execute(there.except_(right)).all():
                same = [column == said for column, said in zip(table.c, row, strict=True)]
                connection.execute(delete(table).where(*same))


def doubted_identifiers(connection: Connection) -> list[tuple[str, str]]:
    """Return identifiers, each with its issuer, under which people contradict one another.

    Those count, too, that only rejected instances name.
    """
    p = t.patients.c
    known = _known(connection, t.people)
    several = (
        select(p.patient_id, p.issuer)
        .join(known, known.c.patient == p.number)
        .where(p.patient_id != "")
        .group_by(p.patient_id, p.issuer)
        .having(func.count() > 1)
        .subquery()
    )
    mine = (p.patient_id == several.c.patient_id) & (p.issuer == several.c.issuer)
    asked = select(p.patient_id, p.issuer, p.name, known.c.birth_date, known.c.sex).join(
        known, known.c.patient == p.number
    )
    people: dict[tuple[str, str], list[Person]] = defaultdict(list)
    for patient, issuer, *said in connection.execute(asked.join(several, mine)):
        people[patient, issuer].append(Person(*said))
    return [
        key
        for key, named in people.items()
        if any(one.contradicts(other) for one, other in combinations(named, 2))
    ]


def shared_studies(connection: Connection) -> list[str]:
    """Return studies whose instances have several rows of patients."""
    known = _known(connection, t.study_patients)
    several = select(known.c.study_uid).group_by(known.c.study_uid).having(func.count() > 1)
    return [row[0] for row in connection.execute(several)]


def wrong_people(connection: Connection) -> int:
    """Return how many rows of whom instances name are too many or lacking, by the instances."""
    wrong = 0
    for table in (t.people, t.study_patients):
        if inspect(connection).has_table(table.name):
            there, right = select(*table.c), _scanned(table.c)
            for rows in (there.except_(right), right.except_(there)):
                wrong += len(connection.execute(rows).all())
    return wrong


def _known(connection: Connection, table: Any) -> FromClause:
    if inspect(connection).has_table(table.name):
        return table  # type: ignore[no-any-return]
    return _scanned(table.c).subquery()


def _scanned(columns: Any) -> Select[Any]:
    """Read from all instances what a table holds."""
    i = t.instances.c
    return select(*(i[c.name] for c in columns)).where(i.modality.not_in(NOTES)).distinct()
