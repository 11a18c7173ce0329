"""What patients have consented to: for which purpose, visits and recipient, until when; withdrawn.

Kept in ``<archive>/consents.jsonl``, which only grows. The journal tells of each line without
the patient: a keyed digest of the line and the purpose.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from types import MappingProxyType

from archiver.archive.query import Query
from archiver.archive.statements import jsonl_log
from archiver.archive.store.archive import Archive
from archiver.archive.store.journal_lines import Deed
from archiver.archive.store.schema import Fields, Schema
from archiver.archive.store.secret import keyed
from archiver.errors import InputError, Problem
from archiver.objects import Purpose
from archiver.wording import Text

FILE = "consents.jsonl"


def _with_said_on(line: Fields) -> Fields:
    return {"said_on": None, **line}


def _with_scope(line: Fields) -> Fields:
    return {"recipient": "", "visits": [], "given_by": "", "giver": "", **line}


def _with_pictures(line: Fields) -> Fields:
    return {"pictures": [], "form": "", **line}


SCHEMA = Schema(Text("archive.schema.consents"), (_with_said_on, _with_scope, _with_pictures))
_NONE: Mapping[str, str] = MappingProxyType({})
GIVEN, WITHDRAWN = "given", "withdrawn"
#: Who gives a consent; who is not the patient is named.
PATIENT, PARENT, GUARDIAN = GIVERS = ("patient", "parent", "guardian")


@dataclass(frozen=True)
class Consent:
    """What was noted of one patient and purpose.

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
    recipient
        To whom alone the pictures may go; empty for anybody.
    visits
        Study Instance UIDs of the visits that alone it is about; empty for all.
    given_by, giver
        One of `GIVERS`, and the name of who is not the patient; empty where it is not said.
    pictures
        SOP Instance UIDs of the pictures that alone it is about, beside those of the visits; empty
        for all.
    form
        SOP Instance UID of the paper on which it was given; empty for none.
    """

    patient_id: str
    issuer: str
    purpose: Purpose
    state: str
    noted_by: str
    noted_at: str
    until: date | None = None
    said_on: date | None = None
    recipient: str = ""
    visits: tuple[str, ...] = ()
    given_by: str = ""
    giver: str = ""
    pictures: tuple[str, ...] = ()
    form: str = ""

    @property
    def is_general(self) -> bool:
        """Whether it is about any recipient and all pictures."""
        return not self.recipient and self.is_of_all

    @property
    def is_of_all(self) -> bool:
        """Whether it is about all pictures."""
        return not self.visits and not self.pictures

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


@dataclass(frozen=True)
class ConsentScope:
    """What alone a consent is about, and who gave it; see `Consent`."""

    recipient: str = ""
    visits: tuple[str, ...] = ()
    given_by: str = ""
    giver: str = ""
    pictures: tuple[str, ...] = ()
    form: str = ""


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
    """Return what stands of what was noted of a patient, in the order of the purposes.

    A statement about any recipient and all visits takes the place of all before it; one about a
    recipient, of those about the same; a withdrawal, of every consent that it is about.

    Raises
    ------
    ArchiveError
        If the notes cannot be read.
    IntegrityError
        If a line of them is damaged.
    """
    noted = noted_of(root, (patient_id, issuer))
    return [one for purpose in Purpose for one in _standing(noted, purpose)]


def _standing(noted: Sequence[Consent], purpose: Purpose) -> list[Consent]:
    standing: list[Consent] = []
    for one in noted:
        if one.purpose is not purpose:
            continue
        if one.is_general:
            standing = []
        elif one.state == WITHDRAWN:
            standing = [other for other in standing if not _same_recipient(one, other.recipient)]
        else:
            standing = [
                other
                for other in standing
                if not _same_recipient(one, other.recipient)
                or (other.state == GIVEN and _pictures_of(other) != _pictures_of(one))
            ]
        standing.append(one)
    return standing


def _pictures_of(one: Consent) -> tuple[frozenset[str], frozenset[str]]:
    return frozenset(one.visits), frozenset(one.pictures)


def _same_recipient(one: Consent, recipient: str) -> bool:
    return " ".join(one.recipient.split()).casefold() == " ".join(recipient.split()).casefold()


def noted_of(root: Path, patient: tuple[str, str]) -> list[Consent]:
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
        recipient=str(line["recipient"]),
        visits=tuple(str(uid) for uid in line["visits"]),
        given_by=str(line["given_by"]),
        giver=str(line["giver"]),
        pictures=tuple(str(uid) for uid in line["pictures"]),
        form=str(line["form"]),
        **words,
    )


def _day(words: object) -> date | None:
    return date.fromisoformat(words) if isinstance(words, str) else None


def demand(
    root: Path,
    patient: tuple[str, str],
    purpose: Purpose,
    day: date,
    *,
    to: str = "",
    pictures: Mapping[str, str] = _NONE,
) -> Consent:
    """Return the last consent of a patient that holds; refuse what is not consented to.

    Parameters
    ----------
    patient
        Identifier and its issuer.
    to
        To whom the pictures are to go.
    pictures
        Study Instance UIDs by the SOP Instance UIDs of the pictures.

    Raises
    ------
    InputError
        If no consent holds on the day: never given, ended, withdrawn, or given for another
        recipient or other pictures.
    """
    found = judge(consents_of(root, *patient), purpose, day, to=to, pictures=pictures)
    if isinstance(found, Problem):
        raise InputError(found)
    return found


def judge(
    consents: Sequence[Consent],
    purpose: Purpose,
    day: date,
    *,
    to: str,
    pictures: Mapping[str, str],
) -> Consent | Problem:
    """Return the last of a patient's consents that holds, or why none does; see `demand`."""
    every = [one for one in consents if one.purpose is purpose]
    own = [one for one in every if one.recipient and _same_recipient(one, to)]
    # What was last said of a recipient stands before what was said of anybody.
    barred = [one for one in own if one.state == WITHDRAWN]
    about = barred or [*(one for one in every if not one.recipient), *own]
    wrong: Text | None = None
    if not about:
        other = ", ".join(one.recipient for one in every)
        wrong = Text("archive.consents.not_on_record")
        if other:
            wrong = Text("archive.consents.other_recipient", recipients=other)
    holding = [one for one in about if not one.against(day)]
    if about and not holding:
        wrong = about[-1].against(day)
    elif holding and not any(one.is_of_all for one in holding):
        visits = {uid for one in holding for uid in one.visits}
        named = {uid for one in holding for uid in one.pictures}
        missing = [
            uid for uid, visit in pictures.items() if visit not in visits and uid not in named
        ]
        if missing:
            wrong = Text("archive.consents.other_pictures", count=len(missing))
    if wrong is not None:
        return Problem("archive.consents.not_given", purpose=purpose, wrong=wrong)
    return holding[-1]


