"""What has passed the age up to which a rule wants it kept. Nothing is ever deleted here."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date

from archiver.records.checks.time_checks import age_on, day_of
from archiver.records.model import Concern, Instance, RecordPerson
from archiver.records.rules.rule_set import Retention, RuleSet
from archiver.wording import Text


def check_retention(
    sets: Sequence[RuleSet], instances: Iterable[Instance], today: date
) -> list[Concern]:
    """List the patients whose record has passed the end that each rule sets."""
    rows = [(one, row) for one in sets for row in one.retention]
    if not rows:
        return []
    last: dict[tuple[str, str], date | None] = {}
    people: dict[tuple[str, str], RecordPerson] = {}
    counts: dict[tuple[str, str], int] = {}
    for one in instances:
        key, day = one.person.key, day_of(one.date)
        known = people.setdefault(key, one.person)
        if not known.birth_date and one.person.birth_date:
            people[key] = one.person
        earlier = last.get(key)
        last[key] = max(earlier, day) if earlier and day else day or earlier
        counts[key] = counts.get(key, 0) + 1
    concerns: list[Concern] = []
    for key, person in people.items():
        for rules, row in rows:
            concerns += _judge(rules, row, person, last[key], today, counts[key])
    return concerns


def passed_keeping_time(
    sets: Sequence[RuleSet], instances: Iterable[Instance], today: date
) -> set[tuple[str, str]]:
    """Return identifiers and issuers of the patients whose record no rule wants kept any more."""
    days: dict[tuple[str, str], list[date | None]] = {}
    born: dict[tuple[str, str], date | None] = {}
    for one in instances:
        days.setdefault(one.person.key, []).append(day_of(one.date))
        born[one.person.key] = born.get(one.person.key) or day_of(one.person.birth_date)
    rows = [row for one in sets for row in one.retention]
    passed = set()
    for key, some in days.items():
        known = [day for day in some if day is not None]
        if len(known) < len(some):
            continue
        ends = [
            end_of(row, max(known), born[key]) if born[key] or row.until_age is None else date.max
            for row in rows
            if _applies(row, max(known), born[key])
        ]
        if ends and max(ends) < today:
            passed.add(key)
    return passed


def _applies(row: Retention, last: date, born: date | None) -> bool:
    if born is None or (row.from_age is None and row.below_age is None):
        return True
    age = age_on(born, last)
    return age >= (row.from_age or 0) and (row.below_age is None or age < row.below_age)


def _judge(
    rules: RuleSet, row: Retention, person: RecordPerson, last: date | None, today: date, count: int
) -> Iterator[Concern]:
    def concern(kind: str, found: Text) -> Concern:
        return Concern(
            kind,
            found,
            patient=person.label,
            date=last.isoformat() if last else "",
            rule=f"{rules.label}: {row.name}",
            source=row.source,
        )

    born = day_of(person.birth_date)
    by_age = row.from_age is not None or row.below_age is not None
    if last is None:
        yield concern("retention-unknown", Text("records.retention.no_date"))
        return
    if born is None and (by_age or row.until_age is not None):
        yield concern("retention-unknown", Text("records.retention.no_birth_date"))
        return
    if not _applies(row, last, born):
        return
    end = end_of(row, last, born)
    if end < today:
        found = Text("records.retention.passed", n=count, day=end)
        yield concern("retention-passed", found)


def end_of(row: Retention, last: date, born: date | None) -> date:
    """Return the last day on which a rule wants a record kept."""
    ends = []
    if row.years is not None:
        ends.append(_later(last, row.years))
    if row.until_age is not None and born is not None:
        ends.append(_later(born, row.until_age))
    return max(ends)


def _later(day: date, years: int) -> date:
    try:
        return day.replace(year=day.year + years)
    except ValueError:  # 29 February
        return day.replace(year=day.year + years, month=3, day=1)
