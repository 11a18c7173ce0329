"""Whether a session's patient is the one whom the archive knows, before anything is kept."""

from __future__ import annotations

from datetime import datetime

from archiver.archive.ingest.session_ingest import IngestSettings
from archiver.archive.statements.same_person import note_same_person
from archiver.archive.store.archive import Archive
from archiver.archive.store.known_people import (
    contradiction,
    people_in,
    people_under,
    person_of_patient,
    spelt_otherwise,
)
from archiver.errors import InputError, Problem
from archiver.objects import Patient, Person, SamePerson, Session, photograph


def patient_doubt(archive: Archive, patient: Patient, study: str = "") -> Problem | None:
    """Return whom a patient contradicts, by identifier or in a study; None where it is nobody.

    Raises
    ------
    ArchiveError
        If the archive cannot be read.
    """
    key = (patient.id, patient.issuer)
    with archive.reading() as connection:
        under = people_under(connection, key)
        within = people_in(connection, study) if study else set()
    return contradiction(archive.layout.root, (key, person_of_patient(patient)), under, within)


def patient_notes(archive: Archive, patient: Patient) -> list[Problem]:
    """Return what does not stop and should be looked at: spellings of name and identifier."""
    with archive.reading() as connection:
        return spelt_otherwise(connection, patient)


def check_patient(archive: Archive, session: Session, settings: IngestSettings) -> list[Problem]:
    """Stop where a session names somebody else than the archive; note who says it is the same.

    Returns
    -------
    list of Problem
        What should be looked at all the same.

    Raises
    ------
    InputError
        If the identifier is known under another name, birth date or sex and nobody has looked,
        or if the study holds another patient.
    ArchiveError
        If the archive cannot be read or written.
    """
    patient, study = session.patient, photograph.study_uid(session, settings.uids)
    if session.same_person is not None:
        who = (patient.id, patient.issuer), person_of_patient(patient)
        note_checked(archive, who, session.same_person, settings.now())
    doubt = patient_doubt(archive, patient, study)
    if doubt is not None:
        raise InputError(doubt)
    return patient_notes(archive, patient)


def note_checked(
    archive: Archive, who: tuple[tuple[str, str], Person], said: SamePerson, now: datetime
) -> None:
    """Note who has looked at somebody whose identifier is known otherwise; nothing where it is not.

    Parameters
    ----------
    who
        Identifier with its issuer, and whom it names here.

    Raises
    ------
    ArchiveError
        If the archive cannot be read or written.
    """
    key, me = who
    with archive.reading() as connection:
        people = people_under(connection, key)
    if contradiction(archive.layout.root, who, people, set()) is not None:
        note_same_person(archive, key, people | {me}, said, now)
