"""Instances rejected, rejections revoked, and those told who have what it is about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from archiver.archive.statements import (
    HandedOver,
    RejectionNote,
    RejectionRequest,
    of_instances,
)
from archiver.archive.statements import heed as heed_note
from archiver.archive.statements import reject as note_rejection
from archiver.archive.statements import revoke as note_revocation
from archiver.archive.store import Archive, describe_file
from archiver.errors import ObjectError, Problem
from archiver.network.outbox import settle_owed
from archiver.objects import concepts
from archiver.records import Contact, read_instances
from archiver.records.checks import passed_keeping_time
from archiver.records.rules import RuleSet


@dataclass(frozen=True)
class Rejected:
    """What was said, and who has what it is about.

    Parameters
    ----------
    notes
        Those that were kept, or are heeded from now on.
    revoked
        Those that count no more.
    queued
        For each peer that had what the notes name, how many objects are new in the outbox.
    handed_over
        Packages that left with it.
    """

    notes: tuple[RejectionNote, ...]
    revoked: tuple[RejectionNote, ...] = ()
    queued: dict[str, int] = field(default_factory=dict)
    handed_over: tuple[HandedOver, ...] = ()


def reject(
    archive: Archive,
    request: RejectionRequest,
    now: datetime,
    rules: Sequence[RuleSet] = (),
    contacts: Mapping[tuple[str, str], Contact] | None = None,
) -> Rejected:
    """Reject instances of any kind, with a note in the standard's form, and without a successor.

    Parameters
    ----------
    archive
        Open for writing.
    rules
        With the keeping times that have passed, where that is the reason.
    contacts
        Last contact, capacity and legal hold of patients, for that reason.

    Raises
    ------
    ObjectError
        If something cannot be rejected so; nothing is then.
    ArchiveError
        If the archive refuses; nothing was kept then.
    """
    if request.title == concepts.RETENTION_EXPIRED:
        _demand_passed(archive, request.uids, now, rules, contacts)
    notes = note_rejection(archive, request, now)
    return _rejected(archive, notes, (), now)


def revoke(archive: Archive, uid: str, words: str, by: str, now: datetime) -> Rejected:
    """Take a rejection back: a note that rejects the note, which peers that had it are sent.

    Parameters
    ----------
    uid
        SOP Instance UID of the note, or of what it rejects.

    Raises
    ------
    ObjectError
        If there is no such note, or it is revoked already.
    ArchiveError
        If the archive refuses.
    """
    revoked, notes = note_revocation(archive, uid, words, by, now)
    return _rejected(archive, notes, revoked, now)


def heed(archive: Archive, uid: str, by: str, now: datetime) -> Rejected:
    """Have a rejection note count that nobody brought who may reject.

    Raises
    ------
    ObjectError
        If there is no such note, or it names what is not of its own study and patient.
    ArchiveError
        If the archive refuses.
    """
    return _rejected(archive, [heed_note(archive, uid, by)], (), now)


def _rejected(
    archive: Archive,
    notes: Sequence[RejectionNote],
    revoked: Sequence[RejectionNote],
    now: datetime,
) -> Rejected:
    queued = settle_owed(archive, now)
    named = [uid for one in notes for uid in one.selection.uids]
    packages = () if revoked else tuple(of_instances(archive.layout.root, named))
    return Rejected(tuple(notes), tuple(revoked), queued, packages)


def _demand_passed(
    archive: Archive,
    uids: Sequence[str],
    now: datetime,
    rules: Sequence[RuleSet],
    contacts: Mapping[tuple[str, str], Contact] | None,
) -> None:
    """Refuse what a rule still wants kept, or of which none says for how long."""
    paths = [path for uid in uids if (path := archive.path_of(uid))]
    described = map(describe_file, paths)
    patients = {(one.patient_id, one.issuer) for one in described}
    with archive.reading() as connection:
        instances = read_instances(connection, patients={patient for patient, _ in patients})
    passed = passed_keeping_time(rules, instances, now.date(), contacts)
    if not patients <= passed:
        raise ObjectError(Problem("records.retention.not_passed"))
