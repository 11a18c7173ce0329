"""Instances rejected by a note of their own, without a successor, and such notes revoked again.

What may be rejected is anything that the archive keeps: photographs, radiographs, notes. A note
that rejects a note revokes it, so that every archive that heeds the one can be told of the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from pydicom import Dataset
from pydicom.uid import ExplicitVRLittleEndian
from sqlalchemy import select

from archiver.archive.ingest.service import Ingest
from archiver.archive.store import tables as t
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Incoming
from archiver.archive.store.journal_lines import HEEDED, Deed
from archiver.archive.store.metadata_reader import describe_file
from archiver.dentition import Code
from archiver.errors import ObjectError, Problem
from archiver.objects import (
    DerivedUids,
    Description,
    Selection,
    UidPolicy,
    concepts,
    demand_offset,
    describe,
    key_objects,
    mistakes,
    open_dataset,
    part10,
)
from archiver.standard import Severity, validate_bytes
from archiver.wording import Text

#: How the reasons are called where a person gives one.
REASONS = {**mistakes.REASONS, "retention": concepts.RETENTION_EXPIRED}


@dataclass(frozen=True)
class RejectionRequest:
    """What is to be rejected.

    Parameters
    ----------
    uids
        SOP Instance UIDs. Of a photograph everything is rejected that was made from it.
    title
        Of CID 7010; one of `archiver.objects.concepts.REJECTIONS`.
    modifiers
        Of CID 7011, why the quality is wanting; only with *Rejected for Quality Reasons*.
    words
        What a person adds, for the note.
    by
        Who says so, as a DICOM person name.
    alone
        Reject the instances that are named, and nothing that was made from the same picture.
    """

    uids: tuple[str, ...]
    title: Code
    modifiers: tuple[Code, ...] = ()
    words: str = ""
    by: str = ""
    alone: bool = False


@dataclass(frozen=True)
class RejectionNote:
    """A note and what it says.

    Parameters
    ----------
    uid
        SOP Instance UID of the note.
    selection
        What it names, why, and who says so.
    day
        When it was noted here, ISO 8601.
    """

    uid: str
    selection: Selection
    day: str

    @property
    def why(self) -> str:
        """Its reason, as its title has it."""
        return concepts.REJECTIONS[self.selection.title.value].meaning


def reject(
    archive: Archive, request: RejectionRequest, now: datetime, uids: UidPolicy | None = None
) -> list[RejectionNote]:
    """Reject instances, with a note for each study; all notes are kept or none.

    Parameters
    ----------
    archive
        Open for writing.
    now
        Aware of its offset.

    Raises
    ------
    ObjectError
        If one of the instances is not there, is rejected already, or cannot be read, or nobody is
        named who says so.
    ArchiveError
        If the archive refuses; nothing was kept then.
    """
    demand_offset(now)
    if not request.by.strip("^ "):
        raise ObjectError(Problem("archive.rejections.by_whom"))
    if request.modifiers and request.title != concepts.REJECTED_FOR_QUALITY:
        raise ObjectError(Problem("archive.rejections.modifiers"))
    if request.alone:
        named = dict.fromkeys(request.uids)
    else:
        whole = (one for uid in request.uids for one in _whole_photograph(archive, uid))
        named = dict.fromkeys(whole)
    datasets = [_dataset(archive, uid, request.title) for uid in named]
    groups: dict[tuple[str, str, str], list[Dataset]] = {}
    for ds in datasets:
        d = describe(ds)
        groups.setdefault((d.study_uid, d.patient_id, d.issuer), []).append(ds)
    made = [_note(archive, request, group, now, uids or DerivedUids()) for group in groups.values()]
    reasons = [
        f"reason {request.title.value}, rejects {' '.join(one.description.selection.uids)}"
        for one in made
        if one.description.selection is not None
    ]
    Ingest.of(archive).accept_together(made, reasons)
    return [note for one in made for note in [_note_in(one.description, now.isoformat())] if note]


def revoke(
    archive: Archive, uid: str, words: str, by: str, now: datetime
) -> tuple[list[RejectionNote], list[RejectionNote]]:
    """Revoke a rejection note, or every note that rejects an instance.

    Parameters
    ----------
    uid
        SOP Instance UID of a note, or of what notes reject.

    Returns
    -------
    tuple
        The notes that count no more, and those that say so.

    Raises
    ------
    ObjectError
        If there is no such note, it is revoked already, or nobody is named who says so.
    ArchiveError
        If the archive refuses.
    """
    said = describe_file(_path(archive, uid)).selection
    if said is not None and said.rejects:
        # What revokes a note is revoked by its own name.
        notes = [note for note in [_note_of(archive, uid)] if note is not None]
    else:
        notes = standing_notes(archive, uid)
    if not notes:
        raise ObjectError(Problem("archive.rejections.nothing_to_revoke", uid=uid))
    request = RejectionRequest(
        tuple(one.uid for one in notes), concepts.REJECTED_FOR_QUALITY, (), words, by
    )
    return notes, reject(archive, request, now)


def heed(archive: Archive, uid: str, by: str) -> RejectionNote:
    """Have a note count that nobody brought who may reject: a person has decided.

    Parameters
    ----------
    uid
        SOP Instance UID of the note.

    Raises
    ------
    ObjectError
        If there is no such note, or it names what is not of its own study and patient.
    ArchiveError
        If the archive refuses.
    """
    note = _note_of(archive, uid)
    if note is None:
        raise ObjectError(Problem("archive.rejections.no_note", uid=uid))
    said = describe_file(_path(archive, uid))
    if not note.selection.binds or _elsewhere(archive, said, note.selection.uids):
        raise ObjectError(Problem("archive.rejections.not_of_its_study", uid=uid))
    digest = archive.held([uid])[uid].digest
    note_text = f"decided by {by}" if by else "decided"
    deed = Deed(HEEDED, study=said.study_uid, sop=uid, digest=digest, note=note_text)
    archive.record([deed])
    return note


def standing_notes(archive: Archive, uid: str) -> list[RejectionNote]:
    """Return the notes by which an instance is rejected now, the earliest first."""
    r, i = t.rejections.c, t.instances.c
    joined = t.rejections.join(t.instances, r.note == i.number)
    with archive.reading() as connection:
        held = connection.execute(
            select(i.rejected, i.study_uid).where(i.sop_instance_uid == uid)
        ).one_or_none()
        rows = connection.execute(
            select(i.sop_instance_uid, i.added)
            .select_from(joined)
            .join(t.heeded, t.heeded.c.sop_instance_uid == i.sop_instance_uid)
            .where(
                r.sop_instance_uid == uid,
                i.rejected.is_(None),
                i.study_uid == (held.study_uid if held else ""),
            )
            .order_by(r.journal_seq, r.note)
        ).all()
    if held is None or held.rejected is None:
        return []
    told = [(describe_file(_path(archive, note)), added) for note, added in rows]
    return [note for said, added in told for note in [_note_in(said, added)] if note]


def undecided_notes(archive: Archive) -> list[RejectionNote]:
    """Return the rejection notes that nobody brought who may reject, nor decided about since."""
    r, i = t.rejections.c, t.instances.c
    heeded = select(t.heeded.c.sop_instance_uid)
    with archive.reading() as connection:
        rows = connection.execute(
            select(i.sop_instance_uid, i.added, i.journal_seq)
            .select_from(t.rejections.join(t.instances, r.note == i.number))
            .where(i.sop_instance_uid.not_in(heeded), i.rejected.is_(None))
            .distinct()
            .order_by(i.journal_seq)
        ).all()
    told = [
        _note_in(describe_file(_path(archive, row.sop_instance_uid)), row.added) for row in rows
    ]
    return [note for note in told if note]


def _note_of(archive: Archive, uid: str) -> RejectionNote | None:
    """Return a rejection note that is kept and not revoked."""
    i = t.instances.c
    with archive.reading() as connection:
        row = connection.execute(
            select(i.added).where(i.sop_instance_uid == uid, i.rejected.is_(None))
        ).one_or_none()
    return _note_in(describe_file(_path(archive, uid)), row.added) if row else None


def _note_in(said: Description, added: str) -> RejectionNote | None:
    if said.selection is None or not said.selection.rejects:
        return None
    return RejectionNote(said.sop_instance_uid, said.selection, added[:10])


def _path(archive: Archive, uid: str) -> Path:
    path = archive.path_of(uid)
    if path is None:
        raise ObjectError(Problem("archive.held_photograph.no_such_instance", uid=uid))
    return path


def _dataset(archive: Archive, uid: str, title: Code) -> Dataset:
    path = _path(archive, uid)
    standing = standing_notes(archive, uid)
    if title == concepts.RETENTION_EXPIRED:
        # What was rejected for another reason is let go in the end like anything else.
        standing = [note for note in standing if note.selection.title == title]
    if standing:
        note = standing[0]
        given = {"uid": uid, "reason": note.why.lower(), "note": note.uid}
        raise ObjectError(Problem("archive.rejections.already", **given))
    return open_dataset(path, decoded=True)


def _whole_photograph(archive: Archive, uid: str) -> list[str]:
    """Return the instances of the photograph to which one belongs; itself for anything else."""
    said = describe_file(_path(archive, uid))
    if said.role is None or not said.is_photograph:
        return [uid]
    shot = said.source_uids[0] if said.role == "derived" and said.source_uids else uid
    i = t.instances.c
    with archive.reading() as connection:
        rows = connection.execute(
            select(i.sop_instance_uid, i.path, i.role).where(
                i.study_uid == said.study_uid,
                i.role.is_not(None),
                i.rejected.is_(None),
            )
        ).all()
    found = [uid]
    for other, path, role in rows:
        is_shot = other == shot
        if is_shot or (
            role == "derived" and shot in describe_file(archive.layout.path_of(path)).source_uids
        ):
            found.append(other)
    return list(dict.fromkeys(found))


def _elsewhere(archive: Archive, note: Description, uids: Sequence[str]) -> bool:
    """Return whether a note names what is of another study or patient."""
    whose = (note.study_uid, note.patient_id, note.issuer)
    there = [describe_file(_path(archive, uid)) for uid in archive.held(list(uids))]
    return any((one.study_uid, one.patient_id, one.issuer) != whose for one in there)


def _note(
    archive: Archive,
    request: RejectionRequest,
    group: Sequence[Dataset],
    now: datetime,
    uids: UidPolicy,
) -> Incoming:
    """Make and check a note; one that says the same as a revoked one is another note."""
    references = tuple(map(key_objects.referenced, group))
    note = key_objects.Note(request.title, references, request.words, request.modifiers, request.by)
    while archive.has(key_objects.note_uid(note, uids)):
        note = replace(note, repeat=note.repeat + 1)
    made = key_objects.build(note, group[0], created=now, uids=uids)
    whole = part10.whole(made)
    errors = [one for one in validate_bytes(whole) if one.severity is Severity.ERROR]
    if errors:
        what = Text("archive.amendments.note")
        raise ObjectError(*(one.problem().at(subject=what) for one in errors))
    said = replace(describe(made), transfer_syntax=ExplicitVRLittleEndian)
    return Incoming(said, [whole])
