"""Instances as an index has them, and each row's digest."""

from __future__ import annotations

import gc
import hashlib
from collections.abc import Callable, Collection, Iterator, Mapping, MutableMapping, Sequence
from contextlib import contextmanager
from sys import intern
from typing import TYPE_CHECKING, Any

from sqlalchemy import Boolean, Integer, inspect, select, type_coerce

from archiver.archive.store import tables as t
from archiver.records.model import Instance, RecordPerson

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from archiver.archive.store import JournalEntry

    #: Returns the lines of the journal that tell of some instances, by SOP Instance UID.
    LinesOf = Callable[[Sequence[str]], Mapping[str, JournalEntry]]

_I, _P = t.instances.c, t.patients.c
_JOINED = t.instances.outerjoin(t.patients, _I.patient == _P.number)
_PERSON = (_P.patient_id, _P.issuer, _P.name, _I.birth_date, _I.sex)
_READ = (
    _I.sop_instance_uid,
    _I.series_uid,
    _I.study_uid,
    _I.sop_class_uid,
    _I.modality,
    _I.study_date,
    _I.study_time,
    _I.acquired,
    _I.study_description,
    _I.teeth,
    _I.view,
    _I.surface,
    _I.mirror,
    _I.confirmed,
    _I.role,
    _I.laterality,
    _I.rows,
    _I.columns,
    _I.path,
    _I.size,
    _I.digest,
    _I.source_digest,
    _I.journal_seq,
    _I.added,
    _I.rejected,
    _I.predecessor,
)
#: Values of `_PERSON`, of `_READ`, and who wrote the line of the journal.
InstanceRow = tuple[Any, ...]
_SEQ = len(_PERSON) + next(n for n, c in enumerate(_READ) if c is _I.journal_seq)
_UID = len(_PERSON)
#: Rows fetched at once.
_AT_ONCE = 1000
#: Surrogate keys say nothing of an instance and differ between two indices of the same objects;
#: what rejects it stands in other objects, and is compared by `archiver.records.checks.rejections`.
_ROW = [c for c in t.instances.columns if c.name not in ("number", "patient", "rejected")]
#: As they are stored: a truth value that is neither 0 nor 1 would read as true and match nothing.
_RAW = [type_coerce(c, Integer) if isinstance(c.type, Boolean) else c for c in _ROW]
_PATIENT = [c for c in t.patients.columns if c.name != "number"]