def note(
    archive: Archive,
    patient: tuple[str, str],
    purpose: Purpose,
    *,
    by: str,
    now: datetime,
    until: date | None = None,
    state: str = GIVEN,
    scope: ConsentScope | None = None,
) -> Consent:
    """Note that a patient has given or withdrawn a consent.

    Parameters
    ----------
    archive
        Open for writing.
    scope
        What alone it is about, and who gave it.

    Raises
    ------
    InputError
        If a visit, a picture or the form is not the patient's, or a parent or guardian is not
        named.
    ArchiveError
        If the disk refuses.
    """
    about = checked_scope(archive, patient, scope or ConsentScope())
    moment = now.isoformat(timespec="seconds")
    told = Consent(*patient, purpose, state, by, moment, until, None, **about.__dict__)
    return keep(archive, told)


def checked_scope(archive: Archive, patient: tuple[str, str], about: ConsentScope) -> ConsentScope:
    """Return a scope that of a picture names all that was made from the same one.

    Raises
    ------
    InputError
        As `note`.
    """
    if about.given_by in (PARENT, GUARDIAN) and not about.giver.strip("^ "):
        raise InputError(Problem("archive.consents.giver"))
    if about == ConsentScope():
        return about
    asked = Query(patient_id=patient[0], issuer=patient[1], include_rejected=True)
    records = archive.query(asked)
    by_uid = {one.sop_instance_uid: one for one in records}
    for uid in set(about.visits) - {one.study_uid for one in records}:
        raise InputError(Problem("archive.consents.no_such_visit", uid=uid))
    for uid in {*about.pictures, *filter(None, [about.form])} - by_uid.keys():
        raise InputError(Problem("archive.consents.no_such_picture", uid=uid))
    meant = {(by_uid[uid].study_uid, by_uid[uid].source_sha256) for uid in about.pictures}
    same = (
        one.sop_instance_uid
        for one in records
        if one.source_sha256 and (one.study_uid, one.source_sha256) in meant
    )
    return replace(about, pictures=tuple(dict.fromkeys((*about.pictures, *same))))


def keep(archive: Archive, one: Consent) -> Consent:
    """Write what was noted down for good."""
    end = one.until.isoformat() if one.until is not None else None
    said_on = one.said_on.isoformat() if one.said_on is not None else None
    words = {"purpose": one.purpose.value, "until": end, "said_on": said_on}
    scope = {"visits": list(one.visits), "pictures": list(one.pictures)}
    fields = {**one.__dict__, **words, **scope}
    line = jsonl_log.line_of(SCHEMA, fields)
    digest = keyed(archive.secret(), "consent", line.decode()).hex()
    told = f"{one.purpose}: {one.state}" + (f", until {end}" if end else "")
    archive.append_line(FILE, SCHEMA, fields, [Deed("consent", digest=digest, note=told)])
    return one
