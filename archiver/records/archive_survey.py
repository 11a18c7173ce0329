"""Reading the archive that an audit looks at. Nothing is changed."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from pathlib import Path

from archiver.archive.statements import STATEMENTS, evidence, heeded_by
from archiver.archive.store import (
    DELETED,
    START,
    Index,
    JournalEntry,
    Layout,
    Position,
    Promised,
    existing_database,
    holds_at,
    index_in_memory,
    read_lines,
    sqlite,
    tombstones,
    wrong_people,
)
from archiver.errors import ArchiverError
from archiver.records.audit_memory import Memory
from archiver.records.checks.integrity import (
    PlaceOf,
    check_index,
    check_returned,
    missing_object,
)
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
from archiver.records.disk_store import InstanceStore, StoredTexts
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
_SAYING = (*STATEMENTS, *evidence.ACTIONS, DELETED)
#: Lines that are taken at once.
_AT_ONCE = 1000


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
    with Promised() as promised:
        _survey_objects(layout, survey, promised, memory, now, full=full, each=each)
    return survey


def _survey_objects(
    layout: Layout,
    survey: Survey,
    promised: Promised,
    memory: Memory,
    now: datetime,
    *,
    full: bool,
    each: Callable[[int, int], None] | None,
) -> None:
    def place_of(entry: JournalEntry) -> str:
        return layout.place_of(entry.study, entry.series, entry.sop)

    statements = _journal(layout, survey, promised, memory, full)
    survey.heeded = heeded_by(statements)
    _evidence(layout, survey, statements)
    survey.concerns += check_settings(layout.root)
    said = _index(layout, survey, promised)
    # What is remembered was held against a journal and an index that could be trusted.
    full = full or said is None or bool(survey.concerns)
    survey.concerns += check_returned(statements, promised)
    looked = look_at_objects(layout, survey.depth, memory, now, full=full)
    total = len(promised)
    with closing(index_in_memory()) as anew:
        compared = ComparedObjects(
            survey, promised, place_of, memory, anew if said is None else None
        )
        try:
            for count, one in enumerate(looked, start=1):
                compared.take(one)
                if each is not None:
                    each(count, max(count, total))
        finally:
            # Whatever ends it (SIGTERM, say), the next audit goes on from what was read.
            compared.settle()
        lost = list(promised.unseen())
        # What was deleted while this was reading is not missed.
        since = tombstones(_later(layout, survey.end)) if lost else {}
        survey.concerns += [
            missing_object(entry, place_of(entry)) for entry in lost if entry.sop not in since
        ]
        unsound = compared.unsound | {entry.sop for entry in lost}
        if said is None:
            anew.add([], START, survey.heeded)
            with anew.reading() as connection:
                survey.keep(read_rows(connection, promised.some))
        else:
            _compare_index(survey, said, compared.expected, (promised, place_of), unsound)
    for path in sorted(layout.temporary.glob("*")):
        found = Text("records.survey.temporary")
        survey.concerns.append(Concern("file-left-over", found, path=path.name))


def _later(layout: Layout, end: Position) -> Iterator[JournalEntry]:
    """Yield the lines of the journal that came after the survey had read it."""
    try:
        yield from (line.entry for line in read_lines(layout.journal, end) if line.entry)
    except OSError:
        return  # told where the journal is read


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
    journalled: tuple[Promised, PlaceOf],
    unsound: set[str],
) -> None:
    """Tell where the index says other things than journal and objects."""
    survey.concerns += check_index(survey.instances, said.rows, expected, journalled, unsound)
    if survey.depth >= Depth.OBJECTS:
        promised, _ = journalled

        def line_of(note: str) -> int:
            line = promised.one(note)
            return line.seq if line is not None else 0

        right = rejections_of(survey.facts, line_of)
        survey.concerns += check_rejections(said.rejections, right, unsound)
    if said.heeded is not None and said.heeded != survey.heeded:
        words = Text("records.rejections.heeded_differ")
        survey.concerns.append(Concern("index-differs", words, path="index.sqlite"))


def _journal(
    layout: Layout, survey: Survey, promised: Promised, memory: Memory, full: bool
) -> list[JournalEntry]:
    """Read the journal, or what is new in it; return all its statements.

    Parameters
    ----------
    promised
        Takes all that the journal promises.
    """
    start = START if full else memory.position
    name = layout.journal.name
    told: list[Concern] = []
    statements: list[JournalEntry] = []
    try:
        if not holds_at(layout.journal, memory.position):
            found = Text("records.survey.seen_line_gone", line=memory.position.seq)
            told.append(Concern("journal-shortened", found, path=name))
            start = START
        end = start
        if start.seq:
            promised.take(memory.promises())
            statements += memory.statements()
        remembered = len(statements)

        def entries() -> Iterator[JournalEntry]:
            nonlocal end
            for line in read_lines(layout.journal, start):
                if line.problem is not None:
                    place = line.problem.where or name
                    told.append(Concern("journal-broken", line.problem, path=place))
                if line.entry is not None:
                    yield line.entry
                end = line.after

        def taken() -> Iterator[JournalEntry]:
            lines = entries()
            while some := list(islice(lines, _AT_ONCE)):
                promised.take(some)
                statements.extend(entry for entry in some if entry.action in _SAYING)
                yield from some

        clock = list(check_clock(taken()))
        told += clock
    except OSError as error:
        found = Text("records.survey.journal_unreadable", error=error.strerror)
        survey.concerns.append(Concern("journal-broken", found, path=name))
        promised.forget()
        return []
    survey.lines, survey.end = end.seq, end
    survey.concerns += told
    if not told:
        memory.position = end
        memory.keep_promises(promised.since(start.seq))
        memory.keep_statements(statements[remembered:])
    return statements


@dataclass(frozen=True)
class _Said:
    """What the index says: digests of its rows by SOP Instance UID, what is rejected, and by what.

    Of an index that an earlier version made, `heeded` is None.
    """

    rows: StoredTexts
    rejections: Rejections
    heeded: set[str] | None


def _index(layout: Layout, survey: Survey, promised: Promised) -> _Said | None:
    """Read the index; None where it cannot be read."""
    name = layout.index.name
    found = _own_check(layout.index)
    if found:
        survey.concerns.append(Concern("index-damaged", found, path=name))
    try:
        with closing(_open(layout)) as index:
            position = index.position()
            with index.reading() as connection:
                survey.keep(read_rows(connection, promised.some))
                rows = StoredTexts()
                row_digests(connection, rows)
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
