"""Validation of what came in, in the background; the findings are kept beside the index.

Objects are taken in the order of the journal, and how far it has come is kept with the findings:
a process that was killed leaves the rest to the next one that writes.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from sqlalchemy import Column, Engine, Integer, MetaData, String, Table, func, insert, select
from sqlalchemy.exc import DatabaseError, SQLAlchemyError

from archiver.archive.store import sqlite
from archiver.archive.store import tables as t
from archiver.archive.store.archive import Archive
from archiver.errors import ArchiverError, packed, unpacked
from archiver.standard import Finding, Severity, validate_file

FILE = "findings.sqlite"
#: Of the tables below. Those of any other version are thrown away, and all is validated again.
_VERSION = 1
_AT_ONCE = 20
#: How long it waits for a pause before it looks at an object (seconds). Looking takes as much of
#: Python's lock as receiving does; the findings of an object that comes alone are there within two.
_PATIENCE = 0.5
#: How long a process that ends goes on with what is left (seconds).
_LAST = 2.0

_metadata = MetaData()
_validated = Table(
    "validated",
    _metadata,
    Column("sop_instance_uid", String(64), primary_key=True),
    Column("journal_seq", Integer, nullable=False, index=True),
    Column("digest", String(64), nullable=False),
    Column("errors", Integer, nullable=False),
    Column("warnings", Integer, nullable=False),
)
_findings = Table(
    "findings",
    _metadata,
    Column("number", Integer, primary_key=True),
    Column("sop_instance_uid", String(64), nullable=False, index=True),
    Column("severity", String(7), nullable=False),
    Column("rule", String, nullable=False),
    Column("attribute", String, nullable=False),
    Column("found", String, nullable=False),
    Column("expected", String, nullable=False),
    Column("clause", String, nullable=False),
    Column("hint", String, nullable=False),
)


class Validation:
    """Validates objects as they come in.

    Parameters
    ----------
    archive
        Whose objects.

    Attributes
    ----------
    busy
        True while somebody stores or asks; they come first.
    done
        Told the number of errors and of warnings of each object.
    failed
        Told why it cannot go on.
    """

    def __init__(self, archive: Archive) -> None:
        self.busy: Callable[[], bool] = lambda: False
        self.done: Callable[[int, int], None] = lambda errors, warnings: None
        self.failed: Callable[[str], None] = lambda why: None
        self._archive = archive
        self._foreseen: dict[str, Sequence[Finding]] = {}
        self._guard, self._making = threading.Lock(), threading.Lock()
        self._made: Engine | None = None
        self._stir = threading.Event()
        self._ending = threading.Event()
        self._idle = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def _engine(self) -> Engine:
        """The database; made when it is first needed, so that a refused start leaves no file."""
        with self._making:
            if self._made is None:
                self._made = self._opened()
            return self._made

    def _opened(self) -> Engine:
        path = self._archive.layout.root / FILE
        made = sqlite.writing_engine(path)
        try:
            _set_up(made)
        except DatabaseError as error:
            made.dispose()
            if not sqlite.is_damage(error):
                raise
            # All of it can be found again; what is there is kept for who wants to look.
            sqlite.set_aside(path)
            made = sqlite.writing_engine(path)
            _set_up(made)
        return made

    def stir(self) -> None:
        """Say that there is, or may be, something that was not looked at."""
        with self._guard:
            self._idle.clear()
            self._stir.set()
            if self._thread is None and not self._ending.is_set():
                self._thread = threading.Thread(target=self._run, name="validation", daemon=True)
                self._thread.start()

    def foresee(self, sop_instance_uid: str, findings: Sequence[Finding]) -> None:
        """Give what was found of an object before it is kept, so that it is not read again."""
        with self._guard:
            self._foreseen[sop_instance_uid] = findings

    def wait(self, seconds: float) -> bool:
        """Wait until everything is validated; False if it is not in time."""
        return self._idle.wait(seconds)

    def close(self) -> None:
        """Go on for a moment, then stop; the rest is done by the next process that writes."""
        if self._thread is not None:
            self._idle.wait(_LAST)
        with self._guard:
            self._ending.set()
            self._stir.set()
            thread = self._thread
        if thread is not None:
            thread.join()
        if self._made is not None:
            self._made.dispose()

    def findings(self, sop_instance_uid: str) -> list[Finding] | None:
        """Return what was found about an instance, None where it was not validated yet."""
        f, v = _findings.c, _validated.c
        with self._engine.connect() as connection:
            seen = connection.execute(
                select(v.errors).where(v.sop_instance_uid == sop_instance_uid)
            ).one_or_none()
            if seen is None:
                return None
            rows = connection.execute(
                select(f.severity, f.rule, f.attribute, f.found, f.expected, f.clause, f.hint)
                .where(f.sop_instance_uid == sop_instance_uid)
                .order_by(f.number)
            ).all()
        return [
            Finding(
                "",
                Severity(level),
                rule,
                place,
                unpacked(found),
                unpacked(right),
                clause,
                unpacked(hint),
            )
            for level, rule, place, found, right, clause, hint in rows
        ]

    def _run(self) -> None:
        while not self._ending.is_set():
            self._stir.wait()
            self._stir.clear()
            try:
                while not self._ending.is_set() and self._some():
                    pass
            except (ArchiverError, SQLAlchemyError, OSError) as error:
                self.failed(f"validation stopped: {type(error).__name__}")
            if not self._stir.is_set():
                self._idle.set()

    def _some(self) -> bool:
        """Validate some objects; False where none are left."""
        i = t.instances.c
        with self._engine.connect() as connection:
            last = connection.execute(select(func.max(_validated.c.journal_seq))).scalar() or 0
        with self._archive.reading() as connection:
            rows = connection.execute(
                select(i.sop_instance_uid, i.path, i.digest, i.journal_seq)
                .where(i.journal_seq > last)
                .order_by(i.journal_seq)
                .limit(_AT_ONCE)
            ).all()
        for uid, path, digest, seq in rows:
            waited = 0.0
            while self.busy() and waited < _PATIENCE and not self._ending.wait(0.1):
                waited += 0.1
            if self._ending.is_set():
                break
            self._one(uid, path, digest, seq)
        return bool(rows)

    def _one(self, uid: str, path: str, digest: str, seq: int) -> None:
        with self._guard:
            findings = self._foreseen.pop(uid, None)
        if findings is None:
            findings = validate_file(self._archive.layout.path_of(path))
        errors = sum(f.severity is Severity.ERROR for f in findings)
        warned = sum(f.severity is Severity.WARNING for f in findings)
        with self._engine.begin() as connection:
            connection.execute(_validated.delete().where(_validated.c.sop_instance_uid == uid))
            connection.execute(_findings.delete().where(_findings.c.sop_instance_uid == uid))
            connection.execute(
                insert(_validated).values(
                    sop_instance_uid=uid,
                    journal_seq=seq,
                    digest=digest,
                    errors=errors,
                    warnings=warned,
                )
            )
            if findings:
                connection.execute(insert(_findings), [_row(uid, f) for f in findings])
        self.done(errors, warned)


def _set_up(engine: Engine) -> None:
    """Make the tables, or make them anew where they are of another version."""
    with engine.begin() as connection:
        if connection.exec_driver_sql("PRAGMA user_version").scalar() != _VERSION:
            _metadata.drop_all(connection)
            _metadata.create_all(connection)
            connection.exec_driver_sql(f"PRAGMA user_version={_VERSION}")


def _row(uid: str, finding: Finding) -> dict[str, str]:
    return {
        "sop_instance_uid": uid,
        "severity": finding.severity.value,
        "rule": finding.rule,
        "attribute": finding.attribute,
        "found": packed(finding.found),
        "expected": packed(finding.expected),
        "clause": finding.clause,
        "hint": packed(finding.hint),
    }
