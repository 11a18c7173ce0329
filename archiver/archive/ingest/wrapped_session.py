"""A session wrapped: what its sheet says of consent is noted, then its photographs are kept."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass

from archiver.archive.ingest.patient_check import check_patient
from archiver.archive.ingest.session_ingest import IngestSettings, take_in
from archiver.archive.ingest.wrapped_photograph import WrappedPhotograph
from archiver.archive.statements.sheet_consents import note_session
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

    What weighs them is given by `settings`; `archiver.wrap` weighs the archive's evidence, too, and
    says the rest.
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
