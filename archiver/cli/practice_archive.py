"""The archive that a verb works on: which one is meant, and that it is that one."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from archiver.cli.command import Options
from archiver.errors import ArchiveError
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.archive.store import Archive
    from archiver.cli.settings import PracticeSettings
    from archiver.service import ServedArchive

T = TypeVar("T")
_IN_SERVICE = "archive.writer_lock.in_service"
#: What a second writer is told.
_TAKEN = (_IN_SERVICE, "archive.writer_lock.taken_by", "archive.writer_lock.taken")
#: How long a server that does not answer yet is waited for (seconds).
_STARTING = 3.0


def writable_folder(
    options: Options, practice: PracticeSettings, *, may_be_new: bool = False
) -> Path:
    """Return the folder of the archive that a verb is to write to.

    Parameters
    ----------
    may_be_new
        Whether the user's own archive, which nobody has to name, is made the first time.

    Raises
    ------
    ArchiveError
        If it is no archive, or not the one that the settings name.
    """
    from archiver.archive.store import Archive, Layout, demand_identity
    from archiver.cli.context import actor, now

    folder: Path = options.archive or practice.archive
    is_own = options.archive is None and not practice.names_archive
    if may_be_new and is_own and not folder.exists():
        Archive.create(folder, clock=now, actor=actor()).close()
        print(words_of()("cli.init.own", folder=folder), file=sys.stderr)
    layout = Layout(folder.absolute())
    layout.check_mark()
    if practice.identity is not None:
        demand_identity(layout.root, practice.identity)
    return folder


def open_for_writing(folder: Path) -> Archive:
    """Open an archive that `writable_folder` has returned, or reach the process that serves it.

    Raises
    ------
    ArchiveError
        If another process writes that serves nobody, or the disk refuses.
    """
    from archiver.archive.store import Archive
    from archiver.cli.context import actor, now

    def opened() -> Archive:
        return Archive.open(folder, create=False, clock=now, actor=actor())

    return alone_or_served(folder, opened, lambda served: served)


def alone_or_served(
    folder: Path, alone: Callable[[], T], by_server: Callable[[ServedArchive], T]
) -> T:
    """Do something that writes in this process, or have it done by the one that serves the archive.

    Which of them may write is for the archive's lock to say. A server that is starting, or has
    just ended, is waited for.
    """
    from archiver.cli.context import actor
    from archiver.service import ServedArchive

    until = time.monotonic() + _STARTING
    while True:
        try:
            return alone()
        except ArchiveError as error:
            if error.problems[0].code not in _TAKEN:
                raise
            served = ServedArchive.reach(folder, actor=actor())
            if served is not None:
                return by_server(served)
            if error.problems[0].code != _IN_SERVICE or time.monotonic() > until:
                raise
        time.sleep(0.1)
