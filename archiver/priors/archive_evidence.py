"""What the archive says of a photograph that is about to join it.

It is compared with earlier pictures of the same teeth and view, in all eight turns, with a picture
of the arch where there is none of the teeth alone, and with pictures of other teeth, of which it
may be one: the other side's, reflected, looks like it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from cachetools import LRUCache
from numpy.typing import NDArray

from archiver.archive import Record
from archiver.dentition import Orientation, Turn, shortened
from archiver.errors import ArchiverError, PhotoError
from archiver.photo import CameraFile, DoubtKind, PictureDoubt, reduced, turned
from archiver.priors.choosing import teeth_of
from archiver.priors.display_pixels import load
from archiver.priors.known_pictures import Counterparts
from archiver.vision import Prepared, Way, WayVerdict, prepare, ways_of
from archiver.wording import Text

#: Pictures that stay ready, of some 3 MB each.
_KEPT = 16
#: Longer side in pixels at which pictures are compared.
SIDE = 750
_KINDS = {Way.REVERSED: DoubtKind.REFLECTED, Way.TURNED: DoubtKind.TURNED}


@dataclass(frozen=True)
class ComparedPicture:
    """An archived picture, and how the newcomer lies to it."""

    record: Record
    verdict: WayVerdict


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
        return tuple(one for one in self.same if one.verdict.way is not Way.UNDECIDED)


class PreparedPictures:
    """Archived pictures ready to be compared, each made so once; the last few stay.

    Safe for use by several threads.
    """

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._kept: LRUCache[tuple[str, str], Future[Prepared]] = LRUCache(_KEPT)

    def of(self, path: str, display: Orientation | None = None) -> Prepared:
        """Return the picture of an instance's file, which never changes.

        Parameters
        ----------
        display
            Orientation of the picture that it is compared with, see `display_turn`.

        Raises
        ------
        ArchiverError
            If it cannot be read.
        """
        with self._guard:
            key = (path, str(display))
            known = self._kept.get(key)
            ready = known or Future[Prepared]()
            self._kept[key] = ready
        if known is None:
            try:
                ready.set_result(prepare(load(Path(path), SIDE, display).pixels, teeth=False))
            except BaseException as error:
                ready.set_exception(error)
        return ready.result()


def weigh_archive(
    beside: Counterparts,
    look: Callable[[], NDArray[np.uint8]],
    pictures: PreparedPictures,
) -> ArchiveEvidence:
    """Compare a photograph with those of its patient.

    Parameters
    ----------
    beside
        What it is compared with.
    look
        Decodes it: uint8, shape (rows, columns, 3), as it is going to be displayed. May raise
        `PhotoError`; it is then compared with nothing, since it is refused elsewhere.
    pictures
        What it is compared with is taken from.
    """
    if not beside:
        return ArchiveEvidence()
    try:
        prepared = prepare(look(), teeth=False)
    except PhotoError:
        return ArchiveEvidence()

    def compared(records: Sequence[Record]) -> Iterator[ComparedPicture]:
        for record in records:
            try:
                there = pictures.of(str(record.path), beside.display)
            except ArchiverError:
                continue  # the audit tells of what cannot be read
            yield ComparedPicture(record, ways_of(prepared, there))

    same = tuple(compared(beside.same))
    wider = same or tuple(compared(beside.arch))
    if any(one.verdict.way is Way.SAME for one in wider):
        return ArchiveEvidence(same=same)
    contradicting = tuple(one for one in wider if one.verdict.way.contradicts)
    if contradicting:
        return ArchiveEvidence((_wrong_way(contradicting),), same)
    another = next((one for one in compared(beside.others) if _is_decided(one)), None)
    if another is not None:
        return ArchiveEvidence((_other_tooth(another),), same)
    if same and all(one.verdict.nothing_in_common for one in same):
        return ArchiveEvidence((_other_mouth(same),), same)
    return ArchiveEvidence(same=same)


def weigh_camera_file(
    beside: Counterparts, photo: CameraFile, correction: Turn, pictures: PreparedPictures
) -> ArchiveEvidence:
    """Compare a camera file, turned as it is going to be; otherwise as `weigh_archive`."""

    def look() -> NDArray[np.uint8]:
        pixels = np.asarray(reduced(photo, SIDE).convert("RGB"), np.uint8)
        return np.ascontiguousarray(turned(pixels, correction.value))

    return weigh_archive(beside, look, pictures)


def _is_decided(one: ComparedPicture) -> bool:
    return one.verdict.way is not Way.UNDECIDED


def _wrong_way(several: Sequence[ComparedPicture]) -> PictureDoubt:
    way = several[0].verdict.way
    text = Text(f"priors.doubt.{way.name.lower()}", days=_days(several))
    return PictureDoubt(_KINDS[way], text, _evidence(several))


def _other_tooth(one: ComparedPicture) -> PictureDoubt:
    teeth = teeth_of(one.record)
    shown = shortened(teeth) if teeth else one.record.view
    text = Text(
        f"priors.doubt.other_tooth.{one.verdict.way.name.lower()}", shown=shown, days=_days([one])
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
                "way": one.verdict.way.value,
                "agreeing": list(one.verdict.counts),
            }
            for one in several
        ]
    }
