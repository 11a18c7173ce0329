"""Visits: a patient's photographs of one day. Addresses name them by a study, not by a patient."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from sqlalchemy import ColumnElement, func, select

from archiver.archive.store import Archive
from archiver.archive.store import tables as t
from archiver.objects import Person

_PHOTOGRAPH = "XC"


@dataclass(frozen=True)
class PhotographedDay:
    """A day with photographs of a patient, who is one person: name and issuer belong to it.

    Parameters
    ----------
    study
        Study Instance UID of one of its studies.
    date
        ISO 8601.
    pictures
        Photographs; as shot and corrected count once.
    place
        Among those whose photographs the study holds; others than the first came into it before
        anybody asked whose it is.
    """

    study: str
    patient_id: str
    issuer: str
    name: str
    date: str
    pictures: int
    place: int = 0

    @property
    def address(self) -> str:
        """Where the record of the visit is."""
        return f"/record/visit/{self.study}" + (f"?person={self.place + 1}" if self.place else "")

    def is_of(self, patient_id: str, issuer: str, name: str) -> bool:
        """Return whether somebody is the person of this visit, and not another of that number."""
        same = (patient_id, issuer) == (self.patient_id, self.issuer)
        return same and not Person(name).contradicts(Person(self.name))


def latest_visits(archive: Archive, limit: int) -> list[PhotographedDay]:
    """Return the latest visits, the newest first.

    Every day with photographs has a visit, so that as many days as visits are enough to look at:
    the whole archive is never grouped.
    """
    i = t.instances.c
    days = select(i.study_date).where(i.modality == _PHOTOGRAPH).distinct()
    last = days.order_by(i.study_date.desc()).limit(limit)
    with archive.reading() as connection:
        found = [row[0] for row in connection.execute(last)]
    return _visits(archive, [i.study_date >= found[-1]], limit) if found else []


def visits_of(
    archive: Archive, patients: Collection[str], limit: int = 500
) -> list[PhotographedDay]:
    """Return the visits of patients, the newest first."""
    return _visits(archive, [t.patients.c.patient_id.in_(sorted(patients))], limit)


def visits_like(archive: Archive, visit: PhotographedDay) -> list[PhotographedDay]:
    """Return all visits of the person of a visit, the newest first."""
    visits = visits_of(archive, [visit.patient_id])
    return [one for one in visits if visit.is_of(one.patient_id, one.issuer, one.name)]


def visits_of_study(archive: Archive, study: str) -> list[PhotographedDay]:
    """Return the visits that a study belongs to: one, or one a person where it holds several."""
    i = t.instances.c
    found = []
    for place, (patient, date) in enumerate(_days_by_study(archive, [study]).get(study, [])):
        of_day = _visits(archive, [i.patient == patient, i.study_date == date], 1)
        found += [replace(one, study=study, place=place) for one in of_day]
    return [one for n, one in enumerate(found) if not any(_same_person(one, o) for o in found[:n])]


def _same_person(one: PhotographedDay, other: PhotographedDay) -> bool:
    return one.is_of(other.patient_id, other.issuer, other.name)


def _days_by_study(archive: Archive, studies: Collection[str]) -> dict[str, list[tuple[int, str]]]:
    """Return rows of patients and days of each study's photographs."""
    i = t.instances.c
    asked = select(i.study_uid, i.patient, i.study_date).distinct()
    asked = asked.where(i.study_uid.in_(sorted(studies)), i.modality == _PHOTOGRAPH)
    found: dict[str, list[tuple[int, str]]] = {}
    with archive.reading() as connection:
        for study, patient, date in sorted(tuple(row) for row in connection.execute(asked)):
            found.setdefault(study, []).append((patient, date))
    return found


def _visits(
    archive: Archive, conditions: list[ColumnElement[bool]], limit: int
) -> list[PhotographedDay]:
    i, p = t.instances.c, t.patients.c
    picture = func.coalesce(i.source_digest, i.sop_instance_uid)
    statement = (
        select(
            i.patient,
            func.max(i.study_uid),
            p.patient_id,
            p.issuer,
            p.name,
            i.study_date,
            func.count(func.distinct(picture)),
        )
        .select_from(t.instances.join(t.patients, i.patient == p.number))
        .where(i.modality == _PHOTOGRAPH, i.rejected.is_(None), *conditions)
        .group_by(i.patient, p.patient_id, p.issuer, p.name, i.study_date)
        .order_by(i.study_date.desc(), func.max(i.journal_seq).desc())
        .limit(limit)
    )
    with archive.reading() as connection:
        found = [
            (patient, PhotographedDay(*row)) for patient, *row in connection.execute(statement)
        ]
    days = _days_by_study(archive, {visit.study for _, visit in found})
    return [
        replace(visit, place=days[visit.study].index((patient, visit.date)))
        for patient, visit in found
    ]
