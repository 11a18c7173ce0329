"""What was wrong with an archived photograph, and what it is instead.

Nothing here knows a file: what a photograph says is read from its datasets, what a person says
is put in its place, and from the two follow the right turn, the words of what was wrong and the
reason for which the old instances are rejected.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from archiver.dentition import (
    Code,
    Direction,
    LingualFronts,
    Plan,
    Tooth,
    Turn,
    View,
    shortened,
)
from archiver.objects import concepts
from archiver.objects.confirmation import (
    Confirmation,
    name_key,
    refuse_other,
    renewed,
    seen_in_mirror,
    signers,
)
from archiver.objects.photograph_meaning import Meaning
from archiver.objects.session import Crop, Patient, Photograph, Visit, crop_problem
from archiver.photo import Box, crop_done, source_box, turned_box
from archiver.wording import Text


@dataclass(frozen=True)
class Change:
    """What a person says is right; None for what stays as it is.

    Parameters
    ----------
    top
        What is at the top of the photograph as shot, as the archive has it.
    flipped
        How the file had been flipped before it was archived.
    crop
        Of the corrected picture; `uncropped` takes a crop away.
    confirmed_by, shown
        Who confirmed the side, and the code or digest of what was shown to them; an empty name
        takes every confirmation away.
    confirmed_at
        When they saw it; None for the time of the change.
    patient, visit
        Whose photograph it is, and the visit that it joins.
    lingual_fronts
        How it is displayed if it becomes a palatal or lingual picture of front teeth; one that is
        that already stays as it is displayed.
    """

    teeth: tuple[Tooth, ...] | None = None
    view: View | None = None
    mirror: bool | None = None
    top: Direction | None = None
    flipped: Turn | None = None
    crop: Crop | None = None
    uncropped: bool = False
    confirmed_by: str | None = None
    shown: str = ""
    confirmed_at: datetime | None = None
    comment: str | None = None
    patient: Patient | None = None
    visit: Visit | None = None
    lingual_fronts: LingualFronts = LingualFronts.UPRIGHT


@dataclass(frozen=True)
class Mistake:
    """One thing that was wrong.

    Parameters
    ----------
    text
        A clause, without a full stop; nothing that identifies the patient.
    endangers
        Whether somebody who believed it could treat the wrong place or the wrong patient.
    """

    text: Text
    endangers: bool

    @property
    def words(self) -> str:
        """The clause in English, as the note of rejection keeps it."""
        return str(self.text)


@dataclass(frozen=True)
class Verdict:
    """Why the old instances are rejected: title and modifiers of the note, and words."""

    title: Code
    modifiers: tuple[Code, ...]
    words: str


#: What `--reason` may say instead of what follows from the mistakes.
REASONS = {
    "safety": concepts.REJECTED_FOR_SAFETY,
    "quality": concepts.REJECTED_FOR_QUALITY,
    "worklist": concepts.INCORRECT_WORKLIST_ENTRY,
}


@dataclass(frozen=True)
class AsShot:
    """What is cut from when a picture is cropped.

    Parameters
    ----------
    size, grid
        Columns and rows of the photograph as shot, and of the blocks to which a crop grows.
    trims
        False where a lossless codec is used rather than that a partial block is left out.
    """

    size: tuple[int, int]
    grid: tuple[int, int] = (1, 1)
    trims: bool = True


def amended(before: Meaning, change: Change, shot: AsShot, now: datetime) -> Meaning:
    """Return what the photograph is to say.

    A confirmation of the side does not outlive a change of what was confirmed: it has to be
    given anew. A crop is carried over to the new turn, so that it shows the same part.

    Raises
    ------
    MeaningError
        If what is said contradicts itself, or somebody confirms something else than what the
        photograph is to show.
    """
    old = before.photograph
    teeth = old.teeth if change.teeth is None else change.teeth
    how = old.circumstances
    absent = tuple((tooth, kind) for tooth, kind in how.places if tooth in teeth)
    entry = replace(
        old,
        teeth=teeth,
        circumstances=how.with_places(absent),
        view=change.view or old.view,
        mirror=old.mirror if change.mirror is None else change.mirror,
        comment=old.comment if change.comment is None else change.comment,
        top=change.top,
        lingual_fronts=old.lingual_fronts
        if len(before.plan.sight.displays) > 1
        else change.lingual_fronts,
    )
    exif = before.plan.exif if change.top is None else Turn.IDENTITY
    if change.flipped is not None:
        exif = exif.after(change.flipped)
    planned = entry.plan(exif)
    entry = replace(entry, top=None, crop=_crop(before, planned, change, shot))
    examined = replace(
        before.examined,
        sight=planned.sight,
        turn=planned.correction,
        mirror=seen_in_mirror(planned),
        crop=entry.crop,
    )
    if (who := change.patient) is not None:
        examined = replace(examined, issuer=who.issuer, patient_id=who.id, patient_name=who.name)
    after = Meaning(entry, planned, examined, calibrated=before.calibrated)
    said = _confirmed(before, after, change, now)
    return replace(
        after,
        confirmations=said,
        photograph=replace(entry, confirmed_by=said[0].by if said else ""),
    )


def _confirmed(
    before: Meaning, after: Meaning, change: Change, now: datetime
) -> tuple[Confirmation, ...]:
    """Return the confirmations that outlive a change, with the one that it brings."""
    if change.confirmed_by == "":
        return ()
    doubtful = _side_in_doubt(before, after, change)
    kept = tuple(
        one
        for one in before.confirmations
        if (one.shown == after.examined.digest if one.is_bound else not doubtful)
    )
    if change.confirmed_by is None:
        return kept
    refuse_other(after.examined, change.shown)
    if name_key(change.confirmed_by) in map(name_key, signers(kept)):
        return kept
    when = change.confirmed_at or now
    return renewed(kept, Confirmation.of(after.examined, change.confirmed_by, when))


def _crop(before: Meaning, after: Plan, change: Change, shot: AsShot) -> Crop | None:
    if change.uncropped:
        return None
    old = before.photograph.crop
    if change.crop is None and old is None:
        return None
    if change.crop is not None:
        box = _box(change.crop)
    else:
        assert old is not None
        if before.plan.correction is after.correction:
            return old
        stored = source_box(_box(old), before.plan.correction.value, *shot.size)
        box = turned_box(stored, after.correction.value, *shot.size)
    turn = after.correction.value
    if crop_problem(Crop(box.left, box.top, box.width, box.height), *shot.size, after.correction):
        return change.crop  # refused by who makes the picture
    box = crop_done(box, turn, size=shot.size, grid=shot.grid, trims=shot.trims)
    return Crop(box.left, box.top, box.width, box.height)


def _box(crop: Crop) -> Box:
    return Box(crop.left, crop.top, crop.width, crop.height)


def _side_in_doubt(before: Meaning, after: Meaning, change: Change) -> bool:
    """True where what was confirmed is no longer what is said."""
    return change.patient is not None or any(
        mistake.endangers for mistake in mistakes(before, after, Change())
    )


def mistakes(before: Meaning, after: Meaning, change: Change) -> tuple[Mistake, ...]:
    """Return what was wrong; empty where nothing is."""
    old, new = before.photograph, after.photograph
    turned = before.plan.correction is not after.plan.correction
    sides = before.plan.sight.laterality != after.plan.sight.laterality
    looked = before.plan.sight.looking is not after.plan.sight.looking
    oriented = before.plan.stored != after.plan.stored
    found = [
        (
            change.patient is not None,
            Mistake(Text("objects.mistakes.patient"), True),
        ),
        (
            old.teeth != new.teeth,
            Mistake(Text("objects.mistakes.teeth", said=_teeth(old), right=_teeth(new)), True),
        ),
        (
            old.view is not new.view,
            Mistake(
                Text("objects.mistakes.view", said=old.view.value, right=new.view.value),
                sides or looked or turned,
            ),
        ),
        (
            old.mirror is not new.mirror,
            Mistake(
                Text("objects.mistakes.mirror" if new.mirror else "objects.mistakes.no_mirror"),
                True,
            ),
        ),
        (
            oriented or turned,
            Mistake(
                Text(
                    "objects.mistakes.turned",
                    said=before.plan.stored,
                    right=after.plan.stored,
                    turn=after.plan.correction.text,
                ),
                True,
            ),
        ),
        (
            _other_crop(before, after),
            Mistake(Text("objects.mistakes.crop", said=_cropped(old), right=_cropped(new)), False),
        ),
        (old.comment != new.comment, Mistake(Text("objects.mistakes.comment"), False)),
        (before.confirmations != after.confirmations, _about_confirming(before, after, change)),
    ]
    return tuple(mistake for is_so, mistake in found if is_so)


def _other_crop(before: Meaning, after: Meaning) -> bool:
    """True where another part of the picture is shown; a crop that only moved along does not."""
    if before.plan.correction is not after.plan.correction:
        return (before.photograph.crop is None) is not (after.photograph.crop is None)
    return before.photograph.crop != after.photograph.crop


def _teeth(entry: Photograph) -> str | Text:
    return shortened(entry.teeth) if entry.teeth else Text("objects.mistakes.not_named")


def _cropped(entry: Photograph) -> str | Text:
    return str(entry.crop) if entry.crop else Text("objects.mistakes.no_crop")


def _about_confirming(old: Meaning, new: Meaning, change: Change) -> Mistake:
    if not old.confirmations:
        return Mistake(Text("objects.mistakes.now_confirmed"), False)
    if not new.confirmations:
        # Where what was shown is shown no more, it is that which endangers or does not.
        return Mistake(Text("objects.mistakes.unconfirmed"), change.confirmed_by == "")
    if not any(one.is_bound for one in old.confirmations):
        return Mistake(Text("objects.mistakes.confirmed_as_shown"), False)
    if len(new.confirmations) > len(old.confirmations):
        return Mistake(Text("objects.mistakes.countersigned"), False)
    return Mistake(Text("objects.mistakes.confirmed_by_other"), False)


def verdict(found: tuple[Mistake, ...], reason: str = "", remark: str = "") -> Verdict:
    """Return why the old instances are rejected.

    Parameters
    ----------
    reason
        One of `REASONS`, where a person says so; empty to let it follow from the mistakes.
    remark
        What a person adds in words.
    """
    words = "; ".join(mistake.words for mistake in found)
    if remark:
        words = f"{words} ({remark})"
    title = REASONS.get(reason)
    if title is None:
        endangers = any(mistake.endangers for mistake in found)
        title = REASONS["safety" if endangers else "quality"]
    about_crop = {"objects.mistakes.crop", "objects.mistakes.unconfirmed"}
    only_cropped = {mistake.text.code for mistake in found} <= about_crop
    if title is REASONS["quality"] and only_cropped:
        return Verdict(title, (concepts.INAPPROPRIATE_PROCESSING,), words)
    return Verdict(title, (), words)
