"""Instances deleted for good: due by a keeping rule or for a legal reason, by the people named.

First it is planned: what would go, why, and a code for exactly that. Only who gives the code back
deletes. What goes is rejected by a note of the standard first (PS3.16 CID 7011: Data Retention
Policy Expired, 113039), which reaches every peer that had it through the outbox; then each instance
gets its tombstone in the journal. The notes, the statements and the journal stay.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from sqlalchemy import select

from archiver.archive.statements import (
    HandedOver,
    RejectionNote,
    RejectionRequest,
    of_instances,
    standing_notes,
)
from archiver.archive.statements import reject as note_rejection
from archiver.archive.store import DELETED, Archive, Deed, describe_file, identity_of
from archiver.archive.store import tables as t
from archiver.errors import ObjectError, Problem
from archiver.network.outbox import settle_owed
from archiver.objects import code_of, concepts, name_key
from archiver.records import NO_CONTACT, Contact, Instance, read_instances
from archiver.records.checks import contact_of, keeping_ends
from archiver.records.rules import RuleSet

_Contacts = Mapping[tuple[str, str], Contact]


@dataclass(frozen=True)
class DeletionRequest:
    """What is to be deleted.

    Parameters
    ----------
    uids
        SOP Instance UIDs. With a picture as shot goes everything that was made from it.
    patient
        Identifier and issuer of whom everything goes; an empty issuer means any.
    legal
        ``erasure``: the patient's right to it (Regulation (EU) 2016/679, Article 17); ``order``:
        of a court or an authority; empty where the keeping time has to have passed.
    words
        Of the legal reason: which request or order it is; goes into the note.
    by, second
        The people who let it go, as DICOM person names; the second for pictures as shot.
    """

    by: str
    uids: tuple[str, ...] = ()
    patient: tuple[str, str] = ("", "")
    legal: str = ""
    words: str = ""
    second: str = ""


@dataclass(frozen=True)
class PlannedDeletion:
    """What would be deleted.

    Parameters
    ----------
    reasons
        Why, in the words of the tombstone, by SOP Instance UID.
    code
        Of exactly this; it changes with anything in it.
    """

    request: DeletionRequest
    instances: tuple[Instance, ...]
    reasons: Mapping[str, str]
    code: str


@dataclass(frozen=True)
class Deleted:
    """What was deleted, and who is told.

    Parameters
    ----------
    queued
        For each peer that had any of it, how many objects are new in the outbox.
    handed_over
        Packages that left with it.
    """

    plan: PlannedDeletion
    notes: tuple[RejectionNote, ...]
    queued: dict[str, int] = field(default_factory=dict)
    handed_over: tuple[HandedOver, ...] = ()


def plan_deletion(
    archive: Archive,
    request: DeletionRequest,
    today: date,
    rules: Sequence[RuleSet],
    contacts: _Contacts,
) -> PlannedDeletion:
    """Say what would be deleted, or why it must not be.

    Parameters
    ----------
    contacts
        Of the practice: last contact, capacity and legal hold; every patient has to be in it.

    Raises
    ------
    ObjectError
        If something is not there, is a note, is held, is not due, or lacks its second person.
    """
    instances = _named(archive, request)
    if not instances:
        raise ObjectError(Problem("workflow.deletion.nothing"))
    _demand_people(request, instances)
    patients = {one.person.key for one in instances}
    for key in sorted(patients):
        contact = contact_of(contacts, key)
        if contact is NO_CONTACT:
            raise ObjectError(Problem("workflow.deletion.no_contact", patient=key[0]))
        if contact.hold:
            held = Problem("workflow.deletion.held", patient=key[0], why=contact.hold)
            raise ObjectError(held)
    if request.legal:
        if not request.words.strip():
            raise ObjectError(Problem("workflow.deletion.which"))
        reasons = {one.uid: request.legal for one in instances}
    else:
        reasons = _due(archive, instances, today, rules, contacts)
    named = [str(identity_of(archive.layout.root) or ""), *sorted(one.uid for one in instances)]
    said = [request.by, request.second, request.legal, request.words, sorted(reasons.items())]
    text = json.dumps([named, said], ensure_ascii=True)
    code = code_of(hashlib.sha256(text.encode()).hexdigest())
    return PlannedDeletion(request, tuple(instances), reasons, code)


def delete(archive: Archive, plan: PlannedDeletion, now: datetime) -> Deleted:
    """Delete what was planned, once peers that had it are to be told.

    Raises
    ------
    ObjectError
        If something cannot be read; nothing is deleted then.
    ArchiveError
        If the archive refuses. What was begun and not ended, the next that writes there ends.
    """
    uids = [one.uid for one in plan.instances]
    notes = [*_standing(archive, uids)]
    named = {uid for note in notes for uid in note.selection.uids}
    by_reason: dict[str, list[str]] = {}
    for uid in uids:
        if uid not in named:
            by_reason.setdefault(plan.reasons[uid], []).append(uid)
    for why, some in by_reason.items():
        words = "; ".join(one for one in (why, plan.request.words, _with(plan.request)) if one)
        title = concepts.RETENTION_EXPIRED
        request = RejectionRequest(tuple(some), title, (), words, plan.request.by, alone=True)
        notes += note_rejection(archive, request, now)
    queued = settle_owed(archive, now)
    archive.delete([_deed(one, plan) for one in plan.instances])
    packages = of_instances(archive.layout.root, uids)
    return Deleted(plan, tuple(notes), queued, tuple(packages))


def _deed(one: Instance, plan: PlannedDeletion) -> Deed:
    people = f"by {plan.request.by}"
    if plan.request.second:
        people += f" {_with(plan.request)}"
    note = f"{plan.reasons[one.uid]}; {people}"
    told = {"digest": one.digest, "size": one.size, "source": one.source, "note": note}
    return Deed(DELETED, one.study, one.series, one.uid, **told)  # type: ignore[arg-type]


def _with(request: DeletionRequest) -> str:
    return f"with {request.second}" if request.second else ""


def _standing(archive: Archive, uids: Iterable[str]) -> list[RejectionNote]:
    """Return the notes that say already, of any instance, that its time has passed."""
    found = {
        note.uid: note
        for uid in uids
        for note in standing_notes(archive, uid)
        if note.selection.title == concepts.RETENTION_EXPIRED
    }
    return list(found.values())


def _named(archive: Archive, request: DeletionRequest) -> list[Instance]:
    """Return what a request is about: a patient's instances, or those named and made from them."""
    patients = {request.patient[0]} if request.patient[0] else set()
    for uid in request.uids:
        path = archive.path_of(uid)
        if path is None:
            raise ObjectError(Problem("archive.held_photograph.no_such_instance", uid=uid))
        patients.add(describe_file(path).patient_id)
    with archive.reading() as connection:
        every = read_instances(connection, patients=patients)
        noted = select(t.instances.c.sop_instance_uid).join_from(t.rejections, t.instances)
        notes = set(connection.scalars(noted.distinct()))
    if marked := notes & set(request.uids):
        raise ObjectError(Problem("workflow.deletion.is_note", uid=min(marked)))
    patient, issuer = request.patient
    wanted = set(request.uids)
    shots = {one.uid for one in every if one.uid in wanted and one.role == "original"}
    for one in every:
        theirs = bool(patient) and one.person.patient_id == patient
        made = bool(shots) and one.role == "derived" and bool(_made_from(archive, one) & shots)
        if made or (theirs and issuer in ("", one.person.issuer)):
            wanted.add(one.uid)
    return [one for one in every if one.uid in wanted - notes]


