"""Reading the archive that an audit looks at. Nothing is changed."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from archiver.archive.statements import STATEMENTS, evidence, heeded_by
from archiver.archive.store import (
    START,
    Index,
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
from archiver.records.checks.integrity import check_index, check_missing
from archiver.records.checks.rejections import (
    Rejections,
    check_rejections,
    read_heeded,
    read_rejections,
    rejections_of,
    wrong_marks,
)
from archiver.records.checks.settings_checks import check_settings
from archiver.records.checks.witness_checks import check_clock, surely_holds_at
from archiver.records.compared_objects import ComparedObjects
from archiver.records.disk_store import InstanceStore
from archiver.records.examination import Depth
from archiver.records.instance_reader import (
    read_instances,
    read_rows,
    row_digests,
    stray_positions,
    stray_shown,
    stray_tables,
    stray_teeth,
    unused_patients,
)
from archiver.records.model import Concern
from archiver.records.object_survey import look_at_objects
from archiver.records.survey import Survey
from archiver.wording import Text

#: Lines of the journal that are remembered besides promises.
_SAYING = (*STATEMENTS, *evidence.ACTIONS)


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
    compared = ComparedObjects(survey, promises, places, memory, said is None)
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
    if surely_holds_at(layout.journal, position):
        found = Text("records.survey.come_to", line=position.seq, end=end.seq)
        expected = Text("records.survey.end", line=end.seq)
        yield Concern("index-behind", found, expected, path=layout.index.name)
    else:
        found = Text("records.survey.indexed_line_gone", line=position.seq)
        yield Concern("journal-shortened", found, path=layout.journal.name)
