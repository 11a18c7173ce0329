"""What a session says of who confirmed a side: taken only with the code of what is shown."""

from __future__ import annotations

from dataclasses import replace

from archiver.errors import MeaningError, Problem
from archiver.objects import Photograph, Witnessed, refuse_other


def as_seen(entry: Photograph, seen: Witnessed) -> tuple[Photograph, tuple[Problem, ...]]:
    """Return an entry without its confirmation where that is of something else than is shown."""
    if not entry.confirmed_by:
        return entry, ()
    try:
        refuse_other(seen, entry.shown)
    except MeaningError as error:
        why = error.problems[0]
        return unconfirmed(entry), (
            Problem("archive.session_ingest.unconfirmed", by=entry.confirmed_by, why=why),
        )
    return entry, ()


def unconfirmed(entry: Photograph) -> Photograph:
    return replace(entry, confirmed_by="", shown="", confirmed_at=None)
