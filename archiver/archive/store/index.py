"""The index: what the objects say of themselves, kept where it can be asked quickly.

Nothing is in it that the objects and the journal do not say; it can be thrown away and made
again. It also remembers how far into the journal it has come.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import (
    Connection,
    Engine,
    StaticPool,
    create_engine,
    delete,
    func,
    insert,
    inspect,
    select,
    update,
)
from sqlalchemy.exc import SQLAlchemyError

from archiver.archive.statements.rejection_notes import enter_heeded, note_rejections
from archiver.archive.store import sqlite
from archiver.archive.store import tables as t
from archiver.archive.store.indexed_instance import HeldFile, IndexedInstance
from archiver.archive.store.journal_lines import START, Position
from archiver.archive.store.named_people import forget_people, note_people
from archiver.archive.store.tooth_coverage import teeth_rows
from archiver.errors import ArchiveError, Problem
from archiver.wording import Text

if TYPE_CHECKING:
    from archiver.objects import Description

#: Variables in one statement at most; SQLite before 3.32 takes 999.
_AT_ONCE = 900


def like_pattern(pattern: str) -> str:
    """Return a pattern with ``*`` and ``?`` as SQL's LIKE takes it, escaped by a backslash."""
    for plain, escaped in (("\\", "\\\\"), ("%", "\\%"), ("_", "\\_"), ("*", "%"), ("?", "_")):
        pattern = pattern.replace(plain, escaped)
    return pattern


def iso_date(text: str) -> str:
    """Return a date as ISO 8601, whether it came as DICOM's DA or as ISO; else as it is."""
    text = text.strip()
    found = re.fullmatch(r"(\d{4})[-.]?(\d{2})[-.]?(\d{2})", text)
    return "-".join(found.groups()) if found else text[:10]


def iso_time(text: str) -> str:
    """Return a time as ISO 8601, whether it came as DICOM's TM or as ISO; else as it is."""
    text = text.strip()
    found = re.fullmatch(r"(\d{2}):?(\d{2})?:?(\d{2})?(\.\d+)?", text)
    if not found:
        return text[:15]
    hour, minute, second, fraction = found.groups()
    return f"{hour}:{minute or '00'}:{second or '00'}{fraction or ''}"


def _columns(kept: IndexedInstance) -> dict[str, Any]:
    d = kept.description
    return {
        "sop_instance_uid": d.sop_instance_uid,
        "sop_class_uid": d.sop_class_uid,
        "series_uid": d.series_uid,
        "study_uid": d.study_uid,
        "modality": d.modality,
        "study_date": iso_date(d.study_date),
        "study_time": iso_time(d.study_time),
        "acquired": d.acquired or None,
        "accession": d.accession,
        "study_description": d.study_description,
        "series_description": d.series_description,
        "teeth": ",".join(tooth.iso for tooth in d.teeth),
        "view": d.view.value if d.view else None,
        "surface": d.surface.value if d.surface else None,
        "mirror": d.mirror,
        "confirmed": d.confirmed,
        "role": d.role,
        "laterality": d.laterality or None,
        "arch": d.arch.value if d.arch else None,
        "rows": d.rows,
        "columns": d.columns,
        "birth_date": iso_date(d.birth_date),
        "sex": d.sex,
        "study_id": d.study_id,
        "referring": d.referring,
        "series_number": d.series_number,
        "instance_number": d.instance_number,
        "frames": d.frames,
        "bits": d.bits,
        "transfer_syntax": d.transfer_syntax,
        "path": kept.path,
        "size": kept.size,
        "digest": kept.digest,
        "source_digest": kept.source_digest or None,
        "journal_seq": kept.journal_seq,
        "added": kept.added,
        "predecessor": d.predecessor or None,
    }


