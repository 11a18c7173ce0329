"""The two series of a visit's photographs (PS3.3 C.7.3.1).

The first holds the whole set the right way round: direct photographs that need no correction as
they were shot, the others corrected. The second, and last, holds the others as they were shot, so
that nobody who opens a visit meets a reflection among them.
"""

from __future__ import annotations

from dataclasses import dataclass

from archiver.objects.uids import UidPolicy

UPRIGHT = "Photographs the right way round: direct and corrected"
BEFORE_CORRECTION = "As shot, before correction: mirror pictures are reversed"
#: What versions before said, of a series of all as shot and one of all corrected.
EARLIER = (
    "Photographs as shot: mirror pictures are reversed",
    "Photographs the right way round",
)
#: Every description that a series of photographs of ours has.
DESCRIPTIONS = frozenset({UPRIGHT, BEFORE_CORRECTION, *EARLIER})
_NAMES = {True: "right way round", False: "before correction"}


@dataclass(frozen=True)
class PhotographSeries:
    """A series of photographs: its UID, number and description."""

    uid: str
    number: int
    description: str


def series_of(study: str, uids: UidPolicy, *, upright: bool, first: int = 1) -> PhotographSeries:
    """Return a series of a study.

    Parameters
    ----------
    upright
        Whether the picture is the right way round as it is; else it is kept as it was shot,
        beside a corrected one.
    first
        Series Number of the first of the two.
    """
    uid = uids.uid("series", {"study": study, "series": _NAMES[upright]})
    if upright:
        return PhotographSeries(uid, first, UPRIGHT)
    return PhotographSeries(uid, first + 1, BEFORE_CORRECTION)


def earlier_series(study: str, uids: UidPolicy, *, derived: bool) -> PhotographSeries:
    """Return a series as versions before made it; visits that have it keep it."""
    which, number = ("corrected", 2) if derived else ("as shot", 1)
    uid = uids.uid("series", {"study": study, "series": which})
    return PhotographSeries(uid, number, EARLIER[derived])
