"""Commitment reports that this node owes, each a small file until its peer has taken it.

A peer that was told that its request is taken waits for the report (PS3.4 J.3.3). So the request
is on the disk before it is answered, and what a stop, a kill or a deaf peer left over is reported
after the next start. Lies in the archive's folder, beside the outbox, for like the outbox it
can be made again from nothing else.
"""

from __future__ import annotations

import hashlib
import json
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from archiver.archive.store import (
    Fields,
    Schema,
    flush_folder,
    mark_fields,
    read_fields,
    unchanged,
    write_whole,
)
from archiver.wording import Text

FOLDER = "commitments"
SCHEMA: Schema[Fields] = Schema(Text("archive.schema.owed_report"), (unchanged,))


@dataclass(frozen=True)
class Reference:
    """An instance that a peer wants to know safe."""

    sop_class: str
    sop_instance: str


@dataclass(frozen=True)
class PendingReport:
    """A report that is owed.

    Parameters
    ----------
    caller
        Title of the application that asked.
    transaction
        Its UID.
    references
        What the report has to tell of.
    since
        When it was asked for.
    """

    caller: str
    transaction: str
    references: tuple[Reference, ...]
    since: datetime

    @property
    def name(self) -> str:
        """Name of its file; titles and transactions can hold what a name of a file cannot."""
        key = json.dumps([self.caller, self.transaction])
        return hashlib.sha256(key.encode()).hexdigest()[:40] + ".json"


class Debts:
    """The reports that are owed, in the folder of an archive.

    Parameters
    ----------
    archive
        Its folder.
    """

    def __init__(self, archive: Path) -> None:
        self._folder = archive / FOLDER

    def note(self, owed: PendingReport) -> None:
        """Write down that a report is owed; flushed when this returns.

        Raises
        ------
        OSError
            If the disk refuses.
        """
        if not self._folder.is_dir():
            self._folder.mkdir(exist_ok=True)
            flush_folder(self._folder.parent)
        told = {
            "caller": owed.caller,
            "transaction": owed.transaction,
            "since": owed.since.isoformat(),
            "references": [[one.sop_class, one.sop_instance] for one in owed.references],
        }
        path = self._folder / owed.name
        part = path.with_suffix(".part")
        part.unlink(missing_ok=True)
        write_whole(part, [json.dumps(mark_fields(SCHEMA, told)).encode()])
        part.replace(path)
        flush_folder(self._folder)

    def settle(self, owed: PendingReport) -> None:
        """Strike a report that its peer has taken, or that nobody can take any more."""
        # Not flushed: a report that comes twice does no harm.
        with suppress(OSError):
            (self._folder / owed.name).unlink()

    def all(self) -> list[PendingReport]:
        """Return what is owed, oldest first; what cannot be read is left out.

        Raises
        ------
        ArchiveError
            If one is of a newer version.
        """
        found = []
        for path in self._folder.glob("*.json"):
            with suppress(OSError, ValueError, KeyError, TypeError):
                told = read_fields(SCHEMA, dict(json.loads(path.read_bytes())), path)
                references = tuple(Reference(str(a), str(b)) for a, b in told["references"])
                since = datetime.fromisoformat(told["since"])
                caller, transaction = str(told["caller"]), str(told["transaction"])
                found.append(PendingReport(caller, transaction, references, since))
        return sorted(found, key=lambda owed: owed.since)
