"""Several patients on one card: pictures after a long pause may be of the next visit.

A pause alone proves nothing (a treatment has some, too): it is told, with whom the worklist has at
that time, and a press takes the pictures into a visit of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

from archiver.web.pages.take_in.drafts import Photo

#: Between pictures of one visit there is less, unless it is a long one (common practice); how long
#: before the time of a visit its first picture may be taken.
PAUSE, EARLY = timedelta(minutes=30), timedelta(minutes=10)

#: A visit as `patient_choice` has it.
Entry = Mapping[str, Any]


@dataclass(frozen=True)
class AfterPause:
    """Pictures after a pause, up to the next one.

    Parameters
    ----------
    digests
        In order of capture.
    pause
        Before the first of them.
    visit
        What the worklist has at that time; None where it has none.
    """

    digests: tuple[str, ...]
    pause: timedelta
    visit: Entry | None


def after_pauses(
    photos: Sequence[Photo], scheduled: Callable[[datetime], Sequence[Entry]]
) -> list[AfterPause]:
    """Return the pictures after each pause within a day.

    Parameters
    ----------
    photos
        In order of capture; those that do not say when stay where they are.
    scheduled
        The visits of a day. Pictures before and after a pause that fall into the time of one and
        the same visit are not told apart.
    """
    timed = [(datetime.fromisoformat(one.captured), one.digest) for one in photos if one.captured]
    starts = [
        (n, now - before)
        for n, ((before, _), (now, _)) in enumerate(pairwise(timed), start=1)
        if now - before >= PAUSE and now.date() == before.date()
    ]
    found = []
    for place, (n, pause) in enumerate(starts):
        end = starts[place + 1][0] if place + 1 < len(starts) else len(timed)
        visits = scheduled(timed[n][0])
        before, visit = _at(visits, timed[n - 1][0]), _at(visits, timed[n][0])
        if visit is None or visit != before:
            of_day = [d for when, d in timed[n:end] if when.date() == timed[n][0].date()]
            found.append(AfterPause(tuple(of_day), pause, visit))
    return found


def _at(visits: Sequence[Entry], when: datetime) -> Entry | None:
    """Return the visit in whose time a picture falls: the last that has begun."""
    begun = [
        (datetime.fromisoformat(f"{when.date().isoformat()}T{time}"), n)
        for n, one in enumerate(visits)
        if (time := one["visit"].get("time"))
    ]
    past = [(at, n) for at, n in begun if at - EARLY <= when]
    return visits[max(past)[1]] if past else None
