"""The lines of the journal: what was done, in order, never changed.

One JSON object a line, keys sorted, no spaces, ASCII. Each line holds the hash of the line
before it and its own: SHA-256 over the line as it would read without its ``hash``. Whoever
changes, drops or inserts a line breaks the chain behind it. A chain alone cannot show that
lines are missing at its end; `archiver.archive.index_rebuild` therefore compares it with the
objects and with the index.

No name of a patient and no name of a file goes in: what identifies is the UIDs and digests.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from archiver.errors import Problem

#: What the first line names as the hash of the line before it.
ROOT_HASH = "0" * 64
#: No line is longer (bytes); the two free texts are cut to fit, at six bytes a character.
LONGEST_LINE = 8192
LONGEST_TEXT = 400

CREATED = "created"
STORED = "stored"
RESTORED = "restored"
ADOPTED = "adopted"
CUT = "cut"
COMPLETED = "completed"
REBUILT = "rebuilt"
RECOVERED = "recovered"
INTENDED = "intended"
AMENDED = "amended"
GIVEN_UP = "given-up"
QUARANTINED = "quarantined"
#: Of an object that two people let go; `DELETED` is its tombstone. See `deletion`.
DELETION_BEGUN = "deletion-begun"
DELETED = "deleted"
DELETION_GIVEN_UP = "deletion-given-up"
#: Deeds that say an object is kept.
KEEPING = (STORED, RESTORED, ADOPTED)
#: A rejection note counts from now on: of somebody who may reject, or after a person decided.
HEEDED = "heeded"
#: Of files that are no objects; see `archiver.archive.statements.evidence`.
LINE_BEGUN = "line-begun"
LINE = "line"
FILE = "file"
BROUGHT_UP = "brought-up"
#: What a new journal says in its first line: nothing is there that it does not tell of.
WITH_STATEMENTS = "format 1, with statements"


@dataclass(frozen=True)
class Deed:
    """What was done, before it has a place in the journal.

    Parameters
    ----------
    action
        One of this module's words: ``stored``, ``restored``, ...
    study, series, sop
        UIDs of the instance; empty where the deed is about none.
    digest
        SHA-256 of the object's file.
    size
        Its bytes.
    source
        SHA-256 of the camera file that it was made from, empty if there is none.
    note
        Counts, who confirmed what, and the like; nothing that identifies a patient.
    who
        Who did it; empty for whoever has the archive open.
    """

    action: str
    study: str = ""
    series: str = ""
    sop: str = ""
    digest: str = ""
    size: int = 0
    source: str = ""
    note: str = ""
    who: str = ""


@dataclass(frozen=True)
class JournalEntry(Deed):
    """A line of the journal."""

    seq: int = 0
    time: str = ""
    previous: str = ROOT_HASH
    hash: str = ""


@dataclass(frozen=True)
class Position:
    """A place between two lines: the line before it and the offset in bytes."""

    seq: int = 0
    hash: str = ROOT_HASH
    offset: int = 0


START = Position()


@dataclass(frozen=True)
class Line:
    """A line as it was found.

    Parameters
    ----------
    entry
        None if the line cannot be read.
    after
        The position behind it; where the line cannot be read its hash is empty.
    problem
        What is wrong with it, None for a good line.
    torn
        True for a last line without its line end.
    raw
        The bytes, without the line end.
    """

    entry: JournalEntry | None
    after: Position
    problem: Problem | None
    torn: bool
    raw: bytes


def canonical(fields: dict[str, Any]) -> bytes:
    """Return a line as it is written and hashed, without the line end."""
    return json.dumps(fields, sort_keys=True, separators=(",", ":"), ensure_ascii=True).encode()


def own_hash(fields: dict[str, Any]) -> str:
    """Return the hash of a line, whether it has one already or not."""
    return hashlib.sha256(canonical({k: v for k, v in fields.items() if k != "hash"})).hexdigest()


def parsed(raw: bytes) -> tuple[JournalEntry | None, Problem | None]:
    """Return the entry and what is wrong with the line taken by itself."""
    try:
        fields = json.loads(raw)
        known = {k: fields[k] for k in JournalEntry.__dataclass_fields__}
        entry = JournalEntry(**known)
    except (ValueError, KeyError, TypeError, RecursionError):
        return None, Problem("archive.journal.bad_line")
    sound = all(isinstance(v, int if k in ("seq", "size") else str) for k, v in known.items())
    if not sound:
        return None, Problem("archive.journal.bad_line")
    if canonical(fields) != raw:
        return entry, Problem("archive.journal.other_form")
    if own_hash(fields) != entry.hash:
        return entry, Problem("archive.journal.other_hash")
    return entry, None


def read_lines(path: Path, start: Position = START) -> Iterator[Line]:
    """Read the journal from a position on, checking each line and its link to the one before.

    A bad line does not end the reading: the chain is taken up again behind it, so that one
    fault is told once.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    with path.open("rb") as file:
        file.seek(start.offset)
        before = start
        for raw_line in file:
            torn = not raw_line.endswith(b"\n")
            raw = raw_line if torn else raw_line[:-1]
            entry, wrong = parsed(raw)
            seq = before.seq + 1
            if entry is not None and not wrong:
                if entry.seq != seq:
                    wrong = Problem("archive.journal.other_number", number=entry.seq)
                    seq = entry.seq
                elif before.hash and entry.previous != before.hash:
                    wrong = Problem("archive.journal.does_not_follow")
            if torn and not wrong:
                wrong = Problem("archive.journal.no_line_end")
            after = Position(seq, entry.hash if entry else "", before.offset + len(raw_line))
            problem = wrong.at(file=path.name, line=before.seq + 1) if wrong else None
            yield Line(entry, after, problem, torn, raw)
            before = after


def entries_of(path: Path, actions: Collection[str]) -> Iterator[JournalEntry]:
    """Yield the lines with one of some actions that are sound by themselves.

    Only these are read in full; that none is missing or inserted the chain shows.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    marks = [f'{{"action":"{action}"'.encode() for action in actions]
    with path.open("rb") as file:
        for raw in file:
            if any(raw.startswith(mark) for mark in marks):
                entry, wrong = parsed(raw.removesuffix(b"\n"))
                if entry is not None and not wrong:
                    yield entry


def verify_chain(path: Path) -> list[Problem]:
    """Return what is wrong with the journal, line by line; empty for a whole chain."""
    try:
        return [line.problem for line in read_lines(path) if line.problem]
    except OSError as error:
        return [Problem("archive.journal.unreadable", reason=error.strerror).at(file=path.name)]


def holds_at(path: Path, position: Position) -> bool:
    """Return whether the line that ends at the position is the one that the position names."""
    if position == START:
        return True
    with path.open("rb") as file:
        begin = max(0, position.offset - LONGEST_LINE)
        file.seek(begin)
        before = file.read(position.offset - begin)
    if len(before) != position.offset - begin or not before.endswith(b"\n"):
        return False
    entry, wrong = parsed(before[:-1].rpartition(b"\n")[2])
    return entry is not None and not wrong and entry.hash == position.hash
