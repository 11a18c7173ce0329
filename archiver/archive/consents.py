"""What patients have consented to: for which purpose, noted by whom, until when, withdrawn.

Kept in ``<archive>/consents.jsonl``, which only grows. The journal tells of each line without
the patient: a keyed digest of the line and the purpose.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from archiver.archive import notebook
from archiver.archive.journal import Deed
from archiver.archive.query import Query
from archiver.archive.secret import keyed, secret_of
from archiver.archive.store import Archive
from archiver.errors import InputError, IntegrityError, Problem
from archiver.objects.purposes import Purpose
from archiver.objects.session import Session

FILE = "consents.jsonl"
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
    """

    patient_id: str
    issuer: str
    purpose: Purpose
    state: str
    noted_by: str
    noted_at: str
    until: date | None = None

    def against(self, day: date) -> str:
        """Say why it does not hold on a day; empty if it does."""
        if self.state == WITHDRAWN:
            return f"was withdrawn (noted {self.noted_at[:10]} by {self.noted_by})"
        if self.until is not None and day > self.until:
            return f"ended on {self.until}"
        return ""


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
        told = f"the archive has no patient {patient_id!r}"
        raise InputError(Problem(told + (f" of issuer {issuer!r}" if issuer else "")))
    if len(issuers) > 1:
        several = ", ".join(repr(one) for one in issuers)
        raise InputError(
            Problem(f"the identifier {patient_id!r} is of several issuers", "", f"one of {several}")
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
    last: dict[Purpose, Consent] = {}
    for number, line in enumerate(notebook.read(root / FILE), 1):
        one = _consent(line, number)
        if (one.patient_id, one.issuer) == (patient_id, issuer):
            last[one.purpose] = one
    return [last[purpose] for purpose in Purpose if purpose in last]


def _consent(line: dict[str, object], number: int) -> Consent:
    try:
        words = {k: str(line[k]) for k in ("patient_id", "issuer", "state", "noted_by", "noted_at")}
        until = line["until"]
        day = date.fromisoformat(until) if isinstance(until, str) else None
        if words["state"] not in (GIVEN, WITHDRAWN):
            raise ValueError
        return Consent(purpose=Purpose(line["purpose"]), until=day, **words)
    except (KeyError, ValueError):
        raise IntegrityError(Problem("the line cannot be read", f"{FILE}, line {number}")) from None


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
    wrong = found[0].against(day) if found else "is not on record"
    if wrong:
        raise InputError(
            Problem(
                f"the patient's consent for the purpose {purpose} {wrong}; nothing is handed over",
                hint="`archiver consent` notes one, and so does [consent] in a session sheet",
            )
        )
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
    root = archive.layout.root
    one = Consent(*patient, purpose, state, by, now.isoformat(timespec="seconds"), until)
    end = until.isoformat() if until is not None else None
    fields = {**one.__dict__, "purpose": purpose.value, "until": end}
    line = notebook.append(root / FILE, fields)
    digest = keyed(secret_of(root), "consent", line.decode()).hex()
    told = f"{purpose}: {state}" + (f", until {end}" if end else "")
    archive.record([Deed("consent", digest=digest, note=told)])
    return one


def note_session(archive: Archive, session: Session, now: datetime) -> list[Consent]:
    """Note what a session sheet says of consent; what is on record already is not noted again."""
    said = session.consent
    if said is None:
        return []
    patient = (session.patient.id, session.patient.issuer)
    there = {
        (one.purpose, one.until)
        for one in consents_of(archive.layout.root, *patient)
        if one.state == GIVEN and one.noted_by == said.noted_by
    }
    return [
        note(archive, patient, purpose, by=said.noted_by, now=now, until=said.until)
        for purpose in said.purposes
        if (purpose, said.until) not in there
    ]
