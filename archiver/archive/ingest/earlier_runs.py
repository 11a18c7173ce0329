"""What earlier runs of a session left in the archive of one of its photographs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from archiver.archive.query import Query
from archiver.archive.statements.held_photograph import successor_of
from archiver.archive.statements.rejections import standing_notes
from archiver.archive.store.archive import Archive
from archiver.archive.store.metadata_reader import describe_file
from archiver.errors import PhotoError, Problem
from archiver.objects import Identity, Session, name_key, signers
from archiver.photo import CameraFile
from archiver.wording import Text


@dataclass(frozen=True)
class ArchivedInstance:
    """An instance that is in the archive."""

    sop_instance_uid: str
    role: str
    path: str


@dataclass(frozen=True)
class Standing:
    """What the archive has of a photograph.

    Parameters
    ----------
    instances
        Empty where it is not kept yet.
    confirmed_by
        Who confirmed the side of what is kept.
    to_confirm
        The instance whose side is now confirmed and was not; empty where there is none.
    warnings
        What a person should know of other pictures made from the same file.
    """

    instances: tuple[ArchivedInstance, ...] = ()
    confirmed_by: str = ""
    to_confirm: str = ""
    warnings: tuple[Problem, ...] = ()


def standing(
    archive: Archive, session: Session, photo: CameraFile, identities: Sequence[Identity], by: str
) -> Standing:
    """Look for a photograph in the archive.

    Parameters
    ----------
    identities
        Those under which it may be kept, with and without a confirmation; the first is the one
        under which it will be.
    by
        Who confirms its side now; empty for nobody.

    Raises
    ------
    PhotoError
        If it is there under another patient.
    """
    kept = next((one for one in identities if held_instances(archive, one)), identities[0])
    warnings = _earlier(session, archive, photo, kept)
    held = held_instances(archive, kept)
    if not held:
        return Standing(warnings=warnings)
    now = tuple(_in_place(archive, one) for one in held)
    said = describe_file(archive.layout.path_of(now[-1].path))
    if not by:
        return Standing(held, said.confirmed_by, warnings=warnings)
    if name_key(by) in map(name_key, signers(said.confirmations)):
        return Standing(now, by)
    return Standing(held, said.confirmed_by, now[-1].sop_instance_uid, warnings)


def _in_place(archive: Archive, one: ArchivedInstance) -> ArchivedInstance:
    """Return what came in the place of an instance; itself where nothing did."""
    uid = one.sop_instance_uid
    while (after := successor_of(archive, uid)) is not None:
        uid = after
    if uid == one.sop_instance_uid:
        return one
    path = archive.layout.path_of(archive.held([uid])[uid].path)
    return ArchivedInstance(uid, one.role, str(path))


def _earlier(
    session: Session, archive: Archive, photo: CameraFile, identity: Identity
) -> tuple[Problem, ...]:
    """Look for the same picture in the archive.

    Raises
    ------
    PhotoError
        If it is there under another patient.
    """
    everything = archive.query(Query(source_sha256=photo.sha256, include_rejected=True))
    same = [r for r in everything if r.rejected is None]
    mine = (identity.as_shot, identity.corrected)
    gone = [r for r in everything if r.rejected is not None and r.sop_instance_uid in mine]
    if gone and not same:
        return tuple(_rejection(archive, gone[0].sop_instance_uid))
    if gone:
        return (
            Problem(
                "archive.session_ingest.amended_since", same=tuple(r.sop_instance_uid for r in same)
            ),
        )
    me = (session.patient.id, session.patient.issuer)
    if any((r.patient_id, r.issuer) != me for r in same):
        raise PhotoError(Problem("archive.session_ingest.other_patient"))
    other = [r for r in same if r.sop_instance_uid not in mine]
    if not other:
        return ()
    return (
        Problem("archive.session_ingest.other_meaning", sop_instance_uid=other[0].sop_instance_uid),
    )


def _rejection(archive: Archive, uid: str) -> Iterator[Problem]:
    """Say by whom an instance is rejected, why, and how that is taken back."""
    for note in standing_notes(archive, uid)[:1]:
        said = note.selection
        reason = f"{note.why} ({said.words})" if said.words else note.why
        by = said.by or Text("archive.session_ingest.nobody")
        given = {"day": note.day, "by": by, "reason": reason, "note": note.uid}
        yield Problem("archive.session_ingest.rejected_since", **given)


def held_instances(archive: Archive, identity: Identity) -> tuple[ArchivedInstance, ...]:
    """Return the photograph's instances if all of them are kept already."""
    wanted = {identity.as_shot: "original"}
    if identity.corrected is not None:
        wanted[identity.corrected] = "derived"
    held = archive.held(list(wanted))
    if len(held) < len(wanted):
        return ()
    return tuple(
        ArchivedInstance(uid, role, str(archive.layout.path_of(held[uid].path)))
        for uid, role in wanted.items()
    )
