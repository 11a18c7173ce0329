"""What the archive says of a photograph that is about to join it.

It is compared with earlier pictures of the same teeth and view, in all eight turns, with a picture
of the arch where there is none of the teeth alone, and with pictures of other teeth, of which it
may be one: the other side's, reflected, looks like it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from operator import attrgetter
from pathlib import Path

import numpy as np
from cachetools import LRUCache, cachedmethod
from cachetools.keys import methodkey
from numpy.typing import NDArray

from archiver.archive import Query, Record, without_twins
from archiver.dentition import Sight, View, covered_teeth, shortened, sight
from archiver.errors import ArchiverError, MeaningError, PhotoError
from archiver.photo import DoubtKind, PictureDoubt
from archiver.priors.choosing import Ask, are_alike, teeth_of
from archiver.priors.display_pixels import load
from archiver.vision import Prepared, Way, WaysTold, prepare, ways_of
from archiver.wording import Text

#: Pictures that are compared: of the same teeth and view, and of other teeth.
_SAME, _OTHERS = 2, 2
#: Pictures that stay ready, of some 4 MB each.
_KEPT = 4
#: Longer side in pixels at which pictures are compared.
SIDE = 750
_KINDS = {Way.REVERSED: DoubtKind.REFLECTED, Way.TURNED: DoubtKind.TURNED}


@dataclass(frozen=True)
class Newcomer:
    """A photograph as it is going to be archived.

    Parameters
    ----------
    patient_id, issuer
        Whose it is said to be.
    sight
        What it is said to show.
    source_sha256
        Of its camera file, which may be archived already for another visit.
    look
        Decodes it: uint8, shape (rows, columns, 3), as it is going to be displayed. May raise
        `PhotoError`; it is then compared with nothing, since it is refused elsewhere.
    """

    patient_id: str
    issuer: str
    sight: Sight
    source_sha256: str
    look: Callable[[], NDArray[np.uint8]]


@dataclass(frozen=True)
class ComparedPicture:
    """An archived picture, and how the newcomer lies to it."""

    record: Record
    told: WaysTold


@dataclass(frozen=True)
class ArchiveEvidence:
    """What comparing came to.

    Parameters
    ----------
    doubts
        What speaks against what is said of the photograph.
    same
        Pictures of the same teeth and view.
    """

    doubts: tuple[PictureDoubt, ...] = ()
    same: tuple[ComparedPicture, ...] = ()

    @property
    def decided(self) -> tuple[ComparedPicture, ...]:
        """Those of the same teeth and view by which the side could be told."""
        return tuple(one for one in self.same if one.told.way is not Way.UNDECIDED)


class PreparedPictures:
    """Archived pictures ready to be compared; the last few stay so, since a session asks again.

    Safe for use by several threads.
    """

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._kept: LRUCache[str, Prepared] = LRUCache(_KEPT)

    @cachedmethod(attrgetter("_kept"), key=methodkey, lock=attrgetter("_guard"))
    def of(self, path: str) -> Prepared:
        """Return the picture of an instance's file, which never changes.

        Raises
        ------
        ArchiverError
            If it cannot be read.
        """
        return prepare(load(Path(path), SIDE).pixels, teeth=False)


def weigh_archive(ask: Ask, newcomer: Newcomer, pictures: PreparedPictures) -> ArchiveEvidence:
    """Compare a photograph with those of its patient.

    Parameters
    ----------
    ask
        Answers questions for records whose paths are files.
    newcomer
        The photograph; one of a face is compared with nothing.
    pictures
        What it is compared with is taken from.
    """
    if newcomer.sight.view.is_extraoral:
        return ArchiveEvidence()
    known = _known(ask, newcomer)
    of_same = [record for record, seen in known if _shows_the_same(newcomer.sight, seen)]
    of_arch = [record for record, seen in known if _contains(newcomer.sight, seen)]
    others = [record for record, seen in known if _is_another(newcomer.sight, seen)]
    if not of_same and not of_arch and not others:
        return ArchiveEvidence()
    try:
        prepared = prepare(newcomer.look(), teeth=False)
    except PhotoError:
        return ArchiveEvidence()

    def compared(records: Sequence[Record]) -> Iterator[ComparedPicture]:
        for record in records:
            try:
                there = pictures.of(str(record.path))
            except ArchiverError:
                continue  # the audit tells of what cannot be read
            yield ComparedPicture(record, ways_of(prepared, there))

    same = tuple(compared(of_same[:_SAME]))
    wider = same or tuple(compared(of_arch[:1]))
    if any(one.told.way is Way.SAME for one in wider):
        return ArchiveEvidence(same=same)
    contradicting = tuple(one for one in wider if one.told.way.contradicts)
    if contradicting:
        return ArchiveEvidence((_wrong_way(contradicting),), same)
    another = next((one for one in compared(others[:_OTHERS]) if _is_told(one)), None)
    if another is not None:
        return ArchiveEvidence((_other_tooth(another, newcomer.sight),), same)
    if same and all(one.told.nothing_in_common for one in same):
        return ArchiveEvidence((_other_mouth(same),), same)
    return ArchiveEvidence(same=same)


def _is_told(one: ComparedPicture) -> bool:
    return one.told.way is not Way.UNDECIDED


def _known(ask: Ask, newcomer: Newcomer) -> list[tuple[Record, Sight]]:
    """The patient's photographs, the best first: with a confirmed side, then the newest."""
    records = ask(Query(patient_id=newcomer.patient_id, issuer=newcomer.issuer, modality="XC"))
    best_first = sorted(
        without_twins(records), key=lambda r: (bool(r.confirmed), r.study_date), reverse=True
    )
    found = []
    for record in best_first:
        if record.source_sha256 == newcomer.source_sha256 or record.view is None:
            continue
        try:
            found.append((record, sight(View(record.view), teeth_of(record))))
        except (MeaningError, ValueError):
            continue
    return found


def _alike(one: Sight, other: Sight) -> bool:
    return are_alike(one.view.value, other.view.value) and one.looking is other.looking


def _shows_the_same(mine: Sight, other: Sight) -> bool:
    if not _alike(mine, other):
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


def _wrong_way(several: Sequence[ComparedPicture]) -> PictureDoubt:
    way = several[0].told.way
    text = Text(f"priors.doubt.{way.name.lower()}", days=_days(several))
    return PictureDoubt(_KINDS[way], text, _evidence(several))


def _other_tooth(one: ComparedPicture, said: Sight) -> PictureDoubt:
    teeth = teeth_of(one.record)
    shown = shortened(teeth) if teeth else one.record.view
    text = Text(
        f"priors.doubt.other_tooth.{one.told.way.name.lower()}", shown=shown, days=_days([one])
    )
    evidence = {**_evidence([one]), "teeth": list(one.record.teeth), "view": one.record.view}
    return PictureDoubt(DoubtKind.OTHER_TOOTH, text, evidence)


def _other_mouth(several: Sequence[ComparedPicture]) -> PictureDoubt:
    text = Text("priors.doubt.other_mouth", days=_days(several))
    return PictureDoubt(DoubtKind.OTHER_MOUTH, text, _evidence(several))


def _days(several: Sequence[ComparedPicture]) -> tuple[str, ...]:
    return tuple(sorted({one.record.study_date for one in several}))


def _evidence(several: Sequence[ComparedPicture]) -> dict[str, object]:
    return {
        "pictures": [
            {
                "sop_instance_uid": one.record.sop_instance_uid,
                "date": one.record.study_date,
                "way": one.told.way.value,
                "agreeing": list(one.told.counts),
            }
            for one in several
        ]
    }
