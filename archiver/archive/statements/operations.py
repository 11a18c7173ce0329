"""When the archive was last backed up and audited, for who watches over it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.archive.statements import jsonl_log
from archiver.archive.store.journal_lines import Deed
from archiver.archive.store.schema import Fields, Schema, unchanged
from archiver.wording import Text

if TYPE_CHECKING:
    from archiver.archive.store.archive import Archive

FILE = OPERATIONS = "operations.jsonl"
SCHEMA: Schema[Fields] = Schema(Text("archive.schema.operations"), (unchanged,))


class OperationKind(str, Enum):
    """What was done, in the journal's words."""

    BACKUP = "backed-up"
    AUDIT = "audited"


@dataclass(frozen=True)
class Operation:
    """Something that was done for the archive as a whole.

    Parameters
    ----------
    time
        When it began, ISO 8601.
    sound
        Whether it found nothing wrong.
    note
        Counts; nothing that identifies a patient.
    """

    kind: OperationKind
    time: str
    sound: bool
    note: str

    @property
    def began(self) -> datetime:
        """When it began."""
        return datetime.fromisoformat(self.time)


def note_operation(archive: Archive, done: Operation) -> None:
    """Note that something was done.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    deeds = [Deed(done.kind.value, note=done.note)]
    archive.append_line(FILE, SCHEMA, {**asdict(done), "kind": done.kind.value}, deeds)


def last_operations(root: Path) -> dict[OperationKind, Operation]:
    """Return what was done last, of each kind.

    Raises
    ------
    ArchiveError
        If it cannot be read.
    """
    return {one.kind: one for one in jsonl_log.read(root / FILE, SCHEMA, _operation)}


def _operation(fields: Fields) -> Operation:
    if datetime.fromisoformat(fields["time"]).tzinfo is None:
        raise ValueError
    return Operation(
        OperationKind(fields["kind"]),
        str(fields["time"]),
        bool(fields["sound"]),
        str(fields["note"]),
    )
