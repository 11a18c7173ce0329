"""Photographs whose view or side nobody has told, on the way in: kept as they are, or refused."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from archiver.archive.ingest.memory_budget import need
from archiver.archive.ingest.service import Ingest
from archiver.archive.ingest.session_ingest import IngestSettings
from archiver.archive.ingest.study_numbers import InstanceNumbers, placed
from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Incoming, OnDoubt, Outcome
from archiver.errors import InputError, PhotoError, Problem
from archiver.objects import (
    Session,
    UntoldMaking,
    UntoldPhotograph,
    describe,
    part10,
    photograph,
    untold,
    untold_uid,
)
from archiver.photo import (
    PictureDoubt,
    corrected_time,
    encode_both,
    file_doubts,
    read_camera_file,
)
from archiver.standard import Finding, Severity, validate_encoded
from archiver.workers import in_order

#: Instances put together, and their bytes.
_TOGETHER, _BYTES = 16, 32 << 20


@dataclass(frozen=True)
class UntoldTaken:
    """What became of such a photograph.

    Parameters
    ----------
    sop_instance_uid
        Under which it is archived; empty where it is not.
    doubts
        What the file itself says against its being as the camera took it.
    """

    entry: UntoldPhotograph
    status: Outcome
    sop_instance_uid: str = ""
    problems: tuple[Problem, ...] = ()
    doubts: tuple[PictureDoubt, ...] = ()


@dataclass(frozen=True)
class _Ready:
    taken: UntoldTaken
    incoming: Incoming | None = None
    findings: tuple[Finding, ...] = ()
    size: int = 0


def take_in_untold(
    session: Session,
    entries: Sequence[UntoldPhotograph],
    archive: Archive,
    settings: IngestSettings,
    origin: str = "",
) -> Iterator[UntoldTaken]:
    """Keep photographs of one visit of which view or side is not told.

    Parameters
    ----------
    session
        Patient and visit; its own photographs are not looked at.
    origin
        For the journal.

    Yields
    ------
    UntoldTaken
        For each, in order, once it is kept or refused; one that is refused stops no other.

    Raises
    ------
    ArchiveError
        If the archive cannot be written. Photographs told before are kept.
    """
    study = photograph.study_uid(session, settings.uids)
    session = placed(archive, session, study, settings.uids)
    numbers = InstanceNumbers(archive, study, session.visit.date)
    waiting: list[_Ready] = []

    def made(numbered: tuple[int, UntoldPhotograph]) -> _Ready:
        return _made(session, numbered[1], numbered[0], archive, settings, numbers, origin)

    several = enumerate(entries, start=1)
    for _, ready in in_order(made, several, settings.workers, "photograph"):
        waiting.append(ready)
        if len(waiting) >= _TOGETHER or sum(one.size for one in waiting) >= _BYTES:
            yield from _kept(waiting, archive)
            waiting = []
    yield from _kept(waiting, archive)


def _made(
    session: Session,
    entry: UntoldPhotograph,
    place: int,
    archive: Archive,
    settings: IngestSettings,
    numbers: InstanceNumbers,
    origin: str,
) -> _Ready:
    taken = UntoldTaken(entry, Outcome.REFUSED)
    try:
        photo = read_camera_file(entry.file, limits=settings.limits, now=settings.now())
        uid = untold_uid(session, entry, photo.sha256, settings.uids)
        looks = entry.view is not None and entry.view.shows_arch
        taken = replace(taken, doubts=file_doubts(photo, looks_up_or_down=looks))
        if held := kept_as(archive, session, photo.sha256):
            return _Ready(replace(taken, status=Outcome.SAME, sop_instance_uid=held))
        time = corrected_time(photo.claims, session.visit.clock_offset)
        when = time.when if time is not None else None
        number = numbers.number(when, place, uid)
        making = UntoldMaking(session, entry, photo, settings.uids, number, when, settings.now())
        with settings.gate.room_for(need(photo, second_array=False)):
            pixels = encode_both(photo, 1, None, edges=settings.edges).as_shot
        one = untold(making, pixels)
        header = part10.encoded(one.dataset)
        findings = tuple(validate_encoded(header, pixels.stream, pixels.transfer_syntax))
        errors = [f for f in findings if f.severity is Severity.ERROR]
        if errors:
            problems = tuple(f.problem().at(file=photo.name) for f in errors)
            return _Ready(replace(taken, problems=problems))
        described = replace(describe(one.dataset), transfer_syntax=pixels.transfer_syntax)
        incoming = Incoming(
            described,
            part10.pieces(one, header),
            photo.sha256,
            photo.name,
            origin=origin,
            on_doubt=OnDoubt.REFUSE,
        )
        ready = replace(taken, status=Outcome.NEW, sop_instance_uid=uid)
        return _Ready(ready, incoming, findings, len(pixels.stream))
    except InputError as error:
        return _Ready(replace(taken, problems=error.problems))
    except MemoryError:
        problem = Problem("archive.session_ingest.too_little_memory").at(file=entry.file.name)
        return _Ready(replace(taken, problems=(problem,)))


def kept_as(archive: Archive, session: Session, sha256: str) -> str:
    """Return under which instance a camera file is archived as it was shot; empty where it is not.

    Raises
    ------
    PhotoError
        If it is there under another patient.
    """
    same = archive.query(Query(source_sha256=sha256, include_rejected=True))
    me = (session.patient.id, session.patient.issuer)
    if any((one.patient_id, one.issuer) != me for one in same):
        raise PhotoError(Problem("archive.session_ingest.other_patient"))
    return next((one.sop_instance_uid for one in same if one.role == "original"), "")


def _kept(waiting: Sequence[_Ready], archive: Archive) -> Iterator[UntoldTaken]:
    """Put what is ready together, and tell of each."""
    ready = [one for one in waiting if one.incoming is not None]
    if ready:
        incoming = [one.incoming for one in ready if one.incoming is not None]
        found = Ingest.of(archive).accept(incoming, [one.findings for one in ready])
        stored = iter(found)
    for one in waiting:
        if one.incoming is None:
            yield one.taken
            continue
        kept = next(stored)
        problem = kept.problem
        if kept.outcome is Outcome.REFUSED and problem is not None:
            refused = replace(one.taken, status=Outcome.REFUSED, sop_instance_uid="")
            yield replace(refused, problems=(problem,))
        elif kept.outcome is Outcome.CONFLICT:
            # Its twin of an earlier run differs in the time of its making alone.
            yield replace(one.taken, status=Outcome.SAME)
        else:
            yield replace(one.taken, status=kept.outcome)
