"""The objects of an archive, compared with its journal, and their rows of the index made anew."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace

from archiver.archive.store import (
    START,
    Index,
    IndexedInstance,
    JournalEntry,
    Promised,
    index_in_memory,
)
from archiver.records.audit_memory import Memory
from archiver.records.checks.integrity import PlaceOf, check_file
from archiver.records.disk_store import StoredTexts
from archiver.records.examination import Depth
from archiver.records.instance_reader import row_digests
from archiver.records.object_survey import Looked
from archiver.records.survey import Survey

#: Objects whose expected rows are made at once.
_AT_ONCE = 500


class ComparedObjects:
    """Takes objects one by one, compares them with the journal, and makes their rows anew.

    Parameters
    ----------
    promised
        What the journal tells of; those whose files are in their places are marked there.
    anew
        Takes all of them, where there is no index.
    """

    def __init__(
        self,
        survey: Survey,
        promised: Promised,
        place_of: PlaceOf,
        memory: Memory,
        anew: Index | None,
    ) -> None:
        self.expected = StoredTexts()
        self.unsound: set[str] = set()
        self._survey = survey
        self._promised = promised
        self._place_of = place_of
        self._memory = memory
        self._anew = anew
        self._waiting: list[tuple[Looked, IndexedInstance]] = []
        self._kept: list[IndexedInstance] = []
        self._in_place: list[str] = []

    def take(self, one: Looked) -> None:
        """Take one object."""
        survey, seen = self._survey, one.seen
        survey.read += one.fresh
        survey.remembered += not one.fresh
        survey.octets += one.known.size if one.fresh else 0
        survey.oldest = min(survey.oldest or one.known.seen, one.known.seen)
        entry = self._promised.one(seen.stem)
        place = self._place_of(entry) if entry is not None else ""
        if entry is not None and seen.path == place:
            self._in_place.append(entry.sop)
        concern = check_file(seen, entry, place)
        if concern is not None:
            survey.concerns.append(concern)
            self.unsound.add(seen.stem)
            self._memory.drop([seen.path])
            if self._anew is not None and concern.kind == "object-unjournalled":
                self._keep(one, None)
        else:
            self._take_sound(one, entry)
        if max(len(self._waiting), len(self._kept), len(self._in_place)) >= _AT_ONCE:
            self.settle()

    def _take_sound(self, one: Looked, entry: JournalEntry | None) -> None:
        seen, survey = one.seen, self._survey
        if one.known.depth >= Depth.OBJECTS:
            survey.facts[seen.stem] = one.known.facts
        if not one.fresh:
            if one.known.facts.row:
                self.expected[seen.stem] = one.known.facts.row
            return
        self._keep(one, entry)

    def _keep(self, one: Looked, entry: JournalEntry | None) -> None:
        examined = one.seen.examined
        description = examined.description if examined else None
        if description is None:
            self._memory.keep(one.known)
            return
        kept = IndexedInstance(
            description,
            one.seen.path,
            one.known.facts.size,
            one.known.facts.digest,
            (entry.source or None) if entry else None,
            entry.seq if entry else 0,
            entry.time if entry else "",
        )
        if self._anew is not None:
            self._kept.append(kept)
        if entry is not None:
            self._waiting.append((one, kept))

    def settle(self) -> None:
        """Note what waits, and make its rows as a fresh index would have them."""
        self._promised.see(self._in_place)
        self._in_place.clear()
        if self._anew is not None and self._kept:
            self._anew.add(self._kept, START)
            self._kept.clear()
        new = index_in_memory(kept for _, kept in self._waiting)
        rows: dict[str, str] = {}
        with closing(new) as index, index.reading() as connection:
            row_digests(connection, rows)
        for one, _ in self._waiting:
            row = rows[one.seen.stem]
            self.expected[one.seen.stem] = row
            facts = replace(one.known.facts, row=row)
            if one.known.depth >= Depth.OBJECTS:
                self._survey.facts[one.seen.stem] = facts
            self._memory.keep(replace(one.known, facts=facts))
        self._waiting.clear()
