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
from datetime import datetime

from archiver.archive.ingest.capture_day import about_the_day
from archiver.archive.ingest.colour_frames import Characterise, ColourFrames, colour_frames
from archiver.archive.ingest.earlier_runs import ArchivedInstance, Standing, standing
from archiver.archive.ingest.memory_budget import MemoryGate, need
from archiver.archive.ingest.service import Ingest
from archiver.archive.ingest.side_claims import as_seen, unconfirmed
from archiver.archive.ingest.study_numbers import InstanceNumbers, placed
from archiver.archive.ingest.wrapped_photograph import WrappedPhotograph
from archiver.archive.statements.amendments import (
    AmendmentRequest,
    AmendmentSettings,
    carry_out,
    prepare,
)
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Incoming, OnDoubt, Outcome
from archiver.dentition import Plan
from archiver.errors import ArchiveError, InputError, PhotoError, Problem
from archiver.objects import (
    Change,
    Confirmation,
    DerivedUids,
    Identity,
    Making,
    Photograph,
    PhotographInstance,
    Session,
    UidPolicy,
    answered_by,
    crop_problem,
    demand_offset,
    describe,
    part10,
    photograph,
)
from archiver.photo import (
    Both,
    Box,
    CameraFile,
    Edges,
    EncodedPixels,
    Limits,
    PictureDoubt,
    corrected_time,
    encode_both,
    encode_corrected,
    file_doubts,
    read_camera_file,
)
from archiver.standard import Finding, Severity, validate_encoded
from archiver.vision import QualityLimits

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
        From which figures on a warning is given; None where nobody looks at the pictures, which
        takes longer than all else.
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
    characterise
        Makes a profile from a frame with a colour chart; None where none is to be made.

    Raises
    ------
    InputError
        If the clock is naive, or no worker is left.
    """

    now: Callable[[], datetime]
    edges: Edges = "trim"
    limits: Limits = field(default_factory=Limits)
    quality: QualityLimits | None = None
    uids: UidPolicy = field(default_factory=DerivedUids)
    workers: int = 1
    gate: MemoryGate = field(default_factory=MemoryGate)
    weigh: Weigh = weigh_file
    characterise: Characterise | None = None

    def __post_init__(self) -> None:
        demand_offset(self.now())
        if self.workers < 1:
            raise InputError(Problem("archive.session_ingest.workers", workers=self.workers))


@dataclass(frozen=True)
class _Made:
    """A photograph on its way: what is known of it, and what is to be kept."""

    taken: WrappedPhotograph
    incoming: tuple[Incoming, ...] = ()
    findings: tuple[tuple[Finding, ...], ...] = ()
    confirm: AmendmentRequest | None = None


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

    def read(entry: Photograph) -> CameraFile:
        return read_camera_file(entry.file, limits=settings.limits, now=settings.now())

    frames = colour_frames(session, settings.characterise, read, (settings.edges, settings.uids))
    with ThreadPoolExecutor(settings.workers, "photograph") as pool:
        under_way: deque[Future[_Made]] = deque()
        try:
            # One more than there are workers, so that none waits for the disk.
            for number, entry in enumerate(session.photographs, start=1):
                under_way.append(
                    pool.submit(_make, session, entry, number, archive, settings, numbers, frames)
                )
                if len(under_way) > settings.workers:
                    yield _keep(under_way.popleft().result(), archive, settings)
            while under_way:
                yield _keep(under_way.popleft().result(), archive, settings)
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
    frames: ColourFrames,
) -> _Made:
    """Make the instances of one photograph; whatever is wrong with it ends in its outcome."""
    taken = WrappedPhotograph(entry, number, Outcome.REFUSED)
    try:
        photo = read_camera_file(entry.file, limits=settings.limits, now=settings.now())
        plan = entry.plan(photo.exif_orientation)
        calibration, told = frames.of(entry, photo)
        taken = replace(taken, plan=plan, warnings=(*photo.notes, *told))
        _check_crop(entry, photo, plan)
        seen = photograph.examined(session, entry, plan, photo, edges=settings.edges)
        given, unbound = as_seen(entry, seen)
        # An earlier run may have kept it unconfirmed, or by an earlier version's word alone.
        ways = dict.fromkeys((given, unconfirmed(entry), entry))
        how = (plan, photo.sha256, settings.edges, settings.uids)
        # Nor does a chart that came to the sheet later make a picture anew.
        identities = [
            photograph.identify(session, one, *how, by)
            for by in dict.fromkeys((calibration, None))
            for one in ways
        ]
        before = standing(archive, session, photo, identities, given.confirmed_by)
        weigh = weigh_file if before.instances else settings.weigh
        doubts = weigh(session, given, plan, photo)
        taken = replace(taken, photograph=given, examined=seen, doubts=doubts)
        if before.instances:
            return _held(taken, before, unbound)
        taken = replace(taken, warnings=(*taken.warnings, *unbound, *before.warnings))
        making = _making(session, taken, plan, photo, identities[0], settings)
        place = numbers.number(making.taken, number, making.identity.as_shot)
        making = replace(making, number=place, calibration=calibration)
        return _instances(making, taken, settings)
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


def _held(taken: WrappedPhotograph, before: Standing, unbound: tuple[Problem, ...]) -> _Made:
    """Tell of a photograph that is kept already, and of its side if it is confirmed only now."""
    if before.confirmed_by:
        unbound = ()
    given = taken.photograph
    return _Made(
        replace(
            taken,
            status=Outcome.SAME,
            instances=before.instances,
            warnings=(*taken.warnings, *unbound, *before.warnings),
            photograph=replace(given, confirmed_by=before.confirmed_by),
        ),
        confirm=AmendmentRequest(
            before.to_confirm,
            Change(
                confirmed_by=given.confirmed_by, shown=given.shown, confirmed_at=given.confirmed_at
            ),
            by=given.confirmed_by,
        )
        if before.to_confirm
        else None,
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
    said, number, now = taken.photograph, taken.number, settings.now()
    confirmed: tuple[Confirmation, ...] = ()
    if said.confirmed_by and taken.examined is not None:
        at = said.confirmed_at or now
        confirmed = (Confirmation.of(taken.examined, said.confirmed_by, at),)
    return Making(session, said, plan, photo, identity, number, when, now, confirmed)


def _instances(making: Making, taken: WrappedPhotograph, settings: IngestSettings) -> _Made:
    """Encode, build, measure and check; refuse what the validator finds wrong."""
    both = _encoded(making, settings)
    built = [photograph.as_shot(making, both.as_shot)]
    if both.corrected is not None and making.identity.corrected is not None:
        built.append(photograph.corrected(making, both.corrected))
    taken = _looked_at(taken, built[-1].pixels, settings.quality)
    warnings = (*taken.warnings, *about_the_day(making))
    headers = [part10.encoded(one.dataset) for one in built]
    found = tuple(
        tuple(validate_encoded(header, one.pixels.stream, one.pixels.transfer_syntax))
        for one, header in zip(built, headers, strict=True)
    )
    findings = tuple(f for each in found for f in each)
    taken = replace(taken, warnings=warnings, findings=findings)
    errors = [f for f in findings if f.severity is Severity.ERROR]
    if errors:
        problems = tuple(f.problem().at(file=making.photo.name) for f in errors)
        return _Made(replace(taken, status=Outcome.REFUSED, problems=problems))
    notes = [said.note for said in making.confirmations]
    notes += [
        f"doubt ({doubt.kind.value}) answered by {answered_by(doubt.kind)}"
        for doubt in taken.doubts
        if doubt not in taken.unanswered
    ]
    incoming = tuple(
        _incoming(one, header, making.photo, "; ".join(notes))
        for one, header in zip(built, headers, strict=True)
    )
    return _Made(replace(taken, status=Outcome.NEW), incoming, found)


def _looked_at(
    taken: WrappedPhotograph, shown: EncodedPixels, limits: QualityLimits | None
) -> WrappedPhotograph:
    """Tell how good the teeth of a picture are, where somebody wants to know."""
    if limits is None:
        return taken
    # Imported here: with numpy, OpenCV and the model it takes as long as a photograph.
    from archiver.archive.ingest.picture_quality import assess_stream

    view = taken.photograph.view
    seen = assess_stream(shown, view)
    if seen is None:
        return taken
    warnings = (*taken.warnings, *seen.warnings(view, limits))
    return replace(taken, warnings=warnings, figures=seen.figures)


def _incoming(one: PhotographInstance, header: bytes, photo: CameraFile, note: str) -> Incoming:
    """Describe an instance as its file, read again, will describe itself."""
    described = replace(describe(one.dataset), transfer_syntax=one.pixels.transfer_syntax)
    return Incoming(
        described,
        part10.pieces(one, header),
        photo.sha256,
        photo.name,
        origin=note,
        on_doubt=OnDoubt.REFUSE,
    )


def _encoded(making: Making, settings: IngestSettings) -> Both:
    crop, photo = making.photograph.crop, making.photo
    box = Box(crop.left, crop.top, crop.width, crop.height) if crop is not None else None
    turn = making.plan.correction.value
    second_array = making.plan.correction.swaps_sides or box is not None
    with settings.gate.room_for(need(photo, second_array=second_array)):
        both = encode_both(photo, turn, box, edges=settings.edges)
    if both.corrected is None and making.identity.corrected is not None:
        # A mirror shot that the camera itself turned back: right way round as it is.
        return replace(both, corrected=encode_corrected(photo, turn, box))
    return both


def _keep(made: _Made, archive: Archive, settings: IngestSettings) -> WrappedPhotograph:
    """Hand the instances of one photograph to the archive, together."""
    taken = made.taken
    if made.confirm is not None:
        return _confirmed(taken, made.confirm, archive, settings)
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


def _confirmed(
    taken: WrappedPhotograph, wish: AmendmentRequest, archive: Archive, settings: IngestSettings
) -> WrappedPhotograph:
    """Confirm the side of a photograph that was kept before; it stays as it is where it differs."""
    ways = AmendmentSettings(settings.now(), settings.edges, settings.uids)
    try:
        amendment = prepare(archive, wish, ways)
    except InputError as error:
        return replace(taken, warnings=(*taken.warnings, *error.problems))
    stored = carry_out(archive, amendment)
    kept = tuple(
        ArchivedInstance(one.sop_instance_uid, one.role, str(where.path))
        for one, where in zip(amendment.successors, stored, strict=False)
    )
    entry = replace(taken.photograph, confirmed_by=amendment.after.photograph.confirmed_by)
    return replace(taken, instances=kept, photograph=entry, confirmed_now=True)
