"""A session shown before anything of it is archived, with the codes that a confirmation names."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from archiver.archive.ingest import IngestSettings, WrappedSession
from archiver.archive.ingest import wrap as ingest
from archiver.archive.store import Archive
from archiver.objects import Session
from archiver.sheets import write_contact_sheet


@dataclass(frozen=True)
class ReviewedSession:
    """A session as it would be archived.

    Parameters
    ----------
    wrapped
        What would become of it.
    pictures
        The files that show it.
    """

    wrapped: WrappedSession
    pictures: tuple[Path, ...]


def review(session: Session, settings: IngestSettings, path: Path) -> ReviewedSession:
    """Draw a session as it would be archived; nothing of it is.

    Its objects are made in a folder that is removed again, so that every picture and every letter
    at its edges is what `wrap` would keep.

    Parameters
    ----------
    path
        A PNG file; for several pages their numbers are put behind its name.

    Raises
    ------
    ArchiveError
        If the file, or the folder of the system for what is temporary, cannot be written.
    """
    with (
        TemporaryDirectory(prefix="archiver-review-") as folder,
        Archive.create(Path(folder) / "archive", actor="review") as archive,
    ):
        wrapped = ingest(archive, session, settings)
        pictures = write_contact_sheet(session, wrapped.photographs, path)
    return ReviewedSession(wrapped, tuple(pictures))
