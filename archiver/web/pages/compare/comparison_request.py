"""Which pictures are to be compared: looked up, checked, put in order."""

from __future__ import annotations

import re
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from cachetools import LRUCache

from archiver.archive import Query, Record
from archiver.errors import ObjectError
from archiver.objects import Person
from archiver.priors import both_show
from archiver.web.http_errors import Refused
from archiver.web.pages.compare.picture_source import PictureSource, read_source

if TYPE_CHECKING:
    from archiver.archive.store import Archive
    from archiver.objects import Description

#: Pictures of one comparison.
MOST = 12
_UID = re.compile(r"[0-9][0-9.]{0,63}")
_REMEMBERED = 2048


class Sources:
    """What is known of archived pictures before they are decoded; objects never change."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._guard = threading.Lock()
        self._known: LRUCache[str, PictureSource] = LRUCache(_REMEMBERED)

    def source(self, uid: str) -> PictureSource:
        """Return a picture.

        Raises
        ------
        Refused
            404 if there is none, or it cannot be shown.
        """
        with self._guard:
            known = self._known.get(uid)
        if known is not None:
            return known
        held = self._archive.held([uid]).get(uid) if _UID.fullmatch(uid) else None
        if held is None:
            raise Refused(404, "errors.no_picture")
        try:
            found = read_source(Path(self._archive.layout.path_of(held.path)))
        except ObjectError:
            raise Refused(404, "errors.no_picture") from None
        with self._guard:
            self._known[uid] = found
        return found

    def record(self, source: PictureSource) -> Record:
        """Return the index's record of a picture, rejected or not.

        Raises
        ------
        Refused
            404 if the index has none.
        """
        d = source.description
        asked = Query(study_uid=d.study_uid, series_uid=d.series_uid, include_rejected=True)
        for record in self._archive.query(asked):
            if record.sop_instance_uid == d.sop_instance_uid:
                return record
        raise Refused(404, "errors.no_picture")


@dataclass(frozen=True)
class ComparedPictures:
    """The pictures of a comparison: the newest first, then the others, newest first."""

    sources: tuple[PictureSource, ...]
    records: tuple[Record, ...]

    @property
    def newest(self) -> PictureSource:
        """The one that the others are laid on."""
        return self.sources[0]

    @property
    def uids(self) -> tuple[str, ...]:
        """SOP Instance UIDs, in the same order."""
        return tuple(one.description.sop_instance_uid for one in self.sources)

    @property
    def studies(self) -> dict[str, int]:
        """Study Instance UIDs and how many of the pictures each has."""
        counts: dict[str, int] = {}
        for record in self.records:
            counts[record.study_uid] = counts.get(record.study_uid, 0) + 1
        return counts


def choose(sources: Sources, uids: Sequence[str]) -> ComparedPictures:
    """Look up the pictures of a comparison.

    Raises
    ------
    Refused
        If there are too few or too many, one is no photograph, was rejected, or is of another
        patient than the rest.
    """
    wanted = list(dict.fromkeys(uids))
    if len(wanted) < 2:
        raise Refused(400, "compare.refused_few")
    if len(wanted) > MOST:
        raise Refused(400, "compare.refused_many", most=MOST)
    found = [sources.source(uid) for uid in wanted]
    if not all(one.description.is_photograph for one in found):
        raise Refused(400, "compare.refused_kind")
    if len({(s.description.patient_id, s.description.issuer) for s in found}) > 1:
        raise Refused(400, "compare.refused_patients")
    people = [Person(s.description.patient_name) for s in found]
    if any(one.contradicts(people[0]) for one in people):
        raise Refused(400, "compare.refused_people")
    pairs = [(one, sources.record(one)) for one in found]
    if any(record.rejected for _, record in pairs):
        raise Refused(400, "compare.refused_rejected")
    pairs.sort(key=lambda pair: (pair[1].study_date, pair[1].study_time), reverse=True)
    return ComparedPictures(tuple(s for s, _ in pairs), tuple(r for _, r in pairs))


def shows_the_same(one: Description, other: Description) -> bool:
    """Return whether two pictures name a tooth in common and look at it alike."""
    return both_show((one.view, one.teeth), (other.view, other.teeth))