class Index:
    """The index behind an engine.

    Parameters
    ----------
    engine
        For reading or for writing.
    where
        What the messages call it.
    """

    def __init__(self, engine: Engine, where: Path) -> None:
        self.engine = engine
        self.where = where

    @contextmanager
    def _translated(self, code: str) -> Iterator[None]:
        try:
            yield
        except SQLAlchemyError as error:
            cause = getattr(error, "orig", None) or error
            reason = " ".join(str(cause).split())[:200]
            said: str | Text = reason
            hint = Text("archive.index.rebuild_makes_it")
            if "disk is full" in reason:
                said, hint = Text("archive.durable.disk_full"), Text("archive.index.make_room")
            problem = Problem(code, reason=said, hint=hint).at(file=self.where)
            raise ArchiveError(problem) from error

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection for questions; errors come out as ArchiveError."""
        with self._translated("archive.index.unreadable"), self.engine.connect() as connection:
            yield connection

    def prepare(self) -> None:
        """Make the tables where they are not there.

        Raises
        ------
        ArchiveError
            If there are tables of another version.
        """
        with self._translated("archive.index.not_made"):
            tables = t.metadata.sorted_tables
            if inspect(self.engine).has_table(t.applied.name):
                self.position()
                tables = [table for table in tables if table not in t.LATER]
            t.metadata.create_all(self.engine, tables)

    @contextmanager
    def prepared_for_many(self) -> Iterator[None]:
        """Make the tables for many instances at once; what finds rows by other keys comes last.

        Raises
        ------
        ArchiveError
            If the disk refuses.
        """
        self.prepare()
        finders = [
            one for table in t.metadata.sorted_tables for one in sorted(table.indexes, key=str)
        ]
        with self._translated("archive.index.not_made"), self.engine.begin() as connection:
            for one in finders:
                one.drop(connection)
        yield
        with self._translated("archive.index.not_written"), self.engine.begin() as connection:
            for one in finders:
                one.create(connection)

    def bring_up(self, heeded: Callable[[], Collection[str]]) -> bool:
        """Enter what the journal says is heeded into an index that an earlier version made.

        Parameters
        ----------
        heeded
            Reads it, where it is needed.

        Returns
        -------
        bool
            Whether there was anything to be brought up.
        """
        with self._translated("archive.index.not_made"), self.engine.begin() as connection:
            is_old = not inspect(connection).has_table(t.heeded.name)
            if is_old:
                enter_heeded(connection, heeded())
            return is_old

    def position(self) -> Position:
        """Return how far into the journal the index has come.

        Raises
        ------
        ArchiveError
            If the tables are another version's.
        """
        with self.reading() as connection:
            row = connection.execute(select(t.applied)).one_or_none()
        if row is None:
            return START
        if row.schema != t.SCHEMA:
            raise ArchiveError(
                Problem("archive.index.other_version", schema=row.schema, right=t.SCHEMA).at(
                    file=str(self.where)
                )
            )
        return Position(row.seq, row.hash, row.offset)

    def held(self, sop_instance_uids: Iterable[str]) -> dict[str, HeldFile]:
        """Return what is known of those of the instances that are kept."""
        uids = list(dict.fromkeys(sop_instance_uids))
        table = t.instances.c
        found: dict[str, HeldFile] = {}
        with self.reading() as connection:
            for begin in range(0, len(uids), _AT_ONCE):
                some = uids[begin : begin + _AT_ONCE]
                rows = connection.execute(
                    select(
                        table.sop_instance_uid,
                        table.path,
                        table.digest,
                        table.size,
                        table.journal_seq,
                        table.study_uid,
                    ).where(table.sop_instance_uid.in_(some))
                )
                found.update((row[0], HeldFile(*row)) for row in rows)
        return found

    def count(self) -> int:
        """Return the number of instances."""
        with self.reading() as connection:
            return connection.execute(select(func.count()).select_from(t.instances)).scalar_one()

    def add(
        self, kept: Sequence[IndexedInstance], position: Position, heeded: Collection[str] = ()
    ) -> None:
        """Take in instances that are not in yet, and the position, in one transaction.

        Parameters
        ----------
        heeded
            Instances that are heeded as statements from now on.
        """
        with self._translated("archive.index.not_written"), self.engine.begin() as connection:
            if kept or heeded:
                _insert(connection, kept, heeded)
            values = {
                "schema": t.SCHEMA,
                "seq": position.seq,
                "hash": position.hash,
                "offset": position.offset,
            }
            if not connection.execute(update(t.applied).values(values)).rowcount:
                connection.execute(insert(t.applied).values(only=1, **values))

    def remove(self, sop_instance_uids: Collection[str], position: Position) -> None:
        """Take out instances that were deleted, and note the position, in one transaction.

        Notes that reject them go on naming them.
        """
        with self._translated("archive.index.not_written"), self.engine.begin() as connection:
            _remove(connection, sorted(sop_instance_uids))
            connection.execute(
                update(t.applied).values(
                    seq=position.seq, hash=position.hash, offset=position.offset
                )
            )

    def replace_rows(self, made: Path) -> None:
        """Take over everything from another index that nobody uses, in one transaction."""
        with self._translated("archive.index.not_written"):
            t.metadata.create_all(self.engine)
            sqlite.copy_rows(self.engine, made, t.metadata.sorted_tables)

    def close(self) -> None:
        """Close every connection."""
        self.engine.dispose()


def _insert(
    connection: Connection, kept: Sequence[IndexedInstance], heeded: Collection[str]
) -> None:
    # Only here: pydicom takes longer to import than a query does.
    from archiver.objects import shown_digest

    top = connection.execute(select(func.max(t.instances.c.number))).scalar() or 0
    people = _PatientNumbers(connection)
    rows = []
    teeth = []
    shown = []
    for number, one in enumerate(kept, start=top + 1):
        columns = _columns(one)
        columns["number"] = number
        columns["patient"] = people.number_of(one.description)
        rows.append(columns)
        for iso, kind in teeth_rows(one.description):
            teeth.append(
                {
                    "instance": number,
                    "tooth": iso,
                    "kind": kind,
                    "view": columns["view"],
                    "study_at": f"{columns['study_date']}T{columns['study_time']}",
                    "rejected": False,
                }
            )
        if one.description.is_photograph:
            digest = shown_digest(one.description, one.source_digest)
            certainty = one.description.certainty or ""
            shown.append({"instance": number, "digest": digest, "certainty": certainty})
    if rows:
        connection.execute(insert(t.instances), rows)
    if shown:
        # An earlier version's index gets the table with the first picture that is added.
        t.shown.create(connection, checkfirst=True)
        connection.execute(insert(t.shown), shown)
    if teeth:
        connection.execute(insert(t.instance_teeth), teeth)
    if rows:
        note_people(connection, rows)
    note_rejections(connection, kept, top + 1, heeded)


def _remove(connection: Connection, uids: Sequence[str]) -> None:
    i = t.instances.c
    numbers: list[int] = []
    for begin in range(0, len(uids), _AT_ONCE):
        some = uids[begin : begin + _AT_ONCE]
        numbers += connection.scalars(select(i.number).where(i.sop_instance_uid.in_(some)))
    there = inspect(connection)
    for table, column in (
        (t.shown, t.shown.c.instance),
        (t.instance_teeth, t.instance_teeth.c.instance),
        (t.rejections, t.rejections.c.note),
        (t.instances, i.number),
    ):
        for begin in range(0, len(numbers) if there.has_table(table.name) else 0, _AT_ONCE):
            some_numbers = numbers[begin : begin + _AT_ONCE]
            connection.execute(delete(table).where(column.in_(some_numbers)))
    if numbers:
        forget_people(connection)
        connection.execute(delete(t.patients).where(t.patients.c.number.not_in(select(i.patient))))


class _PatientNumbers:
    """Looks up the row of a patient, or makes it; remembers within one transaction."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._known: dict[tuple[str, str, str], int] = {}

    def number_of(self, description: Description) -> int:
        key = (description.patient_id, description.issuer, description.patient_name)
        if key not in self._known:
            self._known[key] = self._find(key) or self._make(key)
        return self._known[key]

    def _find(self, key: tuple[str, str, str]) -> int | None:
        c = t.patients.c
        return self._connection.execute(
            select(c.number).where(c.patient_id == key[0], c.issuer == key[1], c.name == key[2])
        ).scalar()

    def _make(self, key: tuple[str, str, str]) -> int:
        from archiver.objects import name_key

        made = self._connection.execute(
            insert(t.patients).values(
                patient_id=key[0], issuer=key[1], name=key[2], name_key=name_key(key[2])
            )
        )
        assert made.inserted_primary_key is not None
        return int(made.inserted_primary_key[0])


def index_in_memory(
    kept: Iterable[IndexedInstance] = (), heeded: Collection[str] | None = None
) -> Index:
    """Return an index of its own that ends with it, for one question or one audit.

    What outgrows SQLite's cache lies in a file without a name.

    Parameters
    ----------
    heeded
        Instances that are heeded as statements; left out, every note that says which instances
        of its own study it is about: elsewhere there is no journal that knows who may reject.
    """
    engine = create_engine(
        "sqlite://",
        poolclass=StaticPool,
        creator=lambda: sqlite3.connect("", check_same_thread=False),
    )
    index = Index(engine, Path("index in memory"))
    index.prepare()
    first = list(kept)
    if first:
        if heeded is None:
            described = (one.description for one in first)
            heeded = [d.sop_instance_uid for d in described if d.selection and d.selection.binds]
        index.add(first, START, heeded)
    return index
