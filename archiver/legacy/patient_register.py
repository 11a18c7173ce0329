"""Who a name in a path is: only those count whom a table of the practice or a peer knows.

A name alone is nobody: two people may have it. A name with a birth date, or an identifier, is
somebody if exactly one known patient has both.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches

from archiver.errors import Problem
from archiver.legacy.path_reading import PathSaid
from archiver.legacy.reasons import ImportReason
from archiver.legacy.word_tables import words_in, written_out
from archiver.objects import Patient, readable_name, same_identifier

#: Names that a message holds up beside one that nobody has.
_NEAR = 3


@dataclass(frozen=True)
class Unresolved:
    """Why nobody is known by what a path says."""

    reason: ImportReason
    problem: Problem


def _spellings(name: str) -> tuple[frozenset[str], ...]:
    """Return the words of a name, as they stand and with marked letters written as two."""
    return tuple(dict.fromkeys(frozenset(words_in(one)) for one in (name, written_out(name))))


class PatientRegister:
    """Patients whom a source knows.

    Parameters
    ----------
    patients
        As the source has them; the same one may come twice.
    """

    def __init__(self, patients: Iterable[Patient]) -> None:
        self.patients = tuple(dict.fromkeys(patients))
        self._by_word: dict[str, list[Patient]] = defaultdict(list)
        self._by_id: dict[str, list[Patient]] = defaultdict(list)
        for patient in self.patients:
            for word in {word for words in _spellings(patient.name) for word in words}:
                self._by_word[word].append(patient)
            self._by_id["".join(patient.id.split()).casefold()].append(patient)

    def with_id(self, identifier: str, issuer: str = "") -> tuple[Patient, ...]:
        """Return who has an identifier; several where issuers differ."""
        found = self._by_id.get("".join(identifier.split()).casefold(), ())
        return tuple(one for one in found if not issuer or one.issuer == issuer)

    def resolve(self, said: PathSaid) -> Patient | Unresolved:
        """Return whom a path means, or why that is not known."""
        if said.birth is not None and said.birth.day is None:
            return Unresolved(
                ImportReason.DAY_UNREADABLE, Problem("legacy.patient.birth_unreadable")
            )
        born = said.birth.day if said.birth is not None else None
        if said.patient_id:
            return self._identified(said, born)
        if not said.name:
            return Unresolved(ImportReason.NO_PATIENT, Problem("legacy.patient.none"))
        if born is None:
            return Unresolved(
                ImportReason.NAME_ALONE, Problem("legacy.patient.name_alone", name=said.name)
            )
        return self._named(said.name, born)

    def _identified(self, said: PathSaid, born: date | None) -> Patient | Unresolved:
        found = self.with_id(said.patient_id)
        if not found:
            problem = Problem("legacy.patient.no_such_id", id=said.patient_id)
            return Unresolved(ImportReason.PATIENT_UNKNOWN, problem)
        if len(found) > 1:
            return _several(found)
        if said.name and found[0] not in self._of_name(said.name):
            problem = Problem("legacy.patient.other_name", id=said.patient_id, name=said.name)
            return Unresolved(ImportReason.NAME_DIFFERS, problem)
        if born is not None and found[0].birth_date not in (born, None):
            return Unresolved(
                ImportReason.BIRTH_DATE_DIFFERS,
                Problem("legacy.patient.other_birth_date", id=found[0].id, born=born),
            )
        return found[0]

    def _named(self, name: str, born: date) -> Patient | Unresolved:
        of_name = self._of_name(name)
        if not of_name:
            near = self._near(name)
            problem = Problem("legacy.patient.no_such_name", name=name, near=near or None)
            return Unresolved(ImportReason.PATIENT_UNKNOWN, problem)
        both = [one for one in of_name if one.birth_date == born]
        if len(both) == 1:
            return both[0]
        if both:
            return _several(both)
        if all(one.birth_date is None for one in of_name):
            return Unresolved(
                ImportReason.NAME_ALONE, Problem("legacy.patient.name_alone", name=name)
            )
        ids = tuple(one.id for one in of_name if one.birth_date is not None)
        return Unresolved(
            ImportReason.BIRTH_DATE_DIFFERS,
            Problem("legacy.patient.other_birth_date", id=ids, born=born),
        )

    def _of_name(self, name: str) -> list[Patient]:
        """Return whom a name may be: all of its words are theirs, of family and given name."""
        found: dict[Patient, None] = {}
        for typed in _spellings(name):
            word = min(typed, key=lambda one: len(self._by_word.get(one, ())), default="")
            for one in self._by_word.get(word, ()):
                if len(typed) > 1 and any(typed <= known for known in _spellings(one.name)):
                    found[one] = None
        return [one for one in found if _is_of_both_names(name, one.name)]

    def _near(self, name: str) -> tuple[str, ...]:
        near: dict[str, None] = {}
        for word in words_in(name):
            for close in get_close_matches(word, self._by_word, n=_NEAR, cutoff=0.8):
                near |= {f"{readable_name(p.name)} ({p.id})": None for p in self._by_word[close]}
        return tuple(near)[:_NEAR]


def _is_of_both_names(typed: str, known: str) -> bool:
    """Whether words of a typed name are of the family's name and of a given one."""
    family, *given = known.split("^")
    words = {word for spelt in _spellings(typed) for word in spelt}
    parts = (_spellings(family), _spellings(" ".join(given)))
    return all(any(words & spelt for spelt in part) for part in parts)


def _several(found: Sequence[Patient]) -> Unresolved:
    ids = tuple(one.id for one in found)
    return Unresolved(ImportReason.SEVERAL_PATIENTS, Problem("legacy.patient.several", ids=ids))


def contradicts(register: PatientRegister, patient: Patient) -> Unresolved | None:
    """Return why an object's own patient is not the one whom the register knows."""
    found = [one for one in register.with_id(patient.id) if one.issuer == patient.issuer]
    found = found or list(register.with_id(patient.id))
    if not found:
        problem = Problem("legacy.patient.no_such_id", id=patient.id)
        return Unresolved(ImportReason.PATIENT_UNKNOWN, problem)
    if len(found) > 1:
        return _several(found)
    known = found[0]
    assert same_identifier(known.id, patient.id)
    if patient.birth_date is not None and known.birth_date not in (patient.birth_date, None):
        return Unresolved(
            ImportReason.BIRTH_DATE_DIFFERS,
            Problem("legacy.patient.other_birth_date", id=known.id, born=patient.birth_date),
        )
    if patient.name and known not in register._of_name(patient.name.replace("^", " ")):
        name = readable_name(patient.name)
        problem = Problem("legacy.patient.other_name", id=known.id, name=name)
        return Unresolved(ImportReason.NAME_DIFFERS, problem)
    return None
