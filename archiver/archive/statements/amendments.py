"""An archived photograph put right: its successors and the note that rejects it, kept together.

A photograph is all that was made from one camera file with one meaning: the instance as shot and
its corrected pictures. They say the same of teeth, side and patient, so they are put right
together. Nothing is changed in place and nothing is deleted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from pydicom import Dataset
from pydicom.uid import ExplicitVRLittleEndian

from archiver.archive.ingest.service import Ingest
from archiver.archive.statements.held_photograph import HeldInstance, find_photograph
from archiver.archive.statements.patient_reassignment import NewPatient, whose
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Incoming, Stored
from archiver.errors import ObjectError, Problem
from archiver.objects import (
    Amending,
    Change,
    DerivedUids,
    Description,
    Meaning,
    Mistake,
    PhotographInstance,
    UidPolicy,
    Verdict,
    Whose,
    amendment,
    crop_problem,
    demand_offset,
    describe,
    key_objects,
    mistakes,
    part10,
    read_meaning,
    text,
)
from archiver.photo import Box, Edges, EncodedPixels, corrected_from, kept_grid
from archiver.standard import Finding, Severity, validate_bytes, validate_encoded
from archiver.wording import Text


@dataclass(frozen=True)
class AmendmentRequest:
    """What is to be done.

    Parameters
    ----------
    uid
        SOP Instance UID of any instance of the photograph.
    change
        What is right.
    whose
        Where the patient was wrong: the right one, as far as a person says it, or as worked out.
    reason
        ``safety``, ``quality`` or ``worklist``; empty to let it follow from what was wrong.
    remark
        What a person adds in words, for the note.
    by
        Who says so, as a DICOM person name; for the note.
    """

    uid: str
    change: Change
    whose: NewPatient | Whose | None = None
    reason: str = ""
    remark: str = ""
    by: str = ""


@dataclass(frozen=True)
class AmendmentSettings:
    """How successors are made.

    Parameters
    ----------
    now
        When; aware of its offset.
    edges
        ``trim`` or ``lossless``: what is done with an edge that is no whole block.
    """

    now: datetime
    edges: Edges = "trim"
    uids: UidPolicy = field(default_factory=DerivedUids)

    def __post_init__(self) -> None:
        demand_offset(self.now)


@dataclass(frozen=True)
class Successor:
    """An instance that comes in the place of another.

    Parameters
    ----------
    predecessor
        SOP Instance UID; empty where there was none.
    """

    sop_instance_uid: str
    predecessor: str
    role: str
    incoming: Incoming


@dataclass(frozen=True)
class Amendment:
    """All that an amendment keeps, made and checked and not yet kept.

    Parameters
    ----------
    before, after
        What the photograph said and says.
    found
        What was wrong.
    rejected
        SOP Instance UIDs of the old instances.
    """

    before: Meaning
    after: Meaning
    found: tuple[Mistake, ...]
    verdict: Verdict
    rejected: tuple[str, ...]
    successors: tuple[Successor, ...]
    note: Incoming
    findings: tuple[Finding, ...] = ()

    @property
    def note_uid(self) -> str:
        """SOP Instance UID of the rejection note."""
        return self.note.description.sop_instance_uid

    @property
    def unconfirmed_now(self) -> bool:
        """True where the side was confirmed and what was confirmed is no longer said."""
        return bool(self.before.photograph.confirmed_by) and not self.after.photograph.confirmed_by


@dataclass(frozen=True)
class Amendable:
    """An archived photograph as it may be put right.

    Parameters
    ----------
    uid
        SOP Instance UID of the instance as shot.
    says
        What it says of itself.
    cut
        What is cut from where it is cropped.
    """

    uid: str
    says: Meaning
    cut: mistakes.AsShot


def amendable(archive: Archive, uid: str, edges: Edges = "trim") -> Amendable:
    """Return what a photograph says, and what its correction is made from.

    Raises
    ------
    ObjectError
        If it is no photograph that can be amended.
    """
    shot, corrected = find_photograph(archive, uid)
    main = next((one for one in corrected if one.uid == uid), corrected[0] if corrected else None)
    says = read_meaning(shot.dataset, main.dataset if main else None, shot.picture)
    return Amendable(shot.uid, says, _cut(shot, edges))


def _cut(shot: HeldInstance, edges: Edges) -> mistakes.AsShot:
    size = (shot.pixels.columns, shot.pixels.rows)
    return mistakes.AsShot(size, kept_grid(shot.pixels), trims=edges == "trim")


def prepare(archive: Archive, wish: AmendmentRequest, ways: AmendmentSettings) -> Amendment:
    """Make and check everything that an amendment would keep; nothing is written.

    Raises
    ------
    ObjectError
        If the instance is not there, is no photograph, is rejected already, or its photograph
        as shot is missing; if nothing would change; or if a successor would not be valid.
    MeaningError
        If what is said contradicts itself.
    PhotoError
        If the right turn or crop cannot be made.
    """
    moved, right = _moved(archive, wish, ways.uids)
    shot, corrected = find_photograph(archive, wish.uid)
    main = _main(corrected, wish)
    before = read_meaning(shot.dataset, main.dataset if main else None, shot.picture)
    cut = _cut(shot, ways.edges)
    after = mistakes.amended(before, right, cut, ways.now)
    found = mistakes.mistakes(before, after, right)
    if not found:
        raise ObjectError(Problem("archive.amendments.nothing_would_change"))
    _check_crop(after, cut.size)
    verdict = mistakes.verdict(found, wish.reason, wish.remark)
    plain = "; ".join(mistake.words for mistake in found)
    making = Amending(after, plain, moved, ways.now, ways.uids)
    made = [_Made("original", shot.uid, amendment.as_shot(shot.dataset, making), shot.pixels)]
    unsaid = right.confirmed_by == ""
    # Each shows a part of its own, so that who confirmed one has not seen the others.
    others = replace(right, crop=None, uncropped=False, confirmed_by="" if unsaid else None)
    old_corrected: list[HeldInstance | None] = [*corrected] or [None]
    for one in old_corrected:
        change = right if one is main else others
        made += _corrected((shot, one), made[0].dataset, making, change, cut)
    old = [shot, *corrected]
    note, about_note = _note(old, verdict, wish.by, ways)
    successors, findings = _checked(made, shot.source)
    return Amendment(
        before,
        after,
        found,
        verdict,
        tuple(one.uid for one in old),
        successors,
        note,
        findings + about_note,
    )


def _main(corrected: Sequence[HeldInstance], wish: AmendmentRequest) -> HeldInstance | None:
    """Return the corrected picture that is meant, None where there is none."""
    named = next((one for one in corrected if one.uid == wish.uid), None)
    about_crop = wish.change.crop or wish.change.uncropped
    if len(corrected) > 1 and named is None and about_crop:
        raise ObjectError(
            Problem(
                "archive.amendments.several_corrected",
                corrected=tuple(one.uid for one in corrected),
            )
        )
    return named or (corrected[0] if corrected else None)


def _moved(
    archive: Archive, wish: AmendmentRequest, uids: UidPolicy
) -> tuple[Whose | None, Change]:
    """Work out to which patient and visit a photograph is moved, where it is."""
    if not isinstance(wish.whose, NewPatient):
        return wish.whose, wish.change
    moved = whose(archive, wish.uid, wish.whose, uids)
    return moved, replace(wish.change, patient=moved.patient, visit=moved.visit)


def _note(
    old: Sequence[HeldInstance], verdict: Verdict, by: str, ways: AmendmentSettings
) -> tuple[Incoming, tuple[Finding, ...]]:
    """Make and check the note that rejects the old instances."""
    note = key_objects.Note(
        verdict.title,
        tuple(key_objects.referenced(one.dataset) for one in old),
        verdict.words,
        verdict.modifiers,
        by,
    )
    told = key_objects.build(note, old[0].dataset, created=ways.now, uids=ways.uids)
    whole = part10.whole(told)
    findings = _without_errors(validate_bytes(whole), Text("archive.amendments.note"))
    return Incoming(_described(told, ExplicitVRLittleEndian), [whole]), findings


def carry_out(archive: Archive, amendment: Amendment) -> list[Stored]:
    """Keep the successors and the note, all of them or none.

    Raises
    ------
    ArchiveError
        If the archive refuses.
    """
    code = amendment.verdict.title.value
    notes = [
        f"in place of {one.predecessor}, reason {code}"
        if one.predecessor
        else f"made with {amendment.successors[0].sop_instance_uid}, reason {code}"
        for one in amendment.successors
    ]
    # More than eight do not fit in a line of the journal; the note itself has them all.
    new = set(amendment.after.confirmations) - set(amendment.before.confirmations)
    for one in new:
        notes = [f"{note}; {one.note}" for note in notes]
    notes.append(f"reason {code}, rejects {' '.join(amendment.rejected)}")
    batch = [*(one.incoming for one in amendment.successors), amendment.note]
    return Ingest.of(archive).accept_together(batch, notes)


def _check_crop(after: Meaning, size: tuple[int, int]) -> None:
    if after.photograph.crop is not None:
        problem = crop_problem(after.photograph.crop, *size, after.plan.correction)
        if problem is not None:
            raise ObjectError(problem)


@dataclass(frozen=True)
class _Made:
    role: str
    predecessor: str
    dataset: Dataset
    pixels: EncodedPixels


def _corrected(
    held: tuple[HeldInstance, HeldInstance | None],
    new_shot: Dataset,
    making: Amending,
    change: Change,
    cut: mistakes.AsShot,
) -> list[_Made]:
    """Make the successor of one corrected picture, or the first one, or none where none is due."""
    shot, old = held
    before = read_meaning(shot.dataset, old.dataset if old else None, shot.picture)
    after = mistakes.amended(before, change, cut, making.created)
    making = replace(making, after=after)
    if not after.needs_correction:
        return []
    turn, crop = after.plan.correction, after.photograph.crop
    same = turn is before.plan.correction and crop == before.photograph.crop
    if old is not None and same:
        ds = amendment.kept_corrected(old.dataset, new_shot, making)
        return [_Made("derived", old.uid, ds, old.pixels)]
    box = Box(crop.left, crop.top, crop.width, crop.height) if crop is not None else None
    result = corrected_from(shot.pixels, turn.value, box, edges="trim" if cut.trims else "lossless")
    before_it = old.dataset if old is not None else None
    ds = amendment.turned_corrected(before_it, new_shot, result, making)
    return [_Made("derived", old.uid if old is not None else "", ds, result.pixels)]


def _checked(
    made: Sequence[_Made], source: str | None
) -> tuple[tuple[Successor, ...], tuple[Finding, ...]]:
    successors = []
    findings: tuple[Finding, ...] = ()
    for one in made:
        header = part10.encoded(one.dataset)
        syntax = one.pixels.transfer_syntax
        found = validate_encoded(header, one.pixels.stream, syntax)
        findings += _without_errors(found, Text("archive.amendments.instance", role=one.role))
        incoming = Incoming(
            _described(one.dataset, syntax),
            part10.pieces(PhotographInstance(one.dataset, one.pixels), header),
            source,
        )
        uid = text(one.dataset, "SOPInstanceUID")
        successors.append(Successor(uid, one.predecessor, one.role, incoming))
    return tuple(successors), findings


def _described(ds: Dataset, syntax: str) -> Description:
    return replace(describe(ds), transfer_syntax=syntax)


def _without_errors(findings: Sequence[Finding], what: Text) -> tuple[Finding, ...]:
    errors = [f for f in findings if f.severity is Severity.ERROR]
    if errors:
        raise ObjectError(*(f.problem().at(subject=what) for f in errors))
    return tuple(findings)