@contextmanager
def without_collection() -> Iterator[None]:
    """Keep the collector of reference cycles away while many small values are made.

    Nothing that an audit makes refers back to what refers to it, so all that the collector would
    do is go through it again and again.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def read_rows(
    connection: Connection,
    lines_of: LinesOf | None = None,
    patients: Collection[str] | None = None,
) -> Iterator[InstanceRow]:
    """Yield the row of every instance of an index, in the order of their coming in.

    Parameters
    ----------
    lines_of
        Finds the lines of the journal that tell of some instances; who wrote the line that a row
        names is put behind it.
    patients
        Identifiers of the patients whose instances are read; None for all.
    """
    statement = select(*_PERSON, *_READ).select_from(_JOINED).order_by(_I.journal_seq, _I.number)
    if patients is not None:
        statement = statement.where(_P.patient_id.in_(sorted(patients)))
    statement = statement.execution_options(yield_per=_AT_ONCE)
    for rows in connection.execute(statement).partitions(_AT_ONCE):
        lines = lines_of([row[_UID] for row in rows]) if lines_of is not None else {}
        for row in rows:
            line = lines.get(row[_UID])
            yield (*row, line.who if line is not None and line.seq == row[_SEQ] else "")


def read_instances(
    connection: Connection, patients: Collection[str] | None = None
) -> list[Instance]:
    """Return the instances of an index, as `read_rows` does."""
    make = InstanceMaker()
    with without_collection():
        return [make(row) for row in read_rows(connection, patients=patients)]


class InstanceMaker:
    """Makes instances of rows; people and teeth that repeat are made once."""

    def __init__(self) -> None:
        self._people: dict[tuple[Any, ...], RecordPerson] = {}
        self._teeth: dict[str, tuple[str, ...]] = {"": ()}

    def __call__(self, row: InstanceRow) -> Instance:
        """Return the instance of a row."""
        key = row[:5]
        person = self._people.get(key)
        if person is None:
            person = self._people[key] = RecordPerson(*(str(part or "") for part in key))
        said = row[14]
        named = self._teeth.get(said)
        if named is None:
            named = self._teeth[said] = tuple(said.split(","))
        return _instance(person, named, row[5:])


def _instance(person: RecordPerson, teeth: tuple[str, ...], row: tuple[Any, ...]) -> Instance:
    """Make an instance of a row in the order of `_READ`; what repeats is kept once."""
    return Instance(
        uid=row[0],
        series=intern(row[1]),
        study=intern(row[2]),
        sop_class=intern(row[3]),
        person=person,
        modality=intern(row[4]),
        date=intern(row[5]),
        time=intern(row[6]),
        acquired=row[7] or "",
        description=intern(row[8]),
        teeth=teeth,
        view=intern(row[10] or ""),
        surface=intern(row[11] or ""),
        mirror=intern(row[12] or ""),
        confirmed=row[13],
        role=intern(row[14] or ""),
        laterality=intern(row[15] or ""),
        rows=row[16],
        columns=row[17],
        path=row[18],
        size=row[19],
        digest=row[20],
        source=row[21] or "",
        seq=row[22],
        added=intern(row[23]),
        who=row[26],
        rejected=intern(row[24] or ""),
        predecessor=row[25] or "",
    )


def row_digests(connection: Connection, digests: MutableMapping[str, str]) -> None:
    """Set, by SOP Instance UID, a digest of all that an index says of an instance.

    Behind it, after a space, stands what the index keeps of what is shown of a photograph, where
    it does; the index of an earlier version does not. `agree` compares two of these.
    """
    uid_at = [c.name for c in _ROW].index("sop_instance_uid")
    has_shown = inspect(connection).has_table(t.shown.name)
    statement = select(_I.number, *_RAW, *_PATIENT).select_from(_JOINED).order_by(_I.number)
    statement = statement.execution_options(yield_per=_AT_ONCE)
    for rows in connection.execute(statement).partitions(_AT_ONCE):
        within = rows[0][0], rows[-1][0]
        teeth = _teeth_digests(connection, within)
        shown = _shown(connection, within) if has_shown else {}
        for number, *values in rows:
            said = repr((values, teeth.get(number, "")))
            uid = str(values[uid_at])
            # A second row of the same instance must not hide behind the first.
            before = digests.get(uid, "")
            digest = hashlib.sha256((before + said).encode("utf-8", "replace")).hexdigest()
            digests[uid] = f"{digest}{shown.get(number, '')}"


def agree(one: str, other: str) -> bool:
    """Return whether two rows say the same, as far as both say it."""
    return all(a == b for a, b in zip(one.split(" "), other.split(" "), strict=False))


def _shown(connection: Connection, within: tuple[int, int]) -> dict[int, str]:
    c = t.shown.c
    statement = select(c.instance, c.digest, c.certainty).where(c.instance.between(*within))
    rows = connection.execute(statement)
    return {number: f" {digest}/{certainty}" for number, digest, certainty in rows}


def _teeth_digests(connection: Connection, within: tuple[int, int]) -> dict[int, str]:
    c = t.instance_teeth.c
    statement = select(c.instance, c.tooth, c.kind, c.view, c.study_at)
    statement = statement.where(c.instance.between(*within))
    hashed: dict[int, Any] = {}
    for instance, *values in connection.execute(statement.order_by(c.instance, c.tooth)):
        one = hashed.get(instance)
        if one is None:
            one = hashed[instance] = hashlib.sha256()
        one.update(repr(values).encode("utf-8", "replace"))
    return {number: one.hexdigest() for number, one in hashed.items()}


def unused_patients(connection: Connection) -> int:
    """Return how many rows of patients no instance names."""
    used = select(_I.patient)
    return len(connection.execute(select(_P.number).where(_P.number.not_in(used))).all())


def stray_teeth(connection: Connection) -> int:
    """Return how many instances of the table of teeth are in no other table."""
    c = t.instance_teeth.c
    known = select(_I.number)
    return len(connection.execute(select(c.instance).where(c.instance.not_in(known))).all())


def stray_shown(connection: Connection) -> int:
    """Return how many digests of what is shown are of no photograph that there is."""
    if not inspect(connection).has_table(t.shown.name):
        return 0
    c = t.shown.c
    known = select(_I.number).where(_I.modality == "XC")
    return len(connection.execute(select(c.instance).where(c.instance.not_in(known))).all())


def stray_tables(connection: Connection) -> int:
    """Return how many tables there are that no index has."""
    return len(set(inspect(connection).get_table_names()) - set(t.metadata.tables))


def stray_positions(connection: Connection) -> int:
    """Return how many rows there are of a position beside the one that there ought to be."""
    return len(connection.execute(select(t.applied.c.only).where(t.applied.c.only != 1)).all())
