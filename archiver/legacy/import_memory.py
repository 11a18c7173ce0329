"""What an import knows of each file, beside its report: a database that any run may go on with.

It can be thrown away at any time; then every file is looked at again, and what is archived already
is found there by its digest.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from archiver.dentition import Turn, View, parse_teeth
from archiver.legacy.decisions import Decision, PictureMeaning
from archiver.legacy.file_look import FileKind, LookedAt, ObjectSeen, PictureSeen
from archiver.legacy.reasons import ImportReason
from archiver.objects import Patient
from archiver.vision import hash_parts
from archiver.wording import Text

FILE = "import.sqlite"
#: One of another version is made anew.
_VERSION = 1
_TABLES = """
create table file (
    key integer primary key, path blob not null unique, size integer, changed integer,
    run integer, sha text, seen text, small blob, hashes blob,
    reason text, why text, decision text, best integer, uid text, visit text
);
create index file_sha on file (sha);
create index file_visit on file (visit, key);
create table part (number integer, value integer, key integer);
create index part_value on part (number, value);
"""


@dataclass(frozen=True)
class ImportRow:
    """A file that was seen.

    Parameters
    ----------
    path
        Below the imported folder, with slashes.
    best
        Key of the file of which this is a copy; None for none.
    uid
        SOP Instance UID under which it is archived; empty where it is not.
    """

    key: int
    path: str
    size: int
    seen: LookedAt
    decision: Decision | None = None
    best: int | None = None
    uid: str = ""


class ImportMemory:
    """The database; its rows are the files that were seen.

    Parameters
    ----------
    folder
        Of the report; made where it is not there.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.path = folder / FILE
        self._open()
        (version,) = self._db.execute("pragma user_version").fetchone()
        if version != _VERSION:
            if version:
                self._db.close()
                self.path.unlink()
                self._open()
            self._db.executescript(_TABLES)
            self._db.execute(f"pragma user_version = {_VERSION}")
            self._db.commit()

    def _open(self) -> None:
        self._db = sqlite3.connect(self.path)
        # It can be made again: a power cut costs time alone.
        self._db.execute("pragma journal_mode = wal")
        self._db.execute("pragma synchronous = off")

    def close(self) -> None:
        """Commit and let go of the file."""
        self._db.commit()
        self._db.close()

    def __enter__(self) -> ImportMemory:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def commit(self) -> None:
        """Put on the disk what was noted."""
        self._db.commit()

    # Files.

    def is_known(self, path: str, size: int, changed: int, run: int) -> bool:
        """Whether a file was looked at before and has not changed; it counts as seen again."""
        done = self._db.execute(
            "update file set run = ? where path = ? and size = ? and changed = ?"
            " and seen is not null",
            (run, os.fsencode(path), size, changed),
        )
        return done.rowcount > 0

    def note(self, path: str, size: int, changed: int, run: int, seen: LookedAt) -> None:
        """Note what a look at a file told."""
        told = asdict(seen)
        small, hashes = b"", b""
        if seen.picture is not None:
            small, hashes = seen.picture.small, bytes.fromhex("".join(seen.picture.hashes))
            for name in ("small", "hashes", "thumbnail"):
                del told["picture"][name]
        key = self._db.execute(
            "insert into file (path, size, changed, run, sha, seen, small, hashes)"
            " values (?, ?, ?, ?, ?, ?, ?, ?) on conflict (path) do update set"
            " size = excluded.size, changed = excluded.changed, run = excluded.run,"
            " sha = excluded.sha, seen = excluded.seen, small = excluded.small,"
            " hashes = excluded.hashes, uid = null returning key",
            (
                *(os.fsencode(path), size, changed, run),
                *(seen.sha256 or None, json.dumps(told), small, hashes),
            ),
        ).fetchone()[0]
        self._db.execute("delete from part where key = ?", (key,))
        if hashes:
            stored = int.from_bytes(hashes[:8], "big")
            rows = [(number, value, key) for number, value in hash_parts(stored)]
            self._db.executemany("insert into part values (?, ?, ?)", rows)

    def begin_run(self) -> int:
        """Return the number of a new run."""
        (last,) = self._db.execute("select max(run) from file").fetchone()
        return int(last or 0) + 1

    def forget_others(self, run: int) -> None:
        """Forget files that a run did not see."""
        self._db.execute("delete from file where run != ?", (run,))
        self._db.execute("delete from part where key not in (select key from file)")
        self._db.commit()

    def __len__(self) -> int:
        return int(self._db.execute("select count(*) from file").fetchone()[0])

    def rows(
        self, where: str = "true", values: Sequence[object] = (), *, limit: int = -1
    ) -> Iterator[ImportRow]:
        """Yield files in the order of their paths; reading goes on while others write."""
        with closing(self._db.cursor()) as cursor:
            cursor.execute(
                "select key, path, size, seen, small, hashes, decision, best, uid from file"
                f" where {where} order by path limit ?",
                (*values, limit),
            )
            while several := cursor.fetchmany(200):
                yield from map(_row, several)

    def row(self, key: int) -> ImportRow:
        """Return a file by its key."""
        return next(self.rows("key = ?", (key,)))

    # What was decided.

    def decide(self, key: int, decision: Decision, best: int | None = None) -> None:
        """Note what becomes of a file."""
        who, day = decision.patient, decision.day
        visit = f"{who.issuer}\\{who.id}\\{day or ''}" if who is not None else None
        why = str(decision.problem) if decision.problem is not None else ""
        self._db.execute(
            "update file set reason = ?, why = ?, decision = ?, best = ?, visit = ? where key = ?",
            (decision.reason.value, why, json.dumps(_told(decision)), best, visit, key),
        )

    def decide_again(
        self, key: int, reason: ImportReason, why: object, best: int | None = None
    ) -> None:
        """Note another reason than was decided for a file by itself."""
        decision = self.row(key).decision
        assert decision is not None
        told = Text("legacy.why.said", said=str(why)) if why else None
        self.decide(key, replace(decision, reason=reason, problem=told), best)

    def note_kept(self, kept: Iterable[tuple[int, str]]) -> None:
        """Note under which instance files are archived."""
        self._db.executemany("update file set uid = ? where key = ?", [(u, k) for k, u in kept])
        self._db.commit()

    def counts(self) -> dict[ImportReason, int]:
        """Return how many files have each reason."""
        rows = self._db.execute("select reason, count(*) from file group by reason")
        found = {ImportReason(reason): count for reason, count in rows}
        return {reason: found[reason] for reason in ImportReason if reason in found}

    def examples(self, reason: ImportReason, most: int) -> list[ImportRow]:
        """Return some files that have a reason."""
        return list(self.rows("reason = ?", (reason.value,), limit=most))

    def keys(self, query: str, values: Sequence[object] = ()) -> Iterator[tuple[Any, ...]]:
        """Yield the rows of a question that names columns of ``file`` and ``part``."""
        with closing(self._db.cursor()) as cursor:
            cursor.execute(query, tuple(values))
            while several := cursor.fetchmany(500):
                yield from several


