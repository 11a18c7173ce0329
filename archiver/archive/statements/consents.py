"""What patients have consented to: for which purpose, noted by whom, until when, withdrawn.

Kept in ``<archive>/consents.jsonl``, which only grows. The journal tells of each line without
the patient: a keyed digest of the line and the purpose.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from archiver.archive.query import Query
from archiver.archive.statements import jsonl_log
from archiver.archive.store.archive import Archive
from archiver.archive.store.journal import Deed
from archiver.archive.store.schema import Fields, Schema
from archiver.archive.store.secret import keyed
from archiver.errors import InputError, Problem
from archiver.objects import Purpose, Session
from archiver.wording import Text

FILE = "consents.jsonl"


def _with_said_on(line: Fields) -> Fields:
    return {"said_on": None, **line}


SCHEMA = Schema(Text("archive.schema.consents"), (_with_said_on,))
GIVEN, WITHDRAWN = "given", "withdrawn"


@dataclass(frozen=True)
class Consent:
    """What was last noted of one patient and purpose.

    Parameters
    ----------
    patient_id, issuer
        Whose consent.
    state
        ``given`` or ``withdrawn``.
    noted_by
        Who noted it.
    noted_at
        When, ISO 8601.
    until
        Last day on which it holds; None for no end.
    said_on
        Day of the visit whose sheet said so; None where a person noted it by itself.
    """

    patient_id: str
    issuer: str
    purpose: Purpose
    state: str
    noted_by: str
    noted_at: str
    until: date | None = None
    said_on: date | None = None

    @property
    def as_of(self) -> date:
        """The day as of which it holds."""
        return self.said_on or datetime.fromisoformat(self.noted_at).date()

    def against(self, day: date) -> Text | None:
        """Say why it does not hold on a day; None if it does."""
        if self.state == WITHDRAWN:
            return Text("archive.consents.withdrawn", on=self.noted_at[:10], by=self.noted_by)
        if self.until is not None and day > self.until:
            return Text("archive.consents.ended", on=self.until)
        return None


def patient_of(archive: Archive, patient_id: str, issuer: str | None) -> tuple[str, str]:
    """Return identifier and issuer of one patient of the archive.

    Parameters
    ----------
    issuer
        None where it is not said; then there must be one only.

    Raises
    ------
    InputError
        If the archive has no such patient, or several.
    """
    asked = Query(patient_id=patient_id, issuer=issuer, include_rejected=True)
    records = archive.query(asked)
    issuers = sorted({record.issuer for record in records})
    if not issuers:
        if not issuer:
            raise InputError(Problem("archive.consents.no_patient", patient=repr(patient_id)))
        named = {"patient": repr(patient_id), "issuer": repr(issuer)}
        raise InputError(Problem("archive.consents.no_patient_of_issuer", **named))
    if len(issuers) > 1:
        several = tuple(repr(one) for one in issuers)
        raise InputError(
            Problem("archive.consents.several_issuers", patient=repr(patient_id), issuers=several)
        )
    return patient_id, issuers[0]


def consents_of(root: Path, patient_id: str, issuer: str = "") -> list[Consent]:
    """Return what was last noted of a patient, a consent for each purpose, in their order.

    Raises
    ------
    ArchiveError
        If the notes cannot be read.
    IntegrityError
        If a line of them is damaged.
    """
    last = {one.purpose: one for one in _noted(root, (patient_id, issuer))}
    return [last[purpose] for purpose in Purpose if purpose in last]


def _noted(root: Path, patient: tuple[str, str]) -> list[Consent]:
    """Return everything that was ever noted of a patient, the earliest first."""
    every = jsonl_log.read(root / FILE, SCHEMA, _consent)
    return [one for one in every if (one.patient_id, one.issuer) == patient]


def _consent(line: Fields) -> Consent:
    words = {k: str(line[k]) for k in ("patient_id", "issuer", "state", "noted_by", "noted_at")}
    if words["state"] not in (GIVEN, WITHDRAWN):
        raise ValueError
    datetime.fromisoformat(words["noted_at"])
    return Consent(
        purpose=Purpose(line["purpose"]),
        until=_day(line["until"]),
        said_on=_day(line["said_on"]),
        **words,
    )


def _day(words: object) -> date | None:
    return date.fromisoformat(words) if isinstance(words, str) else None


def demand(root: Path, patient: tuple[str, str], purpose: Purpose, day: date) -> Consent:
    """Return the consent of a patient for a purpose that holds on a day.

    Parameters
    ----------
    patient
        Identifier and its issuer.

    Raises
    ------
    InputError
        If there is none: never given, ended, or withdrawn.
    """
    found = [one for one in consents_of(root, *patient) if one.purpose is purpose]
    wrong = found[0].against(day) if found else Text("archive.consents.not_on_record")
    if wrong:
        raise InputError(Problem("archive.consents.not_given", purpose=purpose, wrong=wrong))
    return found[0]


def note(
    archive: Archive,
    patient: tuple[str, str],
    purpose: Purpose,
    *,
    by: str,
    now: datetime,
    until: date | None = None,
    state: str = GIVEN,
) -> Consent:
    """Note that a patient has given or withdrawn a consent.

    Parameters
    ----------
    archive
        Open for writing.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    one = Consent(*patient, purpose, state, by, now.isoformat(timespec="seconds"), until)
    return _kept(archive, one)


def _kept(archive: Archive, one: Consent) -> Consent:
    end = one.until.isoformat() if one.until is not None else None
    said_on = one.said_on.isoformat() if one.said_on is not None else None
    words = {"purpose": one.purpose.value, "until": end, "said_on": said_on}
    fields = {**one.__dict__, **words}
    line = jsonl_log.line_of(SCHEMA, fields)
    digest = keyed(archive.secret(), "consent", line.decode()).hex()
    told = f"{one.purpose}: {one.state}" + (f", until {end}" if end else "")
    archive.append_line(FILE, SCHEMA, fields, [Deed("consent", digest=digest, note=told)])
    return one


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
    earlier = _noted(archive.layout.root, patient)
    withdrawn = []
    for purpose in said.purposes:
        moment = now.isoformat(timespec="seconds")
        day = session.visit.date
        one = Consent(*patient, purpose, GIVEN, said.noted_by, moment, said.until, day)
        before = [other for other in earlier if other.purpose is purpose]
        if _is_later(one, before):
            _kept(archive, one)
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
