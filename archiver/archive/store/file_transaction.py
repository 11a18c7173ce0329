"""Bringing the files of a batch to their places, or undoing it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.archive.store.durable import (
    Buffer,
    Written,
    digest_parts,
    flush_folder,
    move,
    write_whole,
)
from archiver.archive.store.layout import Layout
from archiver.errors import Problem

if TYPE_CHECKING:
    from archiver.objects import Description


class Outcome(str, Enum):
    """What became of something that was handed in: the one vocabulary for it.

    A CONFLICT has the identity of something that is kept and other content; what is kept stays.
    What is QUARANTINED is kept aside until a person has decided; what is REFUSED is not kept.
    """

    NEW = "new"
    SAME = "same"
    CONFLICT = "conflict"
    QUARANTINED = "quarantined"
    REFUSED = "refused"


class OnDoubt(str, Enum):
    """What is done with an instance that names somebody else than its identifier or study.

    TAKE where nobody can be asked: it is kept, marked and told; QUARANTINE where what is brought
    can be looked at again; REFUSE where whoever brings it can say who it is.
    """

    TAKE = "take"
    QUARANTINE = "quarantine"
    REFUSE = "refuse"


@dataclass(frozen=True)
class Aside:
    """A file that lies, whole and flushed, in the archive's own folder of temporary files.

    Parameters
    ----------
    path
        Moved to its place if the instance is new; stays where it is if it is not.
    written
        Digest and size of what is in it.
    """

    path: Path
    written: Written


@dataclass(frozen=True)
class Incoming:
    """An instance to be kept.

    Parameters
    ----------
    description
        What the object says; the same as its file read again would say.
    parts
        Buffers that together are the whole file, from preamble to end. They may be gone
        through twice.
    source_sha256
        Digest of the camera file that it was made from.
    source_name
        What messages call it. It is not kept: names of files can be names of people.
    aside
        Where the file has been written already; `parts` are not looked at then.
    origin
        For the journal: from where it came, or who confirmed it; nothing that identifies a
        patient.
    on_doubt
        What is done where it names somebody else than the archive.
    by
        Who brought it, for the journal; empty for whoever has the archive open.
    may_reject
        Whether who brought it may reject: only then does a rejection note count.
    """

    description: Description
    parts: Iterable[Buffer] = ()
    source_sha256: str | None = None
    source_name: str | None = None
    aside: Aside | None = None
    origin: str = ""
    on_doubt: OnDoubt = OnDoubt.TAKE
    by: str = ""
    may_reject: bool = False

    def digest(self) -> Written:
        """Return digest and size of the file."""
        return self.aside.written if self.aside else digest_parts(self.parts)


@dataclass(frozen=True)
class Stored:
    """What became of an instance.

    Parameters
    ----------
    path
        Where the instance with this UID is kept.
    sha256
        Digest of what was handed in.
    problem
        The conflict, or whom it contradicts where it is not among the objects for that; else None.
    doubt
        Whom an instance contradicts that is kept all the same; None where it is nobody.
    differing
        Of a conflict: the attributes in which it differs from what is kept, by keyword or tag;
        empty where one of the two cannot be read.
    """

    sop_instance_uid: str
    outcome: Outcome
    path: Path
    sha256: str
    problem: Problem | None = None
    doubt: Problem | None = None
    differing: tuple[str, ...] = ()


#: Folders that are remembered as flushed; one that is forgotten is flushed once more.
_REMEMBERED = 10_000


class Placement:
    """The files of one batch on their way: written aside, then moved to their places.

    Parameters
    ----------
    layout
        Of the archive.
    flushed
        Folders whose own names are known to be on the disk; grows, within a bound.
    """

    def __init__(self, layout: Layout, flushed: set[Path]) -> None:
        self._layout = layout
        self._flushed = flushed
        self._waiting: list[tuple[Path, Path]] = []
        self._placed: list[Path] = []
        self._made: list[Path] = []

    def write(self, relative: str, one: Incoming) -> Written:
        """Write one file aside and flush it, where that has not been done already.

        Raises
        ------
        OSError
            As the system raised it.
        """
        if one.aside is not None:
            self._waiting.append((one.aside.path, self._layout.path_of(relative)))
            return one.aside.written
        aside = self._layout.temporary / f"{len(self._waiting)}.part"
        written = write_whole(aside, one.parts)
        self._waiting.append((aside, self._layout.path_of(relative)))
        return written

    def aside_of(self, relative: str) -> Path:
        """Return where a file lies that was written for a place."""
        final = self._layout.path_of(relative)
        return next(aside for aside, place in self._waiting if place == final)

    @contextmanager
    def file_of(self, one: Incoming) -> Iterator[Path]:
        """Lend an instance as a file that is not kept.

        Raises
        ------
        OSError
            As the system raised it.
        """
        if one.aside is not None:
            yield one.aside.path
            return
        lent = self._layout.temporary / "compared.part"
        write_whole(lent, one.parts)
        try:
            yield lent
        finally:
            lent.unlink(missing_ok=True)

    def place(self) -> None:
        """Move all files to their places and flush the folders.

        Raises
        ------
        OSError
            As the system raised it; call `undo`.
        """
        folders = []
        for aside, final in self._waiting:
            if final.parent not in folders:
                folders.append(final.parent)
                self._make_folders(final.parent)
            move(aside, final)
            self._placed.append(final)
        for folder in folders:
            flush_folder(folder)
            # A folder may stand from an earlier run that was killed before it was flushed.
            above = [a for a in (folder, folder.parent) if a not in self._flushed]
            for one in above:
                flush_folder(one.parent)
            if len(self._flushed) > _REMEMBERED:
                self._flushed.clear()
            self._flushed.update(above)

    def _make_folders(self, folder: Path) -> None:
        for one in (folder.parent, folder):
            with suppress(FileExistsError):
                one.mkdir()
                self._made.append(one)

    def undo(self) -> None:
        """Remove what was written, as far as the system lets us; never raises OSError."""
        for path in [aside for aside, _ in self._waiting] + self._placed:
            with suppress(OSError):
                path.unlink(missing_ok=True)
        for folder in reversed(self._made):
            with suppress(OSError):
                folder.rmdir()
            self._flushed.discard(folder)
