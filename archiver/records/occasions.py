"""Visits and treatments of which rules demand pictures, and the pictures that an archive has."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from archiver.dentition import Tooth
from archiver.records.episodes import Episode
from archiver.records.model import RecordPerson
from archiver.records.pictures import RecordPicture, needs_teeth
from archiver.records.rules.rule_set import RuleSet

#: First and last day.
Span = tuple[date, date]


@dataclass(frozen=True)
class Occasion:
    """A visit or a treatment of which a rule demands pictures.

    Parameters
    ----------
    days
        First and last day of each stage's event; ``""`` has those of the whole occasion. A stage
        without days is not due.
    visit
        True where the occasion is a visit: pictures count of that day alone.
    """

    person: RecordPerson
    date: str
    label: str
    teeth: tuple[Tooth, ...]
    days: Mapping[str, Span]
    visit: bool


class Album:
    """The pictures of an archive, by patient and day."""

    def __init__(self, pictures: Iterable[RecordPicture]) -> None:
        self.by_person: dict[tuple[str, str], dict[str, list[RecordPicture]]] = {}
        self._keys: dict[str, set[tuple[str, str]]] = defaultdict(set)
        for picture in pictures:
            key = picture.person.key
            self._keys[key[0]].add(key)
            self.by_person.setdefault(key, {}).setdefault(picture.date, []).append(picture)

    def keys_of(self, patient_id: str, issuer: str) -> list[tuple[str, str]]:
        """Return the patients that an identifier means, with any issuer where none is said."""
        return sorted(k for k in self._keys.get(patient_id, ()) if not issuer or k[1] == issuer)

    def between(self, key: tuple[str, str], first: date, last: date) -> list[RecordPicture]:
        """Return a patient's pictures of the days from first to last."""
        days = self.by_person.get(key, {})
        low, high = first.isoformat(), last.isoformat()
        return [p for day in sorted(days) if low <= day <= high for p in days[day]]


def _wanted(tooth: Tooth, which: str) -> bool:
    return which == "any" or tooth.is_anterior == (which == "anterior")


def _tooth(iso: str) -> Tooth:
    return Tooth(int(iso[0]), int(iso[1]), iso.endswith("s"))


def visits(rules: RuleSet, album: Album) -> Iterator[Occasion]:
    for days in album.by_person.values():
        for day, pictures in sorted(days.items()):
            said = {p.first.description for p in pictures}
            words = rules.applies.descriptions
            if words and not any(w in text.casefold() for w in words for text in said):
                continue
            occasion = visit_of(rules, day, pictures)
            if occasion is not None:
                yield occasion


def visit_of(
    rules: RuleSet, day: str, pictures: Sequence[RecordPicture], teeth: Sequence[Tooth] = ()
) -> Occasion | None:
    """Return the visit that the pictures of a day make, None where the day cannot be read.

    Parameters
    ----------
    teeth
        Teeth of the visit; those that its pictures name where there are none.
    """
    try:
        when = date.fromisoformat(day)
    except ValueError:
        return None
    named = {iso for p in pictures if needs_teeth(p.view) for iso in p.teeth}
    treated = tuple(teeth) or tuple(_tooth(iso) for iso in sorted(named))
    about = tuple(t for t in treated if _wanted(t, rules.applies.teeth))
    label = next((p.first.description for p in pictures if p.first.description), "") or "visit"
    return Occasion(pictures[0].person, day, label, about, {"": (when, when)}, True)


def treatments(
    rules: RuleSet, album: Album, episodes: Sequence[Episode], today: date
) -> Iterator[Occasion]:
    asked = {one.stage for one in rules.requirements}
    for episode in episodes:
        kind = episode.treatment.casefold()
        if rules.applies.treatments and not any(w in kind for w in rules.applies.treatments):
            continue
        teeth = tuple(t for t in episode.teeth if _wanted(t, rules.applies.teeth))
        if episode.teeth and not teeth:
            continue
        keys = album.keys_of(episode.patient_id, episode.issuer)
        key = keys[0] if keys else (episode.patient_id, episode.issuer)
        person = RecordPerson(key[0], key[1], "", "", "")
        yield Occasion(
            person,
            episode.start.isoformat(),
            episode.label,
            teeth,
            {s: d for s, d in _stages(episode, asked).items() if d[0] <= today},
            False,
        )


def _stages(episode: Episode, asked: Collection[str]) -> dict[str, tuple[date, date]]:
    """Return the days of each stage; of healing only where it is asked for, between the others."""
    start, prepared, finished = episode.start, episode.prepared, episode.finished
    days = {"": (start, finished or start), "start": (start, start)}
    if prepared is not None:
        days["prepared"] = (prepared, prepared)
    elif finished is not None:
        days["prepared"] = (start, finished)
    if finished is not None:
        days["finished"] = (finished, finished)
    if "healing" in asked and prepared is not None and finished is not None:
        first, last = prepared + timedelta(days=1), finished - timedelta(days=1)
        if first <= last:
            days["healing"] = (first, last)
    return days
