"""Who is known under an identifier, and in a study: nobody else comes in unnoticed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cachetools import LRUCache
from sqlalchemy import ColumnElement, Connection, Select, func, select

from archiver.archive.statements.same_person_log import one_person
from archiver.archive.store import tables as t
from archiver.archive.store.index import Index, iso_date
from archiver.archive.store.named_people import NOTES, doubted_identifiers, shared_studies
from archiver.errors import Problem
from archiver.objects import Patient, Person, same_identifier
from archiver.wording import Text

if TYPE_CHECKING:
    from archiver.objects import Description

#: Identifiers and studies that are remembered while an archive is open.
_REMEMBERED = 1024

#: Identifier and its issuer.
Key = tuple[str, str]


def person_of(description: Description) -> Person:
    """Return whom an object names."""
    d = description
    return Person(d.patient_name, iso_date(d.birth_date), d.sex)


def person_of_patient(patient: Patient) -> Person:
    """Return whom a sheet names."""
    birth = patient.birth_date.isoformat() if patient.birth_date else ""
    return Person(patient.name, birth, patient.sex)


def _witnesses(*columns: ColumnElement[Any]) -> Select[Any]:
    i = t.instances.c
    joined = t.instances.join(t.patients, i.patient == t.patients.c.number)
    found = select(*columns).select_from(joined).distinct()
    return found.where(i.rejected.is_(None), i.modality.not_in(NOTES))


def people_under(connection: Connection, patient: Key) -> set[Person]:
    """Return everybody whom instances name that are not rejected, under one identifier."""
    i, p = t.instances.c, t.patients.c
    asked = _witnesses(p.name, i.birth_date, i.sex)
    rows = connection.execute(asked.where(p.patient_id == patient[0], p.issuer == patient[1]))
    return {Person(*row) for row in rows}


def people_in(connection: Connection, study: str) -> set[tuple[Key, Person]]:
    """Return everybody whom the instances of a study name, each with the identifier."""
    i, p = t.instances.c, t.patients.c
    asked = _witnesses(p.patient_id, p.issuer, p.name, i.birth_date, i.sex)
    rows = connection.execute(asked.where(i.study_uid == study))
    return {((row[0], row[1]), Person(*row[2:])) for row in rows}


def spelt_otherwise(connection: Connection, patient: Patient) -> list[Problem]:
    """Return what to look at twice: names, and identifiers, that are merely written otherwise."""
    me, p = person_of_patient(patient), t.patients.c
    told = [
        Problem("archive.known_people.spelt_otherwise", patient=patient.id, said=me, known=known)
        for known in sorted(people_under(connection, (patient.id, patient.issuer)), key=str)
        if me.is_spelt_otherwise(known) and not me.contradicts(known)
    ]
    # The database folds ASCII alone; an identifier with other letters is found as it stands.
    bare = "".join(patient.id.split()).lower()
    alike = func.lower(func.replace(p.patient_id, " ", ""))
    rows = connection.execute(select(p.patient_id, p.name).where(alike == bare))
    others = {row[0]: Person(row[1]) for row in rows if row[0] != patient.id}
    return told + [
        Problem(
            "archive.known_people.identifier_otherwise",
            patient=repr(patient.id),
            known=repr(other),
            person=others[other],
        )
        for other in sorted(others)
        if same_identifier(other, patient.id)
    ]


@dataclass(frozen=True)
class DoubtfulPatient:
    """An identifier under which, or a study in which, more than one person is named.

    Parameters
    ----------
    problem
        Who contradicts whom.
    studies
        Study Instance UIDs, one for each person, the latest.
    """

    patient: Key
    problem: Problem
    studies: tuple[str, ...]


def patients_in_doubt(connection: Connection, root: Path) -> list[DoubtfulPatient]:
    """Return whose instances contradict each other, unless somebody has looked.

    Parameters
    ----------
    root
        The folder of the archive, for what people have said of identifiers.
    """
    found = []
    for key in doubted_identifiers(connection):
        problem = identifier_doubt(connection, root, key)
        if problem is not None:
            people = sorted(people_under(connection, key), key=str)
            studies = tuple(_latest_study(connection, key, other) for other in people)
            found.append(DoubtfulPatient(key, problem, studies))
    for study in shared_studies(connection):
        within = people_in(connection, study)
        for said in sorted(within, key=str):
            problem = contradiction(root, said, set(), within)
            if problem is not None:
                found.append(DoubtfulPatient(said[0], problem, (study,)))
                break
    return found


def identifier_doubt(connection: Connection, root: Path, patient: Key) -> Problem | None:
    """Return who contradicts whom under an identifier; None where all are one person."""
    people = people_under(connection, patient)
    problems = (
        contradiction(root, (patient, one), people, set()) for one in sorted(people, key=str)
    )
    return next(filter(None, problems), None)


def _latest_study(connection: Connection, key: Key, person: Person) -> str:
    i, p = t.instances.c, t.patients.c
    asked = _witnesses(i.study_uid, i.study_date).where(
        p.patient_id == key[0],
        p.issuer == key[1],
        p.name == person.name,
        i.birth_date == person.birth_date,
        i.sex == person.sex,
    )
    return str(connection.execute(asked.order_by(i.study_date.desc())).first()[0])  # type: ignore[index]


class KnownPeople:
    """Answers whether an object names somebody else than the archive; for the writer's thread.

    Parameters
    ----------
    index
        Of the archive.
    root
        The folder of the archive.
    """

    def __init__(self, index: Index, root: Path) -> None:
        self._index, self._root = index, root
        self._under: LRUCache[Key, set[Person]] = LRUCache(_REMEMBERED)
        self._in: LRUCache[str, set[tuple[Key, Person]]] = LRUCache(_REMEMBERED)

    def doubt(self, description: Description, batch: Sequence[Description] = ()) -> Problem | None:
        """Say whom an object contradicts; None where it is nobody.

        Parameters
        ----------
        batch
            Objects that come in with it, and before it.

        Raises
        ------
        ArchiveError
            If the index, or what people have said of identifiers, cannot be read.
        """
        if description.modality in NOTES or not description.patient_id:
            return None
        key, study = _key(description), description.study_uid
        under, within = set(self._known_under(key)), set(self._known_in(study))
        for other in batch:
            if other.modality not in NOTES:
                under |= {person_of(other)} if _key(other) == key else set()
                within |= {(_key(other), person_of(other))} if other.study_uid == study else set()
        return contradiction(self._root, (key, person_of(description)), under, within)

    def learn(self, descriptions: Sequence[Description]) -> None:
        """Take note of what the index has taken in."""
        if any(one.modality in NOTES for one in descriptions):
            self.forget()  # a note may have rejected who was known
        for one in descriptions:
            if _key(one) in self._under:
                self._under[_key(one)].add(person_of(one))
            if one.study_uid in self._in:
                self._in[one.study_uid].add((_key(one), person_of(one)))

    def forget(self) -> None:
        """Ask the index anew from now on."""
        self._under.clear()
        self._in.clear()

    def _known_under(self, key: Key) -> set[Person]:
        if key not in self._under:
            with self._index.reading() as connection:
                self._under[key] = people_under(connection, key)
        return self._under[key]

    def _known_in(self, study: str) -> set[tuple[Key, Person]]:
        if study not in self._in:
            with self._index.reading() as connection:
                self._in[study] = people_in(connection, study)
        return self._in[study]


def contradiction(
    root: Path, said: tuple[Key, Person], under: set[Person], within: set[tuple[Key, Person]]
) -> Problem | None:
    """Return whom somebody contradicts, by identifier or by study.

    Parameters
    ----------
    root
        The folder of the archive, for what people have said of identifiers.
    said
        Identifier and person.
    under
        Who is known under the identifier.
    within
        Who is known in the study.
    """
    key, me = said
    others = [known for known in under if me.contradicts(known)]
    if others:
        checked = one_person(root, key)
        others = [one for one in others if not any({me, one} <= group for group in checked)]
    if others:
        return Problem(
            "archive.known_people.other_person",
            patient=_named(key),
            said=me,
            known=tuple(sorted(map(str, others))),
        )
    strangers = [one for one in within if _is_another(said, one)]
    if strangers:
        return Problem(
            "archive.known_people.other_patient_of_study",
            said=_somebody(said),
            known=tuple(_somebody(one) for one in sorted(strangers, key=str)),
        )
    return None


def _is_another(said: tuple[Key, Person], known: tuple[Key, Person]) -> bool:
    (patient, issuer), me = said
    (other, others_issuer), person = known
    if (patient, issuer) == (other, others_issuer):
        return False  # compared under the identifier
    issuers = {issuer, others_issuer} - {""}
    return not same_identifier(patient, other) or len(issuers) > 1 or me.contradicts(person)


def _key(description: Description) -> Key:
    return description.patient_id, description.issuer


def _named(key: Key) -> str:
    return f"{key[0]} ({key[1]})" if key[1] else key[0]


def _somebody(one: tuple[Key, Person]) -> Text:
    return Text("archive.known_people.somebody", patient=_named(one[0]), person=one[1])
