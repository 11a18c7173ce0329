"""What an archive has of a patient before a session joins it, and what a newcomer is held against.

Nothing here needs pixels, so that a session whose patient is new, or whose teeth were never
photographed, costs no more than a question of the index.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from archiver.archive import Query, Record, without_twins
from archiver.dentition import Orientation, Sight, View, covered_teeth, sight
from archiver.errors import MeaningError
from archiver.priors.choosing import Ask, are_alike, teeth_of

#: Pictures that a newcomer is compared with: of the same teeth and view, of the arch, and of other
#: teeth.
_SAME, _ARCH, _OTHERS = 2, 1, 2


@dataclass(frozen=True)
class Counterparts:
    """The archived pictures that a newcomer is compared with, the best first.

    Parameters
    ----------
    same
        Of the same teeth and view.
    arch
        Of the arch that holds its teeth.
    others
        Of other teeth, seen so that one can be mistaken for the other.
    display
        Orientation in which the newcomer is displayed; None for the usual one.
    """

    same: tuple[Record, ...] = ()
    arch: tuple[Record, ...] = ()
    others: tuple[Record, ...] = ()
    display: Orientation | None = None

    def __bool__(self) -> bool:
        return bool(self.same or self.arch or self.others)


class KnownPictures:
    """A patient's photographs as an archive has them at one moment.

    Parameters
    ----------
    records
        Whose paths are files.
    """

    def __init__(self, records: Sequence[Record]) -> None:
        # The best first: with a confirmed side, then the newest.
        best_first = sorted(
            without_twins(records), key=lambda r: (bool(r.confirmed), r.study_date), reverse=True
        )
        self._seen = [(one, seen) for one in best_first if (seen := _sight(one)) is not None]

    @classmethod
    def of(cls, ask: Ask, patient_id: str, issuer: str) -> KnownPictures:
        """Ask for what there is now; what is archived later is not among it."""
        return cls(ask(Query(patient_id=patient_id, issuer=issuer, modality="XC")))

    def counterparts(self, mine: Sight, source_sha256: str) -> Counterparts:
        """Choose what a newcomer is compared with.

        Parameters
        ----------
        mine
            What it is said to show; a picture of a face is compared with nothing.
        source_sha256
            Of its camera file, which may be archived already for another visit.
        """
        if mine.view.is_extraoral:
            return Counterparts()
        seen = [(r, other) for r, other in self._seen if r.source_sha256 != source_sha256]
        return Counterparts(
            tuple(r for r, other in seen if _shows_the_same(mine, other))[:_SAME],
            tuple(r for r, other in seen if _contains(mine, other))[:_ARCH],
            tuple(r for r, other in seen if _is_another(mine, other))[:_OTHERS],
            mine.display,
        )


def _sight(record: Record) -> Sight | None:
    if record.view is None:
        return None
    try:
        return sight(View(record.view), teeth_of(record))
    except (MeaningError, ValueError):
        return None


def _shows_the_same(mine: Sight, other: Sight) -> bool:
    if not are_alike(mine.view.value, other.view.value) or mine.looking is not other.looking:
        return False
    return bool(set(mine.teeth) & set(other.teeth)) or not (mine.teeth or other.teeth)


def _contains(mine: Sight, other: Sight) -> bool:
    covered = set(covered_teeth(other.view))
    return other.looking is mine.looking and bool(covered & set(mine.teeth))


def _is_another(mine: Sight, other: Sight) -> bool:
    """Whether it shows other teeth in a way that can be mistaken for this one."""
    if _shows_the_same(mine, other) or _contains(mine, other):
        return False
    across = mine.looking in (other.looking, other.looking.opposite)
    return across and not other.view.is_extraoral and bool(mine.teeth) is bool(other.teeth)
