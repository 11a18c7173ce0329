"""Photographs counted by month, people and site: unconfirmed, retaken, corrected, how soon."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from archiver.objects import concepts
from archiver.records.model import Instance
from archiver.records.pictures import RecordPicture

#: What photographs are counted by; people by what they did.
GROUPS: Mapping[str, Callable[[RecordPicture], str]] = {
    "month": lambda one: one.date[:7],
    "operator": lambda one: one.operator,
    "confirmer": lambda one: one.confirmed_by,
    "site": lambda one: one.person.issuer,
}


@dataclass
class PictureCount:
    """Photographs of a group.

    Parameters
    ----------
    photographs
        Those that stand.
    unconfirmed
        Of these, how many have a side that nobody has confirmed.
    retaken
        Rejected for their quality, and without a successor: another one had to be taken.
    corrected
        Amended: others came in their place.
    days
        How often it took so many days from archiving to correction.
    """

    photographs: int = 0
    unconfirmed: int = 0
    retaken: int = 0
    corrected: int = 0
    days: Counter[int] = field(default_factory=Counter)

    @property
    def median_days(self) -> float | None:
        """The median of the days; of an even number the mean of the middle two; None for none."""
        told = sorted(self.days.elements())
        if not told:
            return None
        half = len(told) // 2
        return float(told[half]) if len(told) % 2 else (told[half - 1] + told[half]) / 2


class PictureStatistics:
    """Counts photographs, part by part."""

    def __init__(self) -> None:
        self._by: dict[str, dict[str, PictureCount]] = {name: {} for name in GROUPS}
        #: The counts of those that are of the same groups.
        self._known: dict[tuple[str, ...], list[PictureCount]] = {}

    def take(
        self,
        standing: Iterable[RecordPicture],
        rejected: Sequence[RecordPicture],
        instances: Sequence[Instance],
    ) -> None:
        """Count a part.

        Parameters
        ----------
        rejected
            Photographs of which an instance is rejected.
        instances
            All of the part, which has both ends of each correction.
        """
        for one in standing:
            for count in self._of(one):
                count.photographs += 1
                count.unconfirmed += not one.confirmed
        if not rejected:
            return
        after = {one.predecessor: one for one in instances if one.predecessor}
        for one in rejected:
            successor = next((after[uid] for uid in one.uids if uid in after), None)
            is_quality = one.first.rejected == concepts.REJECTED_FOR_QUALITY.meaning
            for count in self._of(one):
                if successor is not None:
                    count.corrected += 1
                    count.days[_days(one.first.added, successor.added)] += 1
                elif is_quality:
                    count.retaken += 1

    def _of(self, one: RecordPicture) -> list[PictureCount]:
        keys = tuple(key(one) for key in GROUPS.values())
        known = self._known.get(keys)
        if known is None:
            named = zip(GROUPS, keys, strict=True)
            known = [self._by[name].setdefault(key, PictureCount()) for name, key in named]
            self._known[keys] = known
        return known

    @property
    def by(self) -> Mapping[str, Mapping[str, PictureCount]]:
        """The counts by each of `GROUPS`, in the order of what they are counted by."""
        return {name: dict(sorted(groups.items())) for name, groups in self._by.items()}


def _days(first: str, then: str) -> int:
    try:
        return max(0, (date.fromisoformat(then[:10]) - date.fromisoformat(first[:10])).days)
    except ValueError:
        return 0
