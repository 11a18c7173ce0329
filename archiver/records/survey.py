"""Reading what an audit looks at: an archive, or a folder of DICOM files. Nothing is changed."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, MutableMapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from archiver.archive.statements import STATEMENTS, evidence, heeded_by
from archiver.archive.store import (
    START,
    Index,
    IndexedInstance,
    JournalEntry,
    Layout,
    Position,
    existing_database,
    holds_at,
    index_in_memory,
    read_lines,
    sqlite,
    wrong_people,
)
from archiver.archive.store import promises as promises_of
from archiver.errors import ArchiverError
from archiver.records.audit_memory import Memory
from archiver.records.checks.integrity import check_file, check_index, check_missing
from archiver.records.checks.rejections import (
    Rejections,
    check_rejections,
    read_heeded,
    read_rejections,
    rejections_of,
    wrong_marks,
)
from archiver.records.checks.settings_checks import check_settings
from archiver.records.checks.witness_checks import Vouched, check_clock
from archiver.records.disk_store import InstanceStore
from archiver.records.examination import Depth
from archiver.records.instance_reader import (
    InstanceRow,
    read_instances,
    read_rows,
    row_digests,
    stray_positions,
    stray_shown,
    stray_tables,
    stray_teeth,
    unused_patients,
)
from archiver.records.model import Concern, Instance, ObjectFacts
from archiver.records.object_survey import Looked, look_at_objects
from archiver.records.record_parts import divided
from archiver.wording import Text

#: Lines of the journal that are remembered besides promises.
_SAYING = (*STATEMENTS, *evidence.ACTIONS)
#: Objects whose expected rows are made at once.
_AT_ONCE = 500


@dataclass
class Survey:
    """What is there.

    Parameters
    ----------
    instances
        By the index; where that cannot be read, by the objects.
    facts
        By SOP Instance UID, of every object read now or remembered.
    concerns
        About integrity.
    read, remembered, octets
        Objects read now, objects taken from memory, bytes read.
    oldest
        When the object was read that was read longest ago, ISO 8601.
    lines, end
        Of the journal, and its last position.
    heeded
        Instances that the journal says are heeded as statements; None where there is no journal.
    vouched
        By whom, and up to which line, the journal is vouched for.
    tells_all
        Whether the journal tells of statements, users and the secret, too, and they are as it says.
    way
        Of another archive: how its headers were had, in words.
    store
        Where instances and facts of an archive are kept.
    """

    where: str
    depth: Depth
    instances: Sequence[Instance] = ()
    facts: MutableMapping[str, ObjectFacts] = field(default_factory=dict)
    concerns: list[Concern] = field(default_factory=list)
    read: int = 0
    remembered: int = 0
    octets: int = 0
    oldest: str = ""
    lines: int = 0
    end: Position = START
    way: Text | str = ""
    heeded: set[str] | None = None
    tells_all: bool = False
    vouched: list[Vouched] = field(default_factory=list)
    store: InstanceStore | None = None

    def parts(self) -> Iterator[tuple[Sequence[Instance], Mapping[str, ObjectFacts], bool]]:
        """Yield what can be judged one after the other, and whether it is the last.

        `archiver.records.record_parts` says what is together in a part.
        """
        if self.store is None:
            yield self.instances, self.facts, True
            return
        count = self.store.divide(divided(len(self.instances), self.store.known()))
        for number in range(count):
            yield *self.store.part(number), number == count - 1

    def keep(self, rows: Iterable[InstanceRow]) -> None:
        """Take the instances of an index."""
        assert self.store is not None
        self.store.take(rows)
        self.instances = self.store.instances

    def forget(self) -> None:
        """Forget the instances of an index that turned out to be damaged."""
        assert self.store is not None
        self.store.forget()
        self.instances = self.store.instances


def survey_archive(
    layout: Layout,
    depth: Depth,
    memory: Memory,
    now: datetime,
    *,
    full: bool = False,
    each: Callable[[int, int], None] | None = None,
) -> Survey:
    """Read an archive.

    Parameters
    ----------
    memory
        Of earlier audits; takes in what is read.
    full
        Read everything, whatever is remembered.
    each
        Told after each object how many of how many were looked at; what it raises ends the
        survey.

    Raises
    ------
    ArchiveError
        If there is no archive, or no index where nothing else is asked for.
    """
    layout.check_mark()
    store = InstanceStore()
    survey = Survey(str(layout.root), depth, facts=store.facts, store=store)
    if depth is Depth.INDEX:
        with closing(_open(layout)) as index, index.reading() as connection:
            survey.keep(read_rows(connection))
        return survey
    promises, statements = _journal(layout, survey, memory, full)
    survey.heeded = heeded_by(statements)
    _evidence(layout, survey, statements)
    survey.concerns += check_settings(layout.root)
    who = {entry.seq: entry.who for entry in promises.values()}
    said = _index(layout, survey, who)
    # What is remembered was held against a journal and an index that could be trusted.
    full = full or said is None or bool(survey.concerns)
    looked = look_at_objects(layout, depth, memory, now, full=full)
    places = {
        sop: layout.place_of(entry.study, entry.series, entry.sop)
        for sop, entry in promises.items()
    }
    compared = _Compared(survey, promises, places, memory, said is None)
    try:
        for count, one in enumerate(looked, start=1):
            compared.take(one)
            if each is not None:
                each(count, max(count, len(promises)))
    finally:
        # Whatever ends it (SIGTERM, say), the next audit goes on from what was read.
        compared.settle()
    survey.concerns += check_missing(promises, places, compared.paths)
    lost = {sop for sop, place in places.items() if place not in compared.paths}
    unsound = compared.unsound | lost
    if said is None:
        anew = index_in_memory(compared.kept, survey.heeded)
        with closing(anew) as index, index.reading() as connection:
            survey.keep(read_rows(connection, who))
    else:
        _compare_index(survey, said, compared.expected, promises, places, unsound)
    for path in sorted(layout.temporary.glob("*")):
        found = Text("records.survey.temporary")
        survey.concerns.append(Concern("file-left-over", found, path=path.name))
    return survey


def survey_patient(layout: Layout, patient_id: str) -> Survey:
    """Read what the index of an archive has of a patient.

    Raises
    ------
    ArchiveError
        If there is no archive, or no index.
    """
    layout.check_mark()
    with closing(_open(layout)) as index, index.reading() as connection:
        instances = read_instances(connection, [patient_id])
    return Survey(str(layout.root), Depth.INDEX, instances)


def _evidence(layout: Layout, survey: Survey, statements: list[JournalEntry]) -> None:
    """Compare the files of statements, of users and the secret with the journal."""
    try:
        found = evidence.compare(layout.root, statements)
    except (OSError, ArchiverError) as error:
        reason = error.problems[0] if isinstance(error, ArchiverError) else error.strerror
        words = Text("records.survey.evidence_unreadable", reason=str(reason))
        survey.concerns.append(Concern("statements-broken", words))
        return
    survey.tells_all = found.is_complete and not found.problems
    survey.concerns += [
        Concern("statements-broken", one, path=str(one.place.file)) for one in found.problems
    ]


def _open(layout: Layout) -> Index:
    return Index(sqlite.reading_engine(layout.index, mapped=False), layout.index)


def _compare_index(
    survey: Survey,
    said: _Said,
    expected: Mapping[str, str],
    promises: Mapping[str, JournalEntry],
    places: Mapping[str, str],
    unsound: set[str],
) -> None:
    """Tell where the index says other things than journal and objects."""
    by_uid = {one.uid: one for one in survey.instances}
    survey.concerns += check_index(by_uid, said.rows, expected, promises, places, unsound)
    if survey.depth >= Depth.OBJECTS:
        lines = {sop: entry.seq for sop, entry in promises.items()}
        right = rejections_of(survey.facts, lines)
        survey.concerns += check_rejections(said.rejections, right, unsound)
    if said.heeded is not None and said.heeded != survey.heeded:
        words = Text("records.rejections.heeded_differ")
        survey.concerns.append(Concern("index-differs", words, path="index.sqlite"))


def _journal(
    layout: Layout, survey: Survey, memory: Memory, full: bool
) -> tuple[dict[str, JournalEntry], list[JournalEntry]]:
    """Read the journal, or what is new in it; return all its promises, and all its statements."""
    start = START if full else memory.position
    name = layout.journal.name
    told: list[Concern] = []
    entries: list[JournalEntry] = []
    try:
        if not holds_at(layout.journal, memory.position):
            found = Text("records.survey.seen_line_gone", line=memory.position.seq)
            told.append(Concern("journal-shortened", found, path=name))
            start = START
        end = start
        for line in read_lines(layout.journal, start):
            if line.problem is not None:
                place = line.problem.where or name
                told.append(Concern("journal-broken", line.problem, path=place))
            if line.entry is not None:
                entries.append(line.entry)
            end = line.after
        told += check_clock(entries)
    except OSError as error:
        found = Text("records.survey.journal_unreadable", error=error.strerror)
        survey.concerns.append(Concern("journal-broken", found, path=name))
        return {}, []
    before = sorted(memory.promises().values(), key=lambda e: e.seq) if start.seq else []
    promises = promises_of([*before, *entries])
    new_statements = [entry for entry in entries if entry.action in _SAYING]
    statements = [*(memory.statements() if start.seq else ()), *new_statements]
    survey.lines, survey.end = end.seq, end
    survey.concerns += told
    if not told:
        memory.position = end
        new = {entry.seq for entry in entries}
        memory.keep_promises(e for e in promises.values() if e.seq in new)
        memory.keep_statements(new_statements)
    return promises, statements


@dataclass(frozen=True)
class _Said:
    """What the index says: digests of its rows by SOP Instance UID, what is rejected, and by what.

    Of an index that an earlier version made, `heeded` is None.
    """

    rows: dict[str, str]
    rejections: Rejections
    heeded: set[str] | None


def _index(layout: Layout, survey: Survey, who: Mapping[int, str]) -> _Said | None:
    """Read the index; None where it cannot be read."""
    name = layout.index.name
    found = _own_check(layout.index)
    if found:
        survey.concerns.append(Concern("index-damaged", found, path=name))
    try:
        with closing(_open(layout)) as index:
            position = index.position()
            with index.reading() as connection:
                survey.keep(read_rows(connection, who))
                rows = row_digests(connection)
                loose = unused_patients(connection) + stray_teeth(connection)
                loose += stray_positions(connection) + wrong_marks(connection)
                loose += stray_shown(connection) + wrong_people(connection)
                loose += stray_tables(connection)
                rejections = read_rejections(connection)
                heeded = read_heeded(connection)
    except (ArchiverError, ValueError, TypeError, AttributeError, OverflowError) as error:
        # A damaged database gives values that no column should hold.
        survey.forget()
        if not found:
            words = Text("records.survey.unreadable", error=str(error)[:120])
            survey.concerns.append(Concern("index-damaged", words, path=name))
        return None
    if loose:
        words = Text("records.survey.loose_rows", count=loose)
        survey.concerns.append(Concern("index-differs", words, path=name))
    survey.concerns += _position(layout, position, survey.end)
    return _Said(rows, rejections, heeded)


def _own_check(path: Path) -> Text | str:
    """Return the first complaint of the database's own check; empty for none."""
    try:
        with closing(existing_database(path)) as database:
            row = database.execute("PRAGMA integrity_check(1)").fetchone()
    except (sqlite3.Error, ValueError) as error:
        return Text("records.survey.unchecked", error=str(error)[:120])
    if not row:
        return Text("records.survey.no_answer")
    said = str(row[0])
    return "" if said == "ok" else " ".join(said.split())[:160]


def _position(layout: Layout, position: Position, end: Position) -> Iterator[Concern]:
    if position == end:
        return
    try:
        held = holds_at(layout.journal, position)
    except (OSError, ValueError, OverflowError):
        held = False
    if held:
        found = Text("records.survey.come_to", line=position.seq, end=end.seq)
        expected = Text("records.survey.end", line=end.seq)
        yield Concern("index-behind", found, expected, path=layout.index.name)
    else:
        found = Text("records.survey.indexed_line_gone", line=position.seq)
        yield Concern("journal-shortened", found, path=layout.journal.name)


class _Compared:
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
