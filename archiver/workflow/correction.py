"""An archived photograph put right, and those who have the wrong one found."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime

from archiver import __version__
from archiver.archive.statements import (
    Amendment,
    AmendmentRequest,
    AmendmentSettings,
    HandedOver,
    carry_out,
    keep_doubts,
    kept_doubts,
    of_instances,
    prepare,
)
from archiver.archive.store import Archive
from archiver.network.outbox import settle_owed
from archiver.records.checks import failed_sides


@dataclass(frozen=True)
class Amended:
    """An amendment that was carried out, or only prepared.

    Parameters
    ----------
    amendment
        What was wrong, what came in its place, and the note.
    done
        False for one that was only prepared.
    queued
        For each peer that had the old instances, how many objects are new in the outbox.
    handed_over
        Packages that left with the old instances.
    """

    amendment: Amendment
    done: bool
    queued: dict[str, int] = field(default_factory=dict)
    handed_over: tuple[HandedOver, ...] = ()


def amend(
    archive: Archive, request: AmendmentRequest, ways: AmendmentSettings, *, dry_run: bool = False
) -> Amended:
    """Put a photograph right: new instances in the place of the old, which a note rejects.

    Peers that had the old instances are owed the new ones and the note; these are put into the
    outbox.

    Parameters
    ----------
    archive
        Open for writing; for reading is enough for a dry run.
    request
        Which photograph, and what is right.
    ways
        When it is done, and how edges and identifiers are made.
    dry_run
        Prepare and check everything, write nothing.

    Raises
    ------
    ObjectError
        If the photograph cannot be amended so, or nothing would change.
    MeaningError
        If what is said contradicts itself.
    ArchiveError
        If the archive refuses; nothing was kept then.

    Examples
    --------
    >>> from datetime import datetime, timezone
    >>> from pathlib import Path
    >>> from archiver import AmendmentRequest, AmendmentSettings, Archive, Change, amend
    >>> from archiver import parse_teeth
    >>> request = AmendmentRequest("1.2.3", Change(teeth=parse_teeth("iso:26")), by="Haugen^Liv")
    >>> settings = AmendmentSettings(datetime(2026, 3, 5, tzinfo=timezone.utc))
    >>> with Archive.open(Path("photographs")) as archive:
    ...     amend(archive, request, settings)
    Traceback (most recent call last):
    archiver.errors.ObjectError: there is no instance 1.2.3 in the archive
    """
    if dry_run:
        amendment = prepare(archive, request, ways)
        return Amended(amendment, False, handed_over=_packages(archive, amendment))
    # What an amendment that was stopped still owes to peers.
    settle_owed(archive, ways.now)
    amendment = prepare(archive, request, ways)
    carry_out(archive, amendment)
    _carry_findings(archive, amendment, ways.now)
    queued = settle_owed(archive, ways.now)
    return Amended(amendment, True, queued, _packages(archive, amendment))


def _carry_findings(archive: Archive, amendment: Amendment, now: datetime) -> None:
    """What was found wrong holds for a successor that shows it alike."""
    before, after = amendment.before.plan, amendment.after.plan
    alike = before.sight == after.sight and before.stored == after.stored
    _carry_doubts(archive, amendment, now, alike=alike)
    if not alike:
        return
    failed = failed_sides(archive.layout.root)
    carried = [one for one in amendment.successors if one.predecessor in failed]
    if not carried:
        return
    from archiver.priors import SideFinding, keep_findings

    found = [failed[one.predecessor] for one in carried]
    told = [
        SideFinding(one.sop_instance_uid, of.outcome, of.detail)
        for one, of in zip(carried, found, strict=True)
    ]
    keep_findings(archive.layout.root, told, time=now, by=f"amend {__version__}")


def _carry_doubts(archive: Archive, amendment: Amendment, now: datetime, *, alike: bool) -> None:
    """Doubts about a file stay; those of earlier pictures do where it is said to show the same."""
    root = archive.layout.root
    known = kept_doubts(root)
    found = {
        doubt.kind: doubt
        for one in amendment.successors
        for doubt in known.get(one.predecessor, ())
        if alike or doubt.kind.is_of_file
    }
    # Who says how it was flipped has answered what the file made doubtful.
    answered = amendment.before.plan.stored != amendment.after.plan.stored
    carried = [
        replace(of, sop=one.sop_instance_uid, is_answered=of.is_answered or answered)
        for one in amendment.successors
        for of in found.values()
    ]
    keep_doubts(root, carried, time=now, by=f"amend {__version__}")


def _packages(archive: Archive, amendment: Amendment) -> tuple[HandedOver, ...]:
    return tuple(of_instances(archive.layout.root, amendment.rejected))
