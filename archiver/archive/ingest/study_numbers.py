"""Numbers of series and instances in a study, and what its other objects say of it.

Viewers sort by these numbers. An instance's follows from the moment of capture, so that sheets of
one visit interleave as their photographs were taken, whichever came first: 14231005 was taken at
14:23:10.05. Those without a moment come last.
"""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import date, datetime
from itertools import count
from pathlib import Path

from sqlalchemy import select

from archiver.archive.query import Query
from archiver.archive.store import tables as t
from archiver.archive.store.archive import Archive
from archiver.errors import ObjectError
from archiver.objects import Session, UidPolicy, Visit, read_context, series_of

#: Series Numbers that are tried for the first of our two, this far apart.
_STEP = 100
#: Instance Numbers of photographs that do not say when they were taken begin here.
_TIMELESS = 50_000_000


def placed(archive: Archive, session: Session, study: str, uids: UidPolicy) -> Session:
    """Return a session with its place in a study.

    That is the number of its first series and, where it joins a study, all that the study's
    objects say of patient and study.
    """
    visit = session.visit
    if visit.study_uid and visit.beside is None:
        held = archive.query(Query(study_uid=study, limit=1))
        try:
            there = read_context(Path(held[0].path))[1].beside if held else None
        except ObjectError:
            there = None  # a damaged object gives nothing to go by
        visit = replace(visit, beside=there)
    visit = replace(visit, first_series=_first_series(archive, study, visit, uids))
    return replace(session, visit=visit)


def _first_series(archive: Archive, study: str, visit: Visit, uids: UidPolicy) -> int:
    """Return the Series Number of the first series of photographs of a study.

    It is the one that the study has already, or one that no other series has.
    """
    i = t.instances.c
    with archive.reading() as connection:
        rows = connection.execute(
            select(i.series_uid, i.series_number).where(i.study_uid == study).distinct()
        )
        numbers = {row[0]: row[1] for row in rows if row[1] is not None}
    for upright in (True, False):
        own = series_of(study, uids, upright=upright)
        if own.uid in numbers:
            return int(numbers[own.uid]) + 1 - own.number
    taken = {*numbers.values(), visit.series_number}
    return next(n for n in count(1, _STEP) if n not in taken and n + 1 not in taken)


class InstanceNumbers:
    """Gives each photograph of a study an Instance Number; for any thread.

    Parameters
    ----------
    study
        Study Instance UID.
    day
        Of the visit.
    """

    def __init__(self, archive: Archive, study: str, day: date) -> None:
        i = t.instances.c
        self._day = day
        self._guard = threading.Lock()
        self._taken: dict[int, set[str]] = {}
        asked = select(i.instance_number, i.sop_instance_uid).where(
            i.study_uid == study, i.modality == "XC", i.instance_number.is_not(None)
        )
        with archive.reading() as connection:
            for number, uid in connection.execute(asked):
                self._taken.setdefault(number, set()).add(uid)

    def number(self, taken: datetime | None, place: int, uid: str) -> int:
        """Return the number of a photograph.

        Parameters
        ----------
        taken
            When it was taken, by the clock of the visit.
        place
            In its session, from 1.
        uid
            SOP Instance UID of the photograph as shot, which may have been kept before.
        """
        wanted = _TIMELESS + place if taken is None else _of_moment(taken, self._day)
        with self._guard:
            while uid not in self._taken.get(wanted, {uid}):
                wanted += 1
            self._taken.setdefault(wanted, set()).add(uid)
        return wanted


def _of_moment(moment: datetime, day: date) -> int:
    # A visit may go on past midnight; what a clock that is days off says counts as of its day.
    hours = moment.hour + (24 if (moment.date() - day).days == 1 else 0)
    seconds = (hours * 100 + moment.minute) * 100 + moment.second
    return max(1, seconds * 100 + moment.microsecond // 10_000)
