"""What a camera's clock says of the day, against the visit's."""

from __future__ import annotations

from datetime import timedelta

from archiver.errors import Problem
from archiver.objects import Making

#: A camera's day may differ from the visit's by this much without a word (a visit past midnight).
_DAYS_APART = 1


def about_the_day(making: Making) -> tuple[Problem, ...]:
    """Return what is to be told of when a photograph was taken."""
    day = making.session.visit.date
    if making.taken is None:
        return (Problem("archive.session_ingest.no_time"),)
    apart = abs(making.taken.date() - day)
    if apart <= timedelta(days=_DAYS_APART):
        return ()
    return (
        Problem(
            "archive.session_ingest.clock_far_off",
            taken=f"{making.taken:%Y-%m-%d}",
            days=apart.days,
            day=day.isoformat(),
        ),
    )
