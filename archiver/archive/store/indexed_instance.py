"""An instance and its file as the index has them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from archiver.objects import Description


@dataclass(frozen=True)
class IndexedInstance:
    """An instance as the archive keeps it.

    Parameters
    ----------
    description
        What the object says.
    path
        Relative to the archive, with forward slashes.
    size
        Bytes of the file.
    digest
        SHA-256 of the file.
    source_digest
        SHA-256 of the camera file, None if there is none.
    journal_seq
        The line of the journal that tells of it.
    added
        Time of that line, ISO 8601.
    """

    description: Description
    path: str
    size: int
    digest: str
    source_digest: str | None
    journal_seq: int
    added: str


@dataclass(frozen=True)
class HeldFile:
    """What the index knows of an instance's file."""

    sop_instance_uid: str
    path: str
    digest: str
    size: int
    journal_seq: int
    study_uid: str
