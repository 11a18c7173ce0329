"""Sides confirmed after the fact: which picture a code names, and what is shown of it."""

from __future__ import annotations

from sqlalchemy import inspect, select

from archiver.archive.statements.amendments import AmendmentRequest
from archiver.archive.statements.held_photograph import find_photograph
from archiver.archive.store import tables as t
from archiver.archive.store.archive import Archive
from archiver.archive.store.metadata_reader import describe_file
from archiver.errors import ObjectError, Problem
from archiver.objects import Change, Meaning, code_of, read_meaning, read_shown, shown_digest


def confirmation_of(uid: str, by: str, shown: str) -> AmendmentRequest:
    """Return the statement that a side is right.

    Parameters
    ----------
    uid
        SOP Instance UID of any instance of the photograph.
    by
        Who says so, as a DICOM person name.
    shown
        Code or digest of what was shown to them.
    """
    return AmendmentRequest(uid, Change(confirmed_by=by, shown=shown), by=by)


def looked_at(archive: Archive, uid: str) -> Meaning:
    """Return what an archived photograph says of itself, and what is shown of it.

    Raises
    ------
    ObjectError
        If there is none, or it cannot be read.
    """
    shot, corrected = find_photograph(archive, uid)
    named = next((one for one in corrected if one.uid == uid), None)
    main = named or (corrected[0] if corrected else None)
    return read_meaning(shot.dataset, main.dataset if main else None, shot.picture)


def named_by(archive: Archive, text: str) -> str:
    """Return the SOP Instance UID of the picture that a code or a digest names.

    Raises
    ------
    MeaningError
        If it is neither.
    ObjectError
        If no picture has it, or several have.
    """
    shown = read_shown(text)
    digests = _digests(archive)
    found = {digest: uid for uid, digest in digests.items()}
    named = [uid for digest, uid in found.items() if shown in (digest, code_of(digest))]
    if not named:
        raise ObjectError(Problem("archive.confirmations.no_such_code", code=shown[:12]))
    if len(named) > 1:
        raise ObjectError(Problem("archive.confirmations.several", code=shown, uids=tuple(named)))
    return named[0]


def _digests(archive: Archive) -> dict[str, str]:
    """Return digests of what is shown, by SOP Instance UID, in the order of arrival.

    What the index of an earlier version does not have is read from the objects.
    """
    i, s = t.instances.c, t.shown.c
    with archive.reading() as connection:
        photographs = select(i.sop_instance_uid, i.path, i.source_digest)
        known: dict[str, str] = {}
        if inspect(connection).has_table(t.shown.name):
            pairs = select(i.sop_instance_uid, s.digest).join(t.instances, i.number == s.instance)
            known = {
                row[0]: row[1] for row in connection.execute(pairs.where(i.rejected.is_(None)))
            }
        rows = connection.execute(
            photographs.where(i.rejected.is_(None), i.modality == "XC").order_by(i.journal_seq)
        ).all()
    found: dict[str, str] = {}
    for uid, path, source in rows:
        digest = known.get(uid)
        if digest is None:
            digest = shown_digest(describe_file(archive.layout.path_of(path)), source)
        if digest:
            found[uid] = digest
    return found
