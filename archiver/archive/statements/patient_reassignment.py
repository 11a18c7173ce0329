"""To whose record a photograph of the wrong patient is moved, and to which visit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from archiver.archive.query import Query, Record
from archiver.archive.store.archive import Archive
from archiver.errors import ObjectError, Problem
from archiver.objects import (
    Patient,
    Session,
    UidPolicy,
    Visit,
    Whose,
    name_key,
    photograph,
    read_context,
)
from archiver.wording import Text


@dataclass(frozen=True)
class NewPatient:
    """Whose photograph a person says it is; None for what is not said.

    Parameters
    ----------
    study
        Study Instance UID of the visit that it joins; without it the visit of the same day.
    """

    id: str
    issuer: str | None = None
    name: str | None = None
    birth_date: date | None = None
    sex: str | None = None
    study: str | None = None


def whose(archive: Archive, uid: str, person: NewPatient, uids: UidPolicy) -> Whose:
    """Work out patient and visit for a photograph that is moved.

    What the archive knows of the patient is taken from there, and must not be contradicted.
    Without a study the photograph joins the patient's visit of the same day and time, which is
    made where there is none; number and referrer of the wrong patient's visit do not go along.

    Parameters
    ----------
    uid
        SOP Instance UID of an instance of the photograph.

    Raises
    ------
    ObjectError
        If the patient is the same, is not unique, or is told otherwise than the archive has it;
        if the study is another patient's or is not there.
    """
    path = archive.path_of(uid)
    if path is None:
        raise ObjectError(Problem("archive.patient_reassignment.no_such_instance", uid=uid))
    wrong, visit = read_context(path)
    patient, known = registered_patient(archive, person)
    if (patient.id, patient.issuer) == (wrong.id, wrong.issuer):
        raise ObjectError(Problem("archive.patient_reassignment.already_theirs"))
    if person.study is not None:
        joined = _study(known, person.study)
        study = person.study
    else:
        joined = Visit(visit.date, visit.time if visit.time and any(_clock(visit)) else None)
        study = photograph.study_uid(Session(patient, joined, (), Path()), uids)
        there = [one for one in known if one.study_uid == study]
        if there:
            joined = _study(there, study)
    return Whose(patient, joined, study)


def _clock(visit: Visit) -> tuple[int, int, int]:
    time = visit.time
    return (time.hour, time.minute, time.second) if time else (0, 0, 0)


def registered_patient(
    archive: Archive, person: NewPatient, *, may_be_new: bool = True
) -> tuple[Patient, list[Record]]:
    """Return the patient, as the archive knows them where it does, and their instances.

    Parameters
    ----------
    may_be_new
        Whether it may be somebody whom the archive does not know, if the name is said.

    Raises
    ------
    ObjectError
        If the patient is not unique, or is told otherwise than the archive has it, or is not
        known and has no name.
    """
    known = archive.query(Query(patient_id=person.id, issuer=person.issuer))
    issuers = sorted({one.issuer for one in known})
    if len(issuers) > 1:
        raise ObjectError(
            Problem(
                "archive.patient_reassignment.several_issuers",
                patient=person.id,
                n=len(issuers),
                issuers=tuple(
                    issuer or Text("archive.patient_reassignment.no_issuer") for issuer in issuers
                ),
            )
        )
    if not known:
        if not person.name:
            why = "no_such_patient" if may_be_new else "must_be_known"
            raise ObjectError(Problem(f"archive.patient_reassignment.{why}", id=person.id))
        return (
            Patient(
                person.id, person.name, person.issuer or "", person.birth_date, person.sex or ""
            ),
            [],
        )
    # The newest record is the one that registration last agreed to.
    patient, _ = read_context(Path(known[0].path))
    told = (
        ("name", person.name, patient.name, person.name and name_key(person.name)),
        ("birth_date", person.birth_date, patient.birth_date, person.birth_date),
        ("sex", person.sex, patient.sex, person.sex),
    )
    for what, said, have, compared in told:
        same = name_key(patient.name) if what == "name" else have
        if said and have and compared != same:
            raise ObjectError(
                Problem(
                    "archive.patient_reassignment.contradicts",
                    patient=person.id,
                    what=Text(f"archive.patient_reassignment.{what}"),
                )
            )
    return replace(patient, birth_date=patient.birth_date or person.birth_date), known


def _study(known: list[Record], study: str) -> Visit:
    found = next((one for one in known if one.study_uid == study), None)
    if found is None:
        raise ObjectError(Problem("archive.patient_reassignment.no_such_study", study=study))
    return read_context(Path(found.path))[1]
