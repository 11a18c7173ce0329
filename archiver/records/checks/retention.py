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
    if born is not None and by_age:
        age = age_on(born, last)
        if age < (row.from_age or 0) or (row.below_age is not None and age >= row.below_age):
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