def _made_from(archive: Archive, one: Instance) -> set[str]:
    return set(describe_file(archive.layout.path_of(one.path)).source_uids)


def _demand_people(request: DeletionRequest, instances: Iterable[Instance]) -> None:
    """Refuse a deletion without its people: of anything but a corrected picture there are two."""
    if not request.by.strip("^ "):
        raise ObjectError(Problem("workflow.deletion.by_whom"))
    second = name_key(request.second).strip("^ ")
    if second and second == name_key(request.by).strip("^ "):
        raise ObjectError(Problem("workflow.deletion.same_person"))
    if not second and any(one.role != "derived" for one in instances):
        raise ObjectError(Problem("workflow.deletion.second"))


def _due(
    archive: Archive,
    instances: Sequence[Instance],
    today: date,
    rules: Sequence[RuleSet],
    contacts: _Contacts,
) -> dict[str, str]:
    """Return which rule lets each instance go; refuse where one keeps it, or none says so."""
    patients = {one.person.patient_id for one in instances}
    with archive.reading() as connection:
        record = read_instances(connection, patients=patients)
    ends = keeping_ends(rules, record, today, contacts)
    for one in instances:
        if one.person.key not in ends:
            problem = Problem("workflow.deletion.not_due", patient=one.person.patient_id)
            raise ObjectError(problem)
    return {
        one.uid: f"kept to {ends[one.person.key].day} by {ends[one.person.key].rule}"
        for one in instances
    }