def _told(decision: Decision) -> dict[str, Any]:
    who, shown = decision.patient, decision.shown
    patient = None
    if who is not None:
        born = who.birth_date.isoformat() if who.birth_date else ""
        patient = [who.id, who.name, who.issuer, born, who.sex]
    return {
        "reason": decision.reason.value,
        "why": str(decision.problem) if decision.problem is not None else "",
        "patient": patient,
        "day": decision.day.isoformat() if decision.day else "",
        "view": shown.view.value if shown.view else "",
        "teeth": [tooth.iso for tooth in shown.teeth],
        "state": shown.state,
        "mirror": shown.mirror,
        "flipped": shown.flipped.value if shown.flipped else None,
        "by": decision.mended_by,
    }


def _read(told: dict[str, Any]) -> Decision:
    patient = None
    if told["patient"]:
        identifier, name, issuer, born, sex = told["patient"]
        birth = date.fromisoformat(born) if born else None
        patient = Patient(identifier, name, issuer, birth, sex)
    return Decision(
        ImportReason(told["reason"]),
        Text("legacy.why.said", said=told["why"]) if told["why"] else None,
        patient,
        date.fromisoformat(told["day"]) if told["day"] else None,
        PictureMeaning(
            View(told["view"]) if told["view"] else None,
            tuple(tooth for one in told["teeth"] for tooth in parse_teeth(f"iso:{one}")),
            told["state"],
            told["mirror"],
            Turn(told["flipped"]) if told["flipped"] else None,
        ),
        told["by"],
    )


def _row(row: tuple[Any, ...]) -> ImportRow:
    key, path, size, seen, small, hashes, decision, best, uid = row
    given = json.loads(seen)
    picture, thing = given.pop("picture"), given.pop("object")
    if picture is not None:
        eight = tuple(hashes[n : n + 8].hex() for n in range(0, len(hashes), 8))
        picture = PictureSeen(**picture, hashes=eight, small=small, thumbnail=b"")
    reason = ImportReason(given.pop("reason")) if given["reason"] else given.pop("reason")
    told = LookedAt(
        FileKind(given.pop("kind")),
        **given,
        reason=reason,
        picture=picture,
        object=ObjectSeen(**thing) if thing is not None else None,
    )
    decided = _read(json.loads(decision)) if decision else None
    return ImportRow(key, os.fsdecode(path), size, told, decided, best, uid or "")
