"""From a session to the archive: each photograph made, checked, and kept, or told why not.

Workers read, turn and check photographs; one thread, the caller's, hands what they made to the
archive, which flushes it while the workers go on. What is under way is bounded, so that memory
does not grow with the session.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from archiver.archive.ingest.memory_budget import MemoryGate, need
from archiver.archive.ingest.service import Ingest
from archiver.archive.ingest.study_numbers import InstanceNumbers, placed
from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Incoming, OnDoubt, Outcome
from archiver.dentition import Plan
from archiver.errors import ArchiveError, InputError, PhotoError, Problem
from archiver.objects import (
    DerivedUids,
    Identity,
    Making,
    Photograph,
    PhotographInstance,
    Session,
    UidPolicy,
    crop_problem,
    demand_offset,
    describe,
    is_answered,
    part10,
    photograph,
)
from archiver.photo import (
    Both,
    Box,
    CameraFile,
    Edges,
    Limits,
    PictureDoubt,
    QualityFigures,
    QualityLimits,
    corrected_time,
    encode_both,
    encode_corrected,
    file_doubts,
    judge,
    measure,
    read_camera_file,
    source_box,
    tile_boxes,
)
from archiver.standard import Finding, Severity, validate_encoded

#: A camera's day may differ from the visit's by this much without a word (a visit past midnight).
_DAYS_APART = 1


#: How reports for programs, and drafts, name what became of a photograph.
STATUS_NAMES = {Outcome.NEW: "archived", Outcome.SAME: "present", Outcome.REFUSED: "refused"}


#: What is in doubt of a photograph, as it is going to be archived.
Weigh = Callable[[Session, Photograph, Plan, CameraFile], tuple[PictureDoubt, ...]]


def weigh_file(
    session: Session, entry: Photograph, plan: Plan, photo: CameraFile
) -> tuple[PictureDoubt, ...]:
    """Weigh what the camera file itself says."""
    return file_doubts(photo, looks_up_or_down=plan.camera_looked_steeply)


@dataclass(frozen=True)
class IngestSettings:
    """How photographs are made into instances.

    Parameters
    ----------
    edges
        ``trim`` or ``lossless``: what is done with an edge that is no whole block.
    limits
        What is refused for its size.
    quality
        From which figures on a warning is given.
    uids
        How identifiers are made.
    weigh
        Weighs what speaks for a photograph being turned, reflected or another's than is said.
    now
        Tells the time, aware of its offset.
    workers
        How many photographs are worked on at once.
    gate
        Bounds the memory that they take together.

    Raises
    ------
    InputError
        If the clock is naive, or no worker is left.
    """

    now: Callable[[], datetime]
    edges: Edges = "trim"
    limits: Limits = field(default_factory=Limits)
    quality: QualityLimits = field(default_factory=QualityLimits)
    uids: UidPolicy = field(default_factory=DerivedUids)
    workers: int = 1
    gate: MemoryGate = field(default_factory=MemoryGate)
    weigh: Weigh = weigh_file

    def __post_init__(self) -> None:
        demand_offset(self.now())
        if self.workers < 1:
            raise InputError(Problem("archive.session_ingest.workers", workers=self.workers))


@dataclass(frozen=True)
class ArchivedInstance:
    """An instance that is in the archive."""

    sop_instance_uid: str
    role: str
    path: str


@dataclass(frozen=True)
class WrappedPhotograph:
    """What became of one photograph of a session.

    Parameters
    ----------
    number
        Its place in the session, from 1.
    problems
        Why it was refused.
    warnings
        What a person should look at.
    findings
        What the validator said of its instances.
    doubts
        What speaks against what is said of it, answered or not.
    """

    photograph: Photograph
    number: int
    status: Outcome
    plan: Plan | None = None
    instances: tuple[ArchivedInstance, ...] = ()
    problems: tuple[Problem, ...] = ()
    warnings: tuple[Problem, ...] = ()
    findings: tuple[Finding, ...] = ()
    figures: QualityFigures | None = None
    doubts: tuple[PictureDoubt, ...] = ()

    @property
    def unanswered(self) -> tuple[PictureDoubt, ...]:
        """The doubts that what is said of it does not answer."""
        return tuple(one for one in self.doubts if not is_answered(one, self.photograph))


@dataclass(frozen=True)
class _Made:
    """A photograph on its way: what is known of it, and what is to be kept."""

    taken: WrappedPhotograph
    incoming: tuple[Incoming, ...] = ()
    findings: tuple[tuple[Finding, ...], ...] = ()


def take_in(
    session: Session, archive: Archive, settings: IngestSettings
) -> Generator[WrappedPhotograph, None, None]:
    """Take every photograph of a session into the archive, in the order of the sheet.

    Yields
    ------
    WrappedPhotograph
        For each photograph, once it is kept or refused; one that is refused stops no other.

    Raises
    ------
    ArchiveError
        If the archive cannot be written. Photographs told before are kept.
    """
    study = photograph.study_uid(session, settings.uids)
    session = placed(archive, session, study, settings.uids)
    numbers = InstanceNumbers(archive, study, session.visit.date)
    with ThreadPoolExecutor(settings.workers, "photograph") as pool:
        under_way: deque[Future[_Made]] = deque()
        try:
            # One more than there are workers, so that none waits for the disk.
            for number, entry in enumerate(session.photographs, start=1):
                under_way.append(
                    pool.submit(_make, session, entry, number, archive, settings, numbers)
                )
                if len(under_way) > settings.workers:
                    yield _keep(under_way.popleft().result(), archive)
            while under_way:
                yield _keep(under_way.popleft().result(), archive)
        finally:
            for future in under_way:
                future.cancel()


def _make(
    session: Session,
    entry: Photograph,
    number: int,
    archive: Archive,
    settings: IngestSettings,
    numbers: InstanceNumbers,
) -> _Made:
    """Make the instances of one photograph; whatever is wrong with it ends in its outcome."""
    taken = WrappedPhotograph(entry, number, Outcome.REFUSED)
    try:
        photo = read_camera_file(entry.file, limits=settings.limits, now=settings.now())
        plan = entry.plan(photo.exif_orientation)
        taken = replace(taken, plan=plan, warnings=photo.notes)
        _check_crop(entry, photo, plan)
        identity = photograph.identify(
            session, entry, plan, photo.sha256, settings.edges, settings.uids
        )
        taken = replace(
            taken, warnings=(*taken.warnings, *_earlier(session, archive, photo, identity))
        )
        held = _held(archive, identity)
        weigh = weigh_file if held else settings.weigh
        taken = replace(taken, doubts=weigh(session, entry, plan, photo))
        if held:
            return _Made(replace(taken, status=Outcome.SAME, instances=held))
        making = _making(session, taken, plan, photo, identity, settings)
        place = numbers.number(making.taken, number, identity.as_shot)
        return _instances(replace(making, number=place), taken, settings)
    except InputError as error:
        problems = tuple(_named(p, entry) for p in error.problems)
        return _Made(replace(taken, status=Outcome.REFUSED, problems=problems))
    except MemoryError:
        problem = Problem("archive.session_ingest.too_little_memory").at(file=entry.file.name)
        return _Made(replace(taken, status=Outcome.REFUSED, problems=(problem,)))


def _named(problem: Problem, entry: Photograph) -> Problem:
    name = entry.file.name
    return problem if problem.place.file == name else problem.at(file=name)


def _check_crop(entry: Photograph, photo: CameraFile, plan: Plan) -> None:
    if entry.crop is not None:
        problem = crop_problem(entry.crop, photo.columns, photo.rows, plan.correction)
        if problem is not None:
            raise PhotoError(problem)


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
    if any(r.rejected is not None and r.sop_instance_uid in mine for r in everything):
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


def _held(archive: Archive, identity: Identity) -> tuple[ArchivedInstance, ...]:
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


def _making(
    session: Session,
    taken: WrappedPhotograph,
    plan: Plan,
    photo: CameraFile,
    identity: Identity,
    settings: IngestSettings,
) -> Making:
    time = corrected_time(photo.claims, session.visit.clock_offset)
    when = time.when if time is not None else None
    said, number = taken.photograph, taken.number
    return Making(session, said, plan, photo, identity, number, when, settings.now())


def _instances(making: Making, taken: WrappedPhotograph, settings: IngestSettings) -> _Made:
    """Encode, build, measure and check; refuse what the validator finds wrong."""
    both = _encoded(making, settings)
    built = [photograph.as_shot(making, both.as_shot)]
    if both.corrected is not None and making.identity.corrected is not None:
        built.append(photograph.corrected(making, both.corrected))
    figures = measure([tile.pixels for tile in both.tiles], _longer_side(making))
    judged = judge(figures, settings.quality)
    warnings = (*taken.warnings, *judged, *_about_the_day(making))
    headers = [part10.encoded(one.dataset) for one in built]
    found = tuple(
        tuple(validate_encoded(header, one.pixels.stream, one.pixels.transfer_syntax))
        for one, header in zip(built, headers, strict=True)
    )
    findings = tuple(f for each in found for f in each)
    taken = replace(taken, warnings=warnings, findings=findings, figures=figures)
    errors = [f for f in findings if f.severity is Severity.ERROR]
    if errors:
        problems = tuple(f.problem().at(file=making.photo.name) for f in errors)
        return _Made(replace(taken, status=Outcome.REFUSED, problems=problems))
    incoming = tuple(
        _incoming(one, header, making.photo) for one, header in zip(built, headers, strict=True)
    )
    return _Made(replace(taken, status=Outcome.NEW), incoming, found)


def _incoming(one: PhotographInstance, header: bytes, photo: CameraFile) -> Incoming:
    """Describe an instance as its file, read again, will describe itself."""
    described = replace(describe(one.dataset), transfer_syntax=one.pixels.transfer_syntax)
    parts = part10.pieces(one, header)
    return Incoming(described, parts, photo.sha256, photo.name, on_doubt=OnDoubt.REFUSE)


def _longer_side(making: Making) -> int:
    crop = making.photograph.crop
    if crop is not None:
        return max(crop.width, crop.height)
    return max(making.photo.columns, making.photo.rows)


def _encoded(making: Making, settings: IngestSettings) -> Both:
    crop, photo = making.photograph.crop, making.photo
    box = Box(crop.left, crop.top, crop.width, crop.height) if crop is not None else None
    turn = making.plan.correction.value
    region = Box(0, 0, photo.columns, photo.rows)
    if box is not None:
        region = source_box(box, turn, photo.columns, photo.rows)
    second_array = making.plan.correction.swaps_sides or box is not None
    with settings.gate.room_for(need(photo, second_array=second_array)):
        both = encode_both(photo, turn, box, edges=settings.edges, tiles=tile_boxes(region))
    if both.corrected is None and making.identity.corrected is not None:
        # A mirror shot that the camera itself turned back: right way round as it is.
        return replace(both, corrected=encode_corrected(photo, turn, box))
    return both


def _about_the_day(making: Making) -> tuple[Problem, ...]:
    day = making.session.visit.date
    if making.taken is None:
        return (Problem("archive.session_ingest.no_time"),)
    apart = abs(making.taken.date() - day)
    if apart <= timedelta(days=_DAYS_APART):
        return ()
    return (
        Problem(
            "archive.session_ingest.clock_far_off",
            taken=f"{making.taken:%Y-%m-%d}",
            days=apart.days,
            day=day.isoformat(),
        ),
    )


def _keep(made: _Made, archive: Archive) -> WrappedPhotograph:
    """Hand the instances of one photograph to the archive, together."""
    taken = made.taken
    if not made.incoming:
        return taken
    stored = Ingest.of(archive).accept(made.incoming, made.findings)
    refused = [s.problem for s in stored if s.outcome is Outcome.REFUSED and s.problem]
    if refused:
        return replace(taken, status=Outcome.REFUSED, problems=tuple(refused[:1]))
    conflicts = [s.problem for s in stored if s.outcome is Outcome.CONFLICT and s.problem]
    # An instance that an earlier run kept before it was stopped is not made anew: its twin of
    # now differs in the time of its making alone.
    kept = tuple(
        ArchivedInstance(s.sop_instance_uid, incoming.description.role or "", str(s.path))
        for s, incoming in zip(stored, made.incoming, strict=True)
    )
    if len(conflicts) == len(stored):
        raise ArchiveError(*conflicts)
    return replace(taken, instances=kept)
