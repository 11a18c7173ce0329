"""What has passed the time for which rules want it kept. Nothing is deleted here."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from archiver.records.checks.time_checks import age_on, day_of
from archiver.records.contacts import NO_CONTACT, Contact
from archiver.records.model import Concern, Instance, RecordPerson
from archiver.records.rules.rule_set import Retention, RuleSet
from archiver.wording import Text


@dataclass
class _Record:
    """A patient's record: when its objects were made, as far as they say."""

    person: RecordPerson
    count: int = 0
    undated: int = 0
    days: set[date] = field(default_factory=set)

    @property
    def born(self) -> date | None:
        return day_of(self.person.birth_date)


@dataclass(frozen=True)
class _End:
    """The last day of keeping, and the row that sets it; None where it cannot be told, and why."""

    row: Retention
    day: date | None
    why: str = ""


@dataclass(frozen=True)
class KeepingEnd:
    """The last day on which a rule wants a record kept, and which rule."""

    day: date
    rule: str


def check_retention(
    sets: Sequence[RuleSet],
    instances: Iterable[Instance],
    today: date,
    contacts: Mapping[tuple[str, str], Contact] | None = None,
) -> list[Concern]:
    """List the patients whose record has passed the end that a set of rules gives it.

    Parameters
    ----------
    contacts
        By identifier and issuer: last contact, capacity and legal hold; without one, the last
        visit counts as last contact.
    """
    rules = [one for one in sets if one.retention]
    if not rules:
        return []
    concerns: list[Concern] = []
    for key, record in _records(instances).items():
        contact = contact_of(contacts or {}, key)
        for one in rules:
            concerns += _judge(one, record, contact, today, told=contacts is not None)
    return concerns


def passed_keeping_time(
    sets: Sequence[RuleSet],
    instances: Iterable[Instance],
    today: date,
    contacts: Mapping[tuple[str, str], Contact] | None = None,
) -> set[tuple[str, str]]:
    """Return identifiers and issuers of the patients whose record no rule wants kept any more.

    A record under a legal hold is none of them, nor one of which no rule says how long it is kept.
    """
    return set(keeping_ends(sets, instances, today, contacts))


def keeping_ends(
    sets: Sequence[RuleSet],
    instances: Iterable[Instance],
    today: date,
    contacts: Mapping[tuple[str, str], Contact] | None = None,
) -> dict[tuple[str, str], KeepingEnd]:
    """Return what ended the keeping time of each patient of `passed_keeping_time`."""
    rules = [one for one in sets if one.retention]
    passed = {}
    for key, record in _records(instances).items():
        contact = contact_of(contacts or {}, key)
        ends = [(one, end) for one in rules if (end := _end(one, record, contact)) is not None]
        known = [
            KeepingEnd(end.day, f"{one.label}: {end.row.name}")
            for one, end in ends
            if end.day is not None
        ]
        told = bool(ends) and len(known) == len(ends) and not record.undated
        last = max(known, key=lambda one: one.day, default=None)
        if told and last is not None and last.day < today and not contact.hold:
            passed[key] = last
    return passed


def contact_of(contacts: Mapping[tuple[str, str], Contact], key: tuple[str, str]) -> Contact:
    """Return what a table says of a patient; a row without an issuer means any."""
    return contacts.get(key) or contacts.get((key[0], "")) or NO_CONTACT


def _records(instances: Iterable[Instance]) -> dict[tuple[str, str], _Record]:
    found: dict[tuple[str, str], _Record] = {}
    for one in instances:
        record = found.setdefault(one.person.key, _Record(one.person))
        if not record.person.birth_date and one.person.birth_date:
            record.person = one.person
        record.count += 1
        day = day_of(one.date)
        if day is None:
            record.undated += 1
        else:
            record.days.add(day)
    return found


def _end(rules: RuleSet, record: _Record, contact: Contact) -> _End | None:
    """Return when a set lets a record go: the latest end of the rows that are about it."""
    rows = [row for row in rules.retention if not row.lacking_capacity or contact.lacks_capacity]
    if not rows:
        return None
    if not record.days:
        return _End(rows[0], None, "no_date")
    if record.born is None and any(_by_age(row) for row in rows):
        return _End(next(row for row in rows if _by_age(row)), None, "no_birth_date")
    about = [row for row in rows if _applies(row, record)]
    ends = [_End(row, end_of(row, record.days, record.born, contact.last)) for row in about]
    if not ends:
        return None
    # A patient who lacks capacity is kept until somebody has decided: no day is known.
    endless = next((end for end in ends if end.day is None), None)
    return endless or max(ends, key=lambda end: end.day or date.min)


def _by_age(row: Retention) -> bool:
    ages = (row.from_age, row.below_age, row.until_age)
    return any(age is not None for age in ages)


def _applies(row: Retention, record: _Record) -> bool:
    """Whether a row is about any part of a record: by the age at which that was made."""
    if record.born is None or (row.from_age is None and row.below_age is None):
        return True
    ages = (age_on(record.born, day) for day in record.days)
    high = row.below_age if row.below_age is not None else 1000
    return any((row.from_age or 0) <= age < high for age in ages)


def end_of(
    row: Retention, days: Iterable[date], born: date | None, contact: date | None
) -> date | None:
    """Return the last day on which a row wants a record kept, whichever of its ends is later.

    Parameters
    ----------
    days
        On which its parts were made.
    contact
        The last contact; the last day of `days` where it is not known.
    """
    if row.for_ever:
        return None
    made = max(days)
    last = made if row.counted_from == "making" or contact is None else max(made, contact)
    ends = [_later(last, row.years)] if row.years is not None else []
    if row.until_age is not None and born is not None:
        ends.append(_later(born, row.until_age))
    return max(ends)


def _judge(
    rules: RuleSet, record: _Record, contact: Contact, today: date, *, told: bool
) -> Iterator[Concern]:
    end = _end(rules, record, contact)
    if end is None:
        return
    last = max(record.days, default=None)

    def concern(kind: str, found: Text) -> Concern:
        return Concern(
            kind,
            found,
            patient=record.person.label,
            date=last.isoformat() if last else "",
            rule=f"{rules.label}: {end.row.name}",
            source=end.row.cited,
        )

    if end.why:
        yield concern("retention-unknown", Text(f"records.retention.{end.why}"))
    elif end.day is not None and end.day < today:
        if contact.hold:
            yield concern("retention-held", Text("records.retention.held", why=contact.hold))
            return
        since = contact.last or last
        words = "by_contact" if told and contact.last else "by_visit"
        found = Text(f"records.retention.{words}", n=record.count, day=end.day, last=since)
        yield concern("retention-passed", found)


def _later(day: date, years: int) -> date:
    try:
        return day.replace(year=day.year + years)
    except ValueError:  # 29 February
        return day.replace(year=day.year + years, month=3, day=1)
