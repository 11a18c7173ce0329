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
    """

    study: str
    patient_id: str
    issuer: str
    name: str
    date: str
    pictures: int

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


def visit_of_study(archive: Archive, study: str) -> PhotographedDay | None:
    """Return the visit that a study belongs to, None where the study has no photographs."""
    i, p = t.instances.c, t.patients.c
    statement = (
        select(i.patient, i.study_date)
        .select_from(t.instances.join(t.patients, i.patient == p.number))
        .where(i.study_uid == study, i.modality == _PHOTOGRAPH)
        .limit(1)
    )
    with archive.reading() as connection:
        found = connection.execute(statement).first()
    if found is None:
        return None
    of_day = _visits(archive, [i.patient == found[0], i.study_date == found[1]], 1)
    return replace(of_day[0], study=study) if of_day else None


def _visits(
    archive: Archive, conditions: list[ColumnElement[bool]], limit: int
) -> list[PhotographedDay]:
    i, p = t.instances.c, t.patients.c
    picture = func.coalesce(i.source_digest, i.sop_instance_uid)
    statement = (
        select(
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
        return [PhotographedDay(*row) for row in connection.execute(statement)]
