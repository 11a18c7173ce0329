"""An archive for the verbs of a test, which make none themselves."""

from __future__ import annotations

from pathlib import Path

from archiver.archive.store.archive import Archive


def new_archive(folder: Path) -> Path:
    """Make an archive, as ``archiver init`` does, where there is none yet; return its folder."""
    if not (folder / "FORMAT").exists():
        Archive.create(folder).close()
    return folder
