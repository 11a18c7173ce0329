"""The journal, open for appending; its lines are those of `journal_lines`."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path

from archiver.archive.store.journal_lines import (
    COMPLETED,
    CREATED,
    CUT,
    LONGEST_TEXT,
    ROOT_HASH,
    START,
    WITH_STATEMENTS,
    Deed,
    JournalEntry,
    Line,
    Position,
    canonical,
    holds_at,
    own_hash,
    parsed,
    read_lines,
)
from archiver.errors import ArchiveError, IntegrityError, Problem

_BINARY = getattr(os, "O_BINARY", 0)


class Journal:
    """The journal, open for appending by the process that holds the writer lock.

    Parameters
    ----------
    path
        The file; made if it is not there.
    end
        The position behind the last line, as `read_lines` gave it.
    """

    def __init__(self, path: Path, end: Position) -> None:
        self.path = path
        self.end = end
        self._handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND | _BINARY, 0o644)
        self._broken = False

    def append(self, deeds: Sequence[Deed], *, time: datetime, who: str) -> list[JournalEntry]:
        """Append a line for each deed, and flush them together.

        If that fails the file is cut back to what it was.

        Raises
        ------
        OSError
            As the system raised it; nothing was appended.
        IntegrityError
            If an earlier failure could not be undone.
        """
        if self._broken:
            raise IntegrityError(Problem("archive.journal.not_mended").at(file=str(self.path)))
        entries: list[JournalEntry] = []
        lines: list[bytes] = []
        end = self.end
        for deed in deeds:
            fields = {
                **asdict(deed),
                "note": deed.note[:LONGEST_TEXT],
                "seq": end.seq + 1,
                "time": time.isoformat(timespec="milliseconds"),
                "who": (deed.who or who)[:LONGEST_TEXT],
                "previous": end.hash or ROOT_HASH,
            }
            fields["hash"] = own_hash(fields)
            line = canonical(fields) + b"\n"
            entries.append(JournalEntry(**fields))
            lines.append(line)
            end = Position(end.seq + 1, fields["hash"], end.offset + len(line))
        self._write(b"".join(lines))
        self.end = end
        return entries

    def _write(self, text: bytes) -> None:
        try:
            rest = memoryview(text)
            while rest:
                rest = rest[os.write(self._handle, rest) :]
            # Data and length of the file; its times may follow, which takes the disk longer.
            getattr(os, "fdatasync", os.fsync)(self._handle)
        except BaseException:
            self.cut_back()
            raise

    def cut_back(self) -> bool:
        """Cut the file back to the position behind the last good line.

        Returns
        -------
        bool
            False if the system did not let us; nothing more can be appended then.
        """
        try:
            os.ftruncate(self._handle, self.end.offset)
            os.fsync(self._handle)
        except OSError:
            self._broken = True
        return not self._broken

    def complete(self) -> None:
        """Give a last line that is whole the line end that it lacks.

        `end` counts that byte already.
        """
        os.write(self._handle, b"\n")
        os.fsync(self._handle)

    def close(self) -> None:
        """Close the file."""
        os.close(self._handle)


def open_journal(
    path: Path,
    applied: Position,
    *,
    time: datetime,
    who: str,
    faults: list[Problem] | None = None,
) -> tuple[Journal, list[JournalEntry]]:
    """Open the journal for writing and return the entries behind a position.

    A last line that a kill tore off is cut away (or, if only its line end is missing, given
    that), and what was done about it is written into the journal itself.

    Parameters
    ----------
    applied
        What the index has taken in.
    faults
        Where given, damaged lines are told here and passed over.

    Raises
    ------
    IntegrityError
        If lines behind the position are damaged and `faults` is None, or the journal does not
        hold the position.
    OSError
        As the system raised it.
    """
    beyond: list[JournalEntry] = []
    end = applied
    torn: Line | None = None
    if path.exists():
        _demand_position(path, applied)
        for line in read_lines(path, applied):
            if line.torn:
                torn = line
                break
            if line.problem and faults is None:
                raise IntegrityError(_with_hint(line.problem))
            if line.problem and faults is not None:
                faults.append(line.problem)
            if line.entry is not None:
                beyond.append(line.entry)
            end = line.after
    elif applied != START:
        raise IntegrityError(_with_hint(Problem("archive.journal.missing").at(file=str(path))))
    journal = Journal(path, end)
    deeds = [] if end.offset or torn else [Deed(CREATED, note=WITH_STATEMENTS)]
    try:
        if torn is not None:
            deeds.append(_mend(journal, torn, beyond))
        if deeds:
            beyond += journal.append(deeds, time=time, who=who)
    except (OSError, ArchiveError):
        journal.close()
        raise
    return journal, beyond


def _demand_position(path: Path, applied: Position) -> None:
    if not holds_at(path, applied):
        raise IntegrityError(
            _with_hint(Problem("archive.journal.shorter_than_index").at(file=str(path)))
        )


def _with_hint(problem: Problem) -> Problem:
    broken = Problem("archive.journal.broken", what=problem.with_places())
    return broken.with_places(*problem.places)


def _mend(journal: Journal, torn: Line, beyond: list[JournalEntry]) -> Deed:
    """Complete or cut away the last line, and return the deed that tells of it."""
    entry, wrong = parsed(torn.raw)
    follows = entry and entry.seq == journal.end.seq + 1 and entry.previous == journal.end.hash
    if entry is not None and not wrong and follows:
        journal.complete()
        journal.end = Position(entry.seq, entry.hash, torn.after.offset + 1)
        beyond.append(entry)
        return Deed(COMPLETED, note="the line end of the line before was missing")
    if not journal.cut_back():
        raise IntegrityError(Problem("archive.journal.torn_line").at(file=str(journal.path)))
    return Deed(
        CUT,
        digest=hashlib.sha256(torn.raw).hexdigest(),
        size=len(torn.raw),
        note="a torn last line was cut away",
    )
