"""Is one person one patient, everywhere in the archive?"""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field
from difflib import SequenceMatcher
from itertools import combinations

from archiver.objects import Person, name_key
from archiver.records.model import Concern, Instance, RecordPerson, concern_about
from archiver.wording import Text

#: Instances named in one concern at most; the report leads to the rest by the patient.
_NAMED = 6
#: Share of letters in order from which two given names are one, misspelt (`difflib`'s measure).
_MISSPELT = 0.75
#: Notes about other instances, made from them: no witness of who the patient is.
_NOTES = frozenset({"KO", "PR"})
Key = tuple[str, str]
OnePerson = Callable[[Key], Sequence[Set[Person]]]


@dataclass
class _Seen:
    """What carries one spelling of a person."""

    photographs: list[str] = field(default_factory=list)
    others: list[str] = field(default_factory=list)
    date: str = ""

    @property
    def uids(self) -> list[str]:
        return (self.photographs + self.others)[:_NAMED]


def check_identity(
    instances: Sequence[Instance], one_person: OnePerson = lambda key: []
) -> list[Concern]:
    """Check what the instances say of patients, studies and series against each other.

    Parameters
    ----------
    one_person
        Gives the groups of people who were looked at and said to be one, under an identifier.
    """
    seen: dict[RecordPerson, _Seen] = defaultdict(_Seen)
    for one in instances:
        if one.modality in _NOTES:
            continue
        carrier = seen[one.person]
        uids = carrier.photographs if one.is_photograph else carrier.others
        if len(uids) < _NAMED:
            uids.append(one.uid)
        carrier.date = max(carrier.date, one.date)
    concerns = [
        concern_about(
            "patient-without-id",
            one,
            Text("records.identity.no_id"),
            Text("records.identity.identifier"),
        )
        for one in instances
        if not one.person.patient_id
    ]
    by_key: dict[Key, list[RecordPerson]] = defaultdict(list)
    for person in seen:
        if person.patient_id:
            by_key[person.key].append(person)
    for key, people in by_key.items():
        if not _are_checked(people, one_person(key) if len(people) > 1 else []):
            concerns += _one_identifier(people, seen)
    concerns += _one_person(seen)
    concerns += _issuers(seen)
    concerns += _studies(instances)
    return concerns


def _are_checked(people: Sequence[RecordPerson], groups: Sequence[Set[Person]]) -> bool:
    """Return whether somebody has looked at all who are named under an identifier."""
    named = {Person(one.name, one.birth_date, one.sex) for one in people}
    return any(named <= group for group in groups)


