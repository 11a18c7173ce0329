"""A session wrapped with all evidence weighed: that of its files, and that of the archive."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING

from archiver import __version__
from archiver.archive.ingest import IngestSettings, WrappedPhotograph, WrappedSession, weigh_file
from archiver.archive.ingest import wrap as ingest
from archiver.archive.statements import KeptDoubt, keep_doubts, kept_doubts
from archiver.archive.store import Archive, Outcome
from archiver.dentition import Plan
from archiver.errors import PhotoError, Problem
from archiver.objects import (
    CARD,
    CHART_FRAME,
    Calibration,
    Patient,
    Photograph,
    Session,
    is_answered,
)
from archiver.photo import Box, CameraFile, PictureDoubt, reduced, source_box
from archiver.priors import KnownPictures

#: Longer side of the picture in which a chart's patches are measured: reducing it averages noise.
_CHART_SIDE = 2200

if TYPE_CHECKING:
    from archiver.priors import ArchiveEvidence, PreparedPictures


def wrap(
    archive: Archive,
    session: Session,
    settings: IngestSettings,
    *,
    progress: Callable[[WrappedPhotograph], None] | None = None,
) -> WrappedSession:
    """Make DICOM instances of the photographs of a session and keep them.

    Each becomes an instance as shot and, where a mirror, a turn or a crop asks for it, a second
    one that is the right way round. A photograph that cannot be taken stops no other; the same
    session wrapped again adds nothing.

    Where a photograph shows a 24-patch colour chart (`colour_frame`) or a grey card (`grey_card`),
    those taken with the same camera, settings and light get a corrected instance with an ICC
    profile made from it.

    Each is compared with those that the patient had before, not with others of the session, and
    what is found of its side is kept for the audit, the pages and hand-overs. Peers that had a
    photograph whose side is confirmed only now are owed what says so.

    Parameters
    ----------
    archive
        Open for writing.
    session
        Read from a sheet by `archiver.objects.read_sheet`, or put together.
    settings
        The clock, what is done at incomplete blocks, and limits.
    progress
        Told what became of each photograph once it is kept or refused; what it raises ends the
        work, and what was told is kept.

    Raises
    ------
    InputError
        If the patient's identifier is known under another name, birth date or sex, or the study
        holds another patient, and the session does not say who has looked. Nothing is kept then.
    ArchiveError
        If the archive cannot be written. Photographs told before are kept.

    Examples
    --------
    >>> from datetime import date, datetime
    >>> from pathlib import Path
    >>> from archiver import Archive, IngestSettings, Patient, Photograph, Session, View, Visit
    >>> from archiver import parse_teeth, wrap
    >>> teeth = parse_teeth("iso:25")
    >>> shot = Photograph(Path("IMG_0101.JPG"), View.OCCLUSAL, mirror=True, teeth=teeth)
    >>> session = Session(Patient("P-0417"), Visit(date(2026, 3, 4)), (shot,))
    >>> settings = IngestSettings(now=lambda: datetime.now().astimezone())
    >>> with Archive.open(Path("photographs"), actor="liv") as archive:
    ...     for one in wrap(archive, session, settings).photographs:
    ...         one.status.value, [kept.role for kept in one.instances]
    ('new', ['original', 'derived'])
    """
    weighing = _Weighing(archive, session.patient)

    def kept(one: WrappedPhotograph) -> None:
        weighing.keep(one, settings)
        if progress is not None:
            progress(one)

    ways = replace(settings, weigh=weighing.weigh, characterise=_characterised)
    wrapped = ingest(archive, session, ways, progress=kept)
    if any(one.confirmed_now for one in wrapped.photographs):
        # Imported here: the network's libraries take longer than a photograph.
        from archiver.network.outbox import settle_owed

        settle_owed(archive, settings.now())
    return wrapped


def _characterised(photo: CameraFile, entry: Photograph) -> Calibration:
    # Imported here: few sessions have a chart or a card.
    import numpy as np

    from archiver.colour import BY_CARD, GREY_CARD, characterise_picture, grey_profile

    pixels = np.asarray(reduced(photo, _CHART_SIDE).convert("RGB"))
    card = entry.circumstances.grey_card
    if entry.circumstances.colour_frame == CHART_FRAME or card is None:
        made = characterise_picture(pixels)
        left = made.residual
        return Calibration(made.profile("From a 24-patch colour chart"), left.median, left.upper)
    if photo.colour.icc is None:
        raise PhotoError(Problem("colour.card.no_profile"))
    turn = entry.plan(photo.exif_orientation).correction.value
    box = Box(card.left, card.top, card.width, card.height)
    stored = source_box(box, turn, photo.columns, photo.rows)
    scale = pixels.shape[1] / photo.columns
    left, top, right, bottom = (
        round(side * scale) for side in (stored.left, stored.top, stored.right, stored.bottom)
    )
    region = (left, top, right - left, bottom - top)
    profile = grey_profile(pixels, region, photo.colour.icc, "From a grey card", GREY_CARD)
    return Calibration(profile, *BY_CARD, kind=CARD)


class _Weighing:
    """Weighs photographs on the way in, on any thread, and keeps what was found of each."""

    def __init__(self, archive: Archive, patient: Patient) -> None:
        self._archive = archive
        # Before the first of the session is archived: its own photographs say nothing of it.
        self._known = KnownPictures.of(archive.query, patient.id, patient.issuer)
        self._guard = threading.Lock()
        self._found: dict[int, ArchiveEvidence] = {}

    def weigh(
        self, session: Session, entry: Photograph, plan: Plan, photo: CameraFile
    ) -> tuple[PictureDoubt, ...]:
        """Return the doubts about a photograph."""
        of_file = weigh_file(session, entry, plan, photo)
        beside = self._known.counterparts(plan.sight, photo.sha256)
        if not beside:  # what compares is not even loaded
            return of_file
        from archiver.priors import weigh_camera_file

        evidence = weigh_camera_file(beside, photo, plan.correction, self._pictures)
        with self._guard:
            self._found[id(entry)] = evidence
        return (*of_file, *evidence.doubts)

    @cached_property
    def _pictures(self) -> PreparedPictures:
        from archiver.priors import PreparedPictures

        return PreparedPictures()

    def keep(self, one: WrappedPhotograph, settings: IngestSettings) -> None:
        """Keep what was found of a photograph, once it is archived."""
        with self._guard:
            evidence = self._found.pop(id(one.photograph), None)
        if not one.instances:
            return
        self._keep_doubts(one, settings.now())
        if evidence is None:
            return
        from archiver.priors import keep_outcomes

        told = [(of.record.sop_instance_uid, of.verdict.way) for of in evidence.decided]
        if told:
            keep_outcomes(
                self._archive.layout.root,
                one.instances[-1].sop_instance_uid,
                told,
                time=settings.now(),
                by=f"wrap {__version__}",
            )

    @cached_property
    def _doubts_before(self) -> Mapping[str, tuple[KeptDoubt, ...]]:
        """What was kept of all photographs before this session; read once, as it may be much."""
        return kept_doubts(self._archive.layout.root)

    def _keep_doubts(self, one: WrappedPhotograph, now: datetime) -> None:
        """Keep the doubts about a photograph, and answers to those that were kept before."""
        if not one.doubts and one.status is Outcome.NEW:
            return
        uid, root = one.instances[-1].sop_instance_uid, self._archive.layout.root
        before = {doubt.kind: doubt for doubt in self._doubts_before.get(uid, ())}
        found = {
            doubt.kind: KeptDoubt(uid, doubt.kind, doubt.text, doubt.turn) for doubt in one.doubts
        }
        # The archive's evidence is weighed once; what a later run of the sheet says may answer it.
        told = [
            replace(doubt, is_answered=is_answered(doubt, one.photograph))
            for doubt in {**before, **found}.values()
        ]
        new = [doubt for doubt in told if doubt != before.get(doubt.kind)]
        keep_doubts(root, new, time=now, by=f"wrap {__version__}")
