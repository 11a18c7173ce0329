"""Do dates and clocks agree with each other and with the visit?"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from functools import lru_cache

from archiver.records.episodes import Episode
from archiver.records.model import Concern, Instance, RecordPerson, concern_about
from archiver.records.pictures import RecordPicture
from archiver.records.rules.rule_set import AuditLimits
from archiver.wording import Text

#: Ages that a naming of teeth cannot have (years; common practice, wide on purpose).
_LAST_DECIDUOUS = 16
_FIRST_PERMANENT = 4


@lru_cache(maxsize=4096)
def day_of(text: str) -> date | None:
    """Return an ISO 8601 day, None where it is none."""
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        return None


def acquired(one: Instance) -> datetime | None:
    """Return when an instance says it was acquired, in the time of its place (PS3.5 6.2, DT)."""
    digits = one.acquired.split(".")[0].split("+")[0].split("-")[0]
    length = next((n for n in (14, 12, 8) if len(digits) >= n), 0)
    if not length or not (digits := digits[:length]).isdecimal():
        return None
    # Not strptime, which takes five times as long and is asked of every picture.
    month, day, hour, minute, second = (
        int(digits.ljust(14, "0")[at : at + 2]) for at in range(4, 14, 2)
    )
    try:
        return datetime(int(digits[:4]), month, day, hour, minute, second)
    except ValueError:
        return None


def check_times(
    instances: Sequence[Instance],
    pictures: Sequence[RecordPicture],
    limits: AuditLimits,
    now: datetime,
) -> list[Concern]:
    """Check every date; each picture has one concern about its clock at most."""
    concerns: list[Concern] = []
    for one in instances:
        concerns += _study_day(one, now.date())
    concerns += _births(instances)
    visits: dict[tuple[tuple[str, str], str], list[tuple[datetime, RecordPicture]]] = defaultdict(
        list
    )
    for picture in pictures:
        when = acquired(picture.first)
        told = _clock(picture, when, limits, now)
        if told is not None:
            concerns.append(told)
        elif when is not None:
            visits[picture.person.key, picture.date].append((when, picture))
    for taken in visits.values():
        concerns += _spread(taken, limits.hours_of_visit)
    return concerns


def _study_day(one: Instance, today: date) -> Iterator[Concern]:
    day = day_of(one.date)
    if day is None:
        yield concern_about("visit-date-missing", one, Text("records.times.no_study_date"))
        return
    if day > today:
        found = Text("records.times.study_date", day=one.date)
        yield concern_about("date-in-future", one, found, Text("records.times.day_to", day=today))


def _births(instances: Iterable[Instance]) -> Iterator[Concern]:
    """Tell visits before the patient's birth, each once."""
    visits: dict[tuple[RecordPerson, str], list[Instance]] = defaultdict(list)
    for one in instances:
        day, born = day_of(one.date), day_of(one.person.birth_date)
        if day is not None and born is not None and born > day:
            visits[one.person, one.date].append(one)
    for (person, day_told), found in visits.items():
        yield Concern(
            "born-after-visit",
            Text("records.times.born", day=person.birth_date),
            Text("records.times.day_to", day=day_told),
            patient=person.label,
            date=day_told,
            uids=tuple(one.uid for one in found),
            who=found[0].who,
        )


def _clock(
    picture: RecordPicture, when: datetime | None, limits: AuditLimits, now: datetime
) -> Concern | None:
    one = picture.first
    day, added = day_of(one.date), day_of(one.added)
    if when is None:
        what = "unreadable" if one.acquired else "missing"
        return concern_about("date-missing", one, Text(f"records.acquisition.{what}"))
    if when.date() > now.date():
        if day is not None and day > now.date():
            return None
        kind, expected = "date-in-future", Text("records.times.up_to", day=now.date())
    elif day is None:
        return None
    # A clock that was never set tells 1 January of the year in which the camera was made.
    elif (when.month, when.day) == (1, 1) and when.year < day.year:
        kind, expected = "clock-at-default", Text("records.times.near", day=day)
    elif added is not None and when.date() > added + timedelta(days=1):
        kind, expected = "clock-after-archiving", Text("records.times.before_it_came", day=added)
    elif (apart := abs((when.date() - day).days)) > limits.days_from_visit:
        found = Text("records.times.apart", when=f"{when:%Y-%m-%d %H:%M}", days=apart)
        expected = Text("records.times.days_from", most=limits.days_from_visit, day=day)
        return concern_about("date-outside-visit", one, found, expected)
    else:
        return None
    found = Text("records.times.acquired", when=f"{when:%Y-%m-%d %H:%M}")
    return concern_about(kind, one, found, expected)


def _spread(taken: list[tuple[datetime, RecordPicture]], hours: int) -> Iterator[Concern]:
    taken.sort(key=lambda one: one[0])
    (first, earliest), (last, latest) = taken[0], taken[-1]
    if last - first > timedelta(hours=hours):
        span = {"first": f"{first:%Y-%m-%d %H:%M}", "last": f"{last:%Y-%m-%d %H:%M}"}
        yield Concern(
            "clock-spread",
            Text("records.times.spread", **span),
            Text("records.times.hours", hours=hours),
            patient=earliest.person.label,
            date=earliest.date,
            uids=(earliest.first.uid, latest.first.uid),
            who=latest.first.who,
        )


def age_on(born: date, day: date) -> int:
    """Return the age in whole years."""
    return day.year - born.year - ((day.month, day.day) < (born.month, born.day))


def check_ages(pictures: Iterable[RecordPicture]) -> Iterator[Concern]:
    """Check that the teeth named fit the patient's age."""
    for picture in pictures:
        born, day = day_of(picture.person.birth_date), day_of(picture.date)
        if born is None or day is None or day < born:
            continue
        age = age_on(born, day)
        wrong = sorted(iso for iso in picture.teeth if _misfits(iso, age))
        if wrong:
            found = Text("records.times.age", teeth=wrong, age=age)
            yield concern_about("tooth-not-of-age", picture.first, found)


def _misfits(iso: str, age: int) -> bool:
    deciduous = iso[0] in "5678"
    return age >= _LAST_DECIDUOUS if deciduous else age < _FIRST_PERMANENT


def check_extracted(
    pictures: Iterable[RecordPicture], episodes: Sequence[Episode]
) -> Iterator[Concern]:
    """Tell pictures of teeth that were extracted before."""
    gone: dict[tuple[str, str], tuple[date, str]] = {}
    for episode in episodes:
        if "extract" in episode.treatment.casefold():
            for tooth in episode.teeth:
                end = episode.finished or episode.start
                gone[episode.patient_id, tooth.iso] = (end, episode.issuer)
    if not gone:
        return
    for picture in pictures:
        day = day_of(picture.date)
        for iso in sorted(picture.teeth):
            known = gone.get((picture.person.patient_id, iso))
            if known is None or day is None or day <= known[0]:
                continue
            if known[1] in ("", picture.person.issuer):
                found = Text("records.times.extracted", tooth=iso, day=known[0])
                yield concern_about("tooth-extracted", picture.first, found)
