"""Which archive this is: a UUID (RFC 9562, version 4) that it is given once and keeps.

A folder's name says little: the volume that belongs there may not be mounted, or another one may
be. Settings that name the identity are never applied to another archive. A copy has the identity
of what it is a copy of. An archive from before there were identities is given one with the first
line that is written to its journal.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from uuid import UUID, uuid4

from archiver.archive.store.durable import translated, write_once
from archiver.archive.store.schema import Schema, unchanged
from archiver.errors import ArchiveError, IntegrityError, Problem
from archiver.wording import Text

FILE = "identity"
#: A version and the UUID.
SCHEMA: Schema[str] = Schema(Text("archive.schema.identity"), (unchanged,))


def identity_of(root: Path) -> UUID | None:
    """Return the identity of an archive, None where it has not been given one yet.

    Raises
    ------
    ArchiveError
        If it is of a newer version.
    IntegrityError
        If the file is damaged.
    OSError
        If it cannot be read.
    """
    path = root / FILE
    try:
        version, _, uuid = path.read_bytes().decode("ascii", "replace").partition(" ")
    except FileNotFoundError:
        return None
    try:
        return UUID(SCHEMA.upgraded(uuid.strip(), int(version), path))
    except ValueError:
        raise IntegrityError(Problem("archive.identity.damaged").at(file=str(path))) from None


def give_identity(root: Path, new: Callable[[], UUID] = uuid4) -> None:
    """Give an archive its identity, where it has none; the caller holds its writer lock."""
    if not (root / FILE).exists():
        write_once(root / FILE, f"{SCHEMA.version} {new()}\n".encode("ascii"))


def demand_identity(root: Path, wanted: UUID) -> None:
    """Refuse an archive that is not the one that is meant.

    Raises
    ------
    ArchiveError
        If it has another identity, or none.
    """
    with translated(Text("archive.archive.not_opened"), root):
        found = identity_of(root)
    if found != wanted:
        shown = str(found) if found else Text("archive.identity.none")
        problem = Problem("archive.identity.other", found=shown, wanted=str(wanted))
        raise ArchiveError(problem.at(file=str(root)))
