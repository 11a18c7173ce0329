"""A session wrapped: what its sheet says of consent is noted, then its photographs are kept."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass

from archiver.archive.ingest.patient_check import check_patient
from archiver.archive.ingest.session_ingest import IngestSettings, take_in
from archiver.archive.ingest.wrapped_photograph import WrappedPhotograph
from archiver.archive.statements.consents import note_session
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Outcome
from archiver.errors import Problem
from archiver.objects import Session
from archiver.wording import Text


@dataclass(frozen=True)
class WrappedSession:
    """What became of a session.

    Parameters
    ----------
    photographs
        What became of each, in the session's order.
    withdrawn
        A line for each consent that the session speaks of and that was withdrawn since.
    notes
        What should be looked at about the patient: a name or an identifier written otherwise.
    """

    photographs: tuple[WrappedPhotograph, ...]
    withdrawn: tuple[Text, ...] = ()
    notes: tuple[Problem, ...] = ()

    def count(self, status: Outcome) -> int:
        """Return how many photographs became this."""
        return sum(one.status is status for one in self.photographs)


def wrap(
    archive: Archive,
    session: Session,
    settings: IngestSettings,
    *,
    progress: Callable[[WrappedPhotograph], None] | None = None,
) -> WrappedSession:
    """Make DICOM instances of the photographs of a session and keep them.

    Each becomes an instance as shot and, where a mirror, a turn or a crop asks for it, a second
    one that is the right way round. A photograph that cannot be taken stops no other; the same
    session wrapped again adds nothing.

    Parameters
    ----------
    archive
        Open for writing.
    session
        Read from a sheet by `archiver.objects.read_sheet`, or put together.
    settings
        The clock, what is done at incomplete blocks, and limits.
    progress
        Told what became of each photograph once it is kept or refused; what it raises ends the
        work, and what was told is kept.

    Raises
    ------
    InputError
        If the patient's identifier is known under another name, birth date or sex, or the study
        holds another patient, and the session does not say who has looked. Nothing is kept then.
    ArchiveError
        If the archive cannot be written. Photographs told before are kept.

    Examples
    --------
    >>> from datetime import date, datetime
    >>> from pathlib import Path
    >>> from archiver import Archive, IngestSettings, Patient, Photograph, Session, View, Visit
    >>> from archiver import parse_teeth, wrap
    >>> teeth = parse_teeth("iso:25")
    >>> shot = Photograph(Path("IMG_0101.JPG"), View.OCCLUSAL, mirror=True, teeth=teeth)
    >>> session = Session(Patient("P-0417"), Visit(date(2026, 3, 4)), (shot,))
    >>> settings = IngestSettings(now=lambda: datetime.now().astimezone())
    >>> with Archive.open(Path("photographs"), actor="liv") as archive:
    ...     for one in wrap(archive, session, settings).photographs:
    ...         one.status.value, [kept.role for kept in one.instances]
    ('new', ['original', 'derived'])
    """
    notes = check_patient(archive, session, settings)
    withdrawn = note_session(archive, session, settings.now())
    photographs: list[WrappedPhotograph] = []
    # Closed, it lets go of what is under way where it is not asked for more.
    with closing(take_in(session, archive, settings)) as stream:
        for one in stream:
            photographs.append(one)
            if progress is not None:
                progress(one)
    return WrappedSession(tuple(photographs), tuple(withdrawn), tuple(notes))
