"""The objects of an archive, compared with its journal, and their rows of the index made anew."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing
from dataclasses import replace

from archiver.archive.store import IndexedInstance, JournalEntry, index_in_memory
from archiver.records.audit_memory import Memory
from archiver.records.checks.integrity import check_file
from archiver.records.examination import Depth
from archiver.records.instance_reader import row_digests
from archiver.records.object_survey import Looked
from archiver.records.survey import Survey

#: Objects whose expected rows are made at once.
_AT_ONCE = 500


class ComparedObjects:
    """Takes objects one by one, compares them with the journal, and makes their rows anew."""

    def __init__(
        self,
        survey: Survey,
        promises: Mapping[str, JournalEntry],
        places: Mapping[str, str],
        memory: Memory,
        keep_all: bool,
    ) -> None:
        self.paths: set[str] = set()
        self.expected: dict[str, str] = {}
        self.unsound: set[str] = set()
        self.kept: list[IndexedInstance] = []
        self._survey = survey
        self._promises = promises
        self._places = places
        self._memory = memory
        self._keep_all = keep_all
        self._waiting: list[tuple[Looked, IndexedInstance]] = []

    def take(self, one: Looked) -> None:
        """Take one object."""
        survey, seen = self._survey, one.seen
        survey.read += one.fresh
        survey.remembered += not one.fresh
        survey.octets += one.known.size if one.fresh else 0
        survey.oldest = min(survey.oldest or one.known.seen, one.known.seen)
        self.paths.add(seen.path)
        concern = check_file(seen, self._promises, self._places)
        if concern is not None:
            survey.concerns.append(concern)
            self.unsound.add(seen.stem)
            self._memory.drop([seen.path])
            if self._keep_all and concern.kind == "object-unjournalled":
                self._keep(one, None)
            return
        if one.known.depth >= Depth.OBJECTS:
            survey.facts[seen.stem] = one.known.facts
        if not one.fresh:
            if one.known.facts.row:
                self.expected[seen.stem] = one.known.facts.row
            return
        self._keep(one, self._promises[seen.stem])

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
        if self._keep_all:
            self.kept.append(kept)
        if entry is not None:
            self._waiting.append((one, kept))
            if len(self._waiting) >= _AT_ONCE:
                self.settle()

    def settle(self) -> None:
        """Make the rows of what waits, as a fresh index would have them."""
        new = index_in_memory(kept for _, kept in self._waiting)
        with closing(new) as index, index.reading() as connection:
            rows = row_digests(connection)
        for one, _ in self._waiting:
            row = rows[one.seen.stem]
            self.expected[one.seen.stem] = row
            facts = replace(one.known.facts, row=row)
            if one.known.depth >= Depth.OBJECTS:
                self._survey.facts[one.seen.stem] = facts
            self._memory.keep(replace(one.known, facts=facts))
        self._waiting.clear()
