"""What the table of treatments and the archive do not know of each other."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import date, timedelta

from archiver.records.episodes import Episode
from archiver.records.model import Concern, RecordPerson
from archiver.records.occasions import Album
from archiver.records.rules.rule_set import RuleSet
from archiver.wording import Text


def check_episodes(
    sets: Sequence[RuleSet], album: Album, episodes: Sequence[Episode]
) -> Iterator[Concern]:
    """Tell days without a treatment, and patients without a picture, where there is a table."""
    yield from _without_episode(sets, album, episodes)
    yield from _unknown_patients(album, episodes)
    yield from _overlapping(episodes)


def _without_episode(
    sets: Sequence[RuleSet], album: Album, episodes: Sequence[Episode]
) -> Iterator[Concern]:
    rows = [r for s in sets if s.applies.to == "episodes" for r in s.requirements]
    before = timedelta(days=max((r.before for r in rows), default=0))
    after = timedelta(days=max((r.after for r in rows), default=0))
    spans: dict[tuple[str, str], list[tuple[str, str]]] = defaultdict(list)
    for one in episodes:
        last = max(day for day in (one.start, one.prepared, one.finished) if day is not None)
        span = ((one.start - before).isoformat(), (last + after).isoformat())
        for key in album.keys_of(one.patient_id, one.issuer):
            spans[key].append(span)
    for key, days in album.by_person.items():
        for day, pictures in days.items():
            if day and not any(low <= day <= high for low, high in spans[key]):
                yield Concern(
                    "visit-without-episode",
                    Text("records.episode_checks.no_treatment", count=len(pictures)),
                    patient=pictures[0].person.label,
                    date=day,
                    uids=tuple(uid for p in pictures for uid in p.uids),
                )


def _unknown_patients(album: Album, episodes: Sequence[Episode]) -> Iterator[Concern]:
    told: set[tuple[str, str]] = set()
    for one in episodes:
        key = (one.patient_id, one.issuer)
        if key not in told and not album.keys_of(*key):
            told.add(key)
            person = RecordPerson(one.patient_id, one.issuer, "", "", "")
            yield Concern(
                "episode-unknown-patient",
                Text("records.episode_checks.no_photograph", episode=one.label),
                patient=person.label,
                date=one.start.isoformat(),
                teeth=tuple(t.iso for t in one.teeth),
            )


def _overlapping(episodes: Sequence[Episode]) -> Iterator[Concern]:
    """Tell treatments of a tooth, or of the mouth, that go on at the same time."""
    of: dict[tuple[str, str, str], list[tuple[date, date, Episode]]] = defaultdict(list)
    for one in episodes:
        last = max(day for day in (one.start, one.prepared, one.finished) if day is not None)
        for tooth in [tooth.iso for tooth in one.teeth] or [""]:
            of[one.patient_id, one.issuer, tooth].append((one.start, last, one))
    told: set[tuple[int, int]] = set()
    for spans in of.values():
        spans.sort(key=lambda span: (span[0], span[2].line))
        longest: tuple[date, Episode] | None = None
        for start, last, one in spans:
            # Two on one day are two things done in a visit, as a rule.
            if longest is not None and start < longest[0]:
                pair = (longest[1].line, one.line)
                if pair not in told:
                    told.add(pair)
                    yield _overlap(longest[1], one)
            if longest is None or last > longest[0]:
                longest = (last, one)


def _overlap(first: Episode, then: Episode) -> Concern:
    words = {"first": first.label, "line": first.line, "then": then.label, "other": then.line}
    person = RecordPerson(then.patient_id, then.issuer, "", "", "")
    return Concern(
        "episodes-overlap",
        Text("records.episode_checks.overlap", **words),
        patient=person.label,
        date=then.start.isoformat(),
        teeth=tuple(t.iso for t in then.teeth),
    )
