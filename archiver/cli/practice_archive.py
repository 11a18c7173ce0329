"""The archive that a verb works on: which one is meant, and that it is that one."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.cli.command import Options
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.archive.store import Archive
    from archiver.cli.settings import PracticeSettings


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
    """Open an archive that `writable_folder` has returned."""
    from archiver.archive.store import Archive
    from archiver.cli.context import actor, now

    return Archive.open(folder, create=False, clock=now, actor=actor())
