"""What session sheets say of consents, which they say as of their visit."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from archiver.archive.statements.consents import GIVEN, WITHDRAWN, Consent, keep, noted_of
from archiver.archive.store.archive import Archive
from archiver.objects import Session
from archiver.wording import Text


def note_session(archive: Archive, session: Session, now: datetime) -> list[Text]:
    """Note what a session sheet says of consent, unless something later is on record.

    A sheet speaks as of its visit. So one that is run again, or only now, neither takes a
    withdrawal back nor changes what was said after it.

    Returns
    -------
    list
        A line for each purpose whose consent was withdrawn since.
    """
    said = session.consent
    if said is None:
        return []
    patient = (session.patient.id, session.patient.issuer)
    earlier = noted_of(archive.layout.root, patient)
    withdrawn = []
    for purpose in said.purposes:
        moment = now.isoformat(timespec="seconds")
        day = session.visit.date
        one = Consent(*patient, purpose, GIVEN, said.noted_by, moment, said.until, day)
        before = [other for other in earlier if other.purpose is purpose and other.is_general]
        if _is_later(one, before):
            keep(archive, one)
        elif before[-1].state == WITHDRAWN:
            why = before[-1].against(now.date())
            told = Text("archive.consents.stays_withdrawn", purpose=purpose, why=why, day=day)
            withdrawn.append(told)
    return withdrawn


def _is_later(one: Consent, before: Sequence[Consent]) -> bool:
    """Return whether what a sheet says comes after what is on record."""
    if not before:
        return True
    if one.as_of != before[-1].as_of or before[-1].state == WITHDRAWN:
        return one.as_of > before[-1].as_of and not _alike(one, before[-1])
    return not any(_alike(one, other) for other in before)


def _alike(one: Consent, other: Consent) -> bool:
    """Return whether two say the same, whenever they were said."""
    return (one.state, one.noted_by, one.until) == (other.state, other.noted_by, other.until)