def _about(
    kind: str,
    found: Text,
    expected: Text,
    people: Sequence[RecordPerson],
    seen: Mapping[RecordPerson, _Seen],
) -> Concern:
    uids = [uid for person in people for uid in seen[person].uids[: _NAMED // len(people) or 1]]
    return Concern(
        kind,
        found,
        expected,
        patient=people[0].label,
        date=max(seen[person].date for person in people),
        uids=tuple(uids),
    )


def _one_identifier(
    people: Sequence[RecordPerson], seen: Mapping[RecordPerson, _Seen]
) -> Iterator[Concern]:
    """Check what is said under one identifier."""
    names = sorted({person.name for person in people if person.name})
    if any(not _may_be_one(one, other) for one, other in combinations(names, 2)):
        found = Text("records.identity.names", n=len(names))
        yield _about("patient-name-differs", found, Text("records.one.name"), people, seen)
    elif len({name_key(name) for name in names}) > 1:
        found = Text("records.identity.spellings", n=len(names))
        yield _about("patient-name-spelling", found, Text("records.one.spelling"), people, seen)
    births = sorted({person.birth_date for person in people if person.birth_date})
    if len(births) > 1:
        found = Text("records.identity.births", days=births)
        yield _about(
            "patient-birth-date-differs", found, Text("records.one.birth_date"), people, seen
        )
    sexes = sorted({person.sex for person in people if person.sex})
    if len(sexes) > 1:
        found = Text("records.identity.sexes", sexes=sexes)
        yield _about("patient-sex-differs", found, Text("records.one.sex"), people, seen)


def _may_be_one(one: str, other: str) -> bool:
    """Return whether two names may be one person's: written otherwise, shortened, or married.

    A family name alone is shared by whole families, and tells nobody from a sibling.
    """
    if not Person(one).contradicts(Person(other)):
        return True
    (family, given), (other_family, other_given) = _parts(one), _parts(other)
    if not given or not other_given:
        return bool((family | given) & (other_family | other_given))
    if given & other_given:
        return True
    alike = any(
        a.startswith(b) or b.startswith(a) or SequenceMatcher(None, a, b).ratio() >= _MISSPELT
        for a in given
        for b in other_given
    )
    return alike and bool(family & other_family)


def _parts(name: str) -> tuple[frozenset[str], frozenset[str]]:
    """Return the words of the family's and of the given names, without case and accents."""
    folded = unicodedata.normalize("NFKD", name.casefold())
    plain = "".join(c for c in folded if not unicodedata.combining(c))
    family, _, given = plain.partition("=")[0].partition("^")
    return _words(family), _words(given)


def _words(text: str) -> frozenset[str]:
    return frozenset(part for part in re.split(r"[\s^,.\-']+", text) if part)


def _one_person(seen: Mapping[RecordPerson, _Seen]) -> Iterator[Concern]:
    """Check what one name and birth date has for identifiers."""
    same: dict[tuple[str, str], list[RecordPerson]] = defaultdict(list)
    for person in seen:
        if person.name and person.birth_date and person.patient_id:
            same[name_key(person.name), person.birth_date].append(person)
    for people in same.values():
        photographed = {p.patient_id for p in people if seen[p].photographs}
        radiographed = {p.patient_id for p in people if seen[p].others}
        if len(photographed | radiographed) < 2 or not photographed:
            continue
        ids = sorted(photographed | radiographed)
        if radiographed and not photographed & radiographed:
            found = Text("records.identity.apart", ids=ids)
            yield _about(
                "radiographs-other-id", found, Text("records.one.identifier"), people, seen
            )
        else:
            found = Text("records.identity.several", ids=ids)
            yield _about("patient-two-ids", found, Text("records.one.identifier"), people, seen)


def _issuers(seen: Mapping[RecordPerson, _Seen]) -> Iterator[Concern]:
    """Check that photographs and radiographs of one identifier name one issuer."""
    same: dict[tuple[str, str], list[RecordPerson]] = defaultdict(list)
    for person in seen:
        if person.patient_id:
            same[person.patient_id, name_key(person.name)].append(person)
    for people in same.values():
        photographed = {p.issuer for p in people if seen[p].photographs}
        radiographed = {p.issuer for p in people if seen[p].others}
        if photographed and radiographed and not photographed & radiographed:
            found = Text(
                "records.identity.issuers",
                photographs=_said(photographed),
                radiographs=_said(radiographed),
            )
            yield _about(
                "radiographs-other-issuer", found, Text("records.one.issuer"), people, seen
            )


def _said(issuers: Iterable[str]) -> list[Text]:
    return [
        Text("records.identity.an_issuer", name=one) if one else Text("records.identity.no_issuer")
        for one in sorted(issuers, key=lambda one: (not one, one))
    ]


def _studies(instances: Sequence[Instance]) -> Iterator[Concern]:
    patients: dict[str, Instance] = {}
    studies: dict[str, Instance] = {}
    uids: dict[str, Instance] = {}
    told: set[str] = set()
    for one in instances:
        first = patients.setdefault(one.study, one)
        if first.person.key != one.person.key and one.study not in told:
            told.add(one.study)
            found = Text("records.identity.study_of", patient=first.person.label)
            expected = Text("records.one.patient")
            yield concern_about("study-two-patients", one, found, expected)
        first = studies.setdefault(one.series, one)
        if first.study != one.study and one.series not in told:
            told.add(one.series)
            found = Text("records.identity.series_twice")
            yield concern_about("series-two-studies", one, found, Text("records.one.study"))
        first = uids.setdefault(one.uid, one)
        if first is not one:
            found = Text("records.identity.identifier_of", path=first.path)
            yield concern_about("instance-twice", one, found)
