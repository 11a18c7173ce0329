"""What was wrong with an archived photograph, and what it is instead.

Nothing here knows a file: what a photograph says is read from its datasets, what a person says
is put in its place, and from the two follow the right turn, the words of what was wrong and the
reason for which the old instances are rejected.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

from pydicom import Dataset

from archiver.dentition import Code, Direction, Plan, Tooth, Turn, View, plan, shortened
from archiver.errors import MeaningError, ObjectError, Problem
from archiver.objects import concepts, phrases
from archiver.objects.description import describe, text, through_mirror
from archiver.objects.session import Crop, Patient, Photograph, Visit
from archiver.photo import Box, source_box, turned_box
from archiver.wording import Text

_CROPPED = re.compile(r"cropped to (\d+)x(\d+)\+(\d+)\+(\d+)")


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
    confirmed_by
        Who confirmed the side, as it is now said.
    patient, visit
        Whose photograph it is, and the visit that it joins.
    """

    teeth: tuple[Tooth, ...] | None = None
    view: View | None = None
    mirror: bool | None = None
    top: Direction | None = None
    flipped: Turn | None = None
    crop: Crop | None = None
    uncropped: bool = False
    confirmed_by: str | None = None
    comment: str | None = None
    patient: Patient | None = None
    visit: Visit | None = None


@dataclass(frozen=True)
class Meaning:
    """What a photograph says of itself: an entry of a sheet that says the same, and its plan."""

    photograph: Photograph
    plan: Plan

    @property
    def needs_correction(self) -> bool:
        """True where a second, corrected instance belongs to it."""
        turned = self.plan.correction is not Turn.IDENTITY
        return self.photograph.mirror or turned or self.photograph.crop is not None


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


def read_meaning(as_shot: Dataset, corrected: Dataset | None) -> Meaning:
    """Read what a photograph says of itself.

    Parameters
    ----------
    corrected
        Its corrected picture, None if there is none.

    Raises
    ------
    ObjectError
        If view or orientation cannot be told.
    """
    d = describe(as_shot)
    if d.view is None:
        raise ObjectError(Problem("objects.mistakes.no_view"))
    mirror = through_mirror(as_shot) or (d.mirror != "direct" and not d.view.is_extraoral)
    try:
        entry = Photograph(
            Path(), d.view, mirror, d.teeth, crop=crop_of(corrected), confirmed_by=d.confirmed_by
        )
        plans = [plan(entry.view, entry.teeth, mirror=mirror, exif=turn) for turn in Turn]
    except MeaningError as error:
        raise ObjectError(*error.problems) from error
    found = next((one for one in plans if one.stored == d.orientation), None)
    if found is None:
        raise ObjectError(Problem("objects.mistakes.no_orientation"))
    bare = phrases.as_shot_comment(entry, found)
    entry = replace(entry, comment=phrases.comment_in(text(as_shot, "ImageComments"), bare))
    return Meaning(entry, found)


def crop_of(corrected: Dataset | None) -> Crop | None:
    """Return the crop that a corrected picture says was done, None for none."""
    if corrected is None:
        return None
    found = _CROPPED.search(text(corrected, "DerivationDescription"))
    if found is None:
        return None
    width, height, left, top = (int(number) for number in found.groups())
    return Crop(left, top, width, height)


def amended(before: Meaning, change: Change, size: tuple[int, int]) -> Meaning:
    """Return what the photograph is to say.

    A confirmation of the side does not outlive a change of what was confirmed: it has to be
    given anew. A crop is carried over to the new turn, so that it shows the same part.

    Parameters
    ----------
    size
        Columns and rows of the photograph as shot.

    Raises
    ------
    MeaningError
        If what is said contradicts itself.
    """
    old = before.photograph
    entry = replace(
        old,
        teeth=old.teeth if change.teeth is None else change.teeth,
        view=change.view or old.view,
        mirror=old.mirror if change.mirror is None else change.mirror,
        comment=old.comment if change.comment is None else change.comment,
        top=change.top,
    )
    exif = before.plan.exif if change.top is None else Turn.IDENTITY
    if change.flipped is not None:
        exif = exif.after(change.flipped)
    planned = plan(entry.view, entry.teeth, mirror=entry.mirror, top=entry.top, exif=exif)
    entry = replace(entry, top=None, crop=_crop(before, planned, change, size))
    if change.confirmed_by is not None:
        entry = replace(entry, confirmed_by=change.confirmed_by)
    elif _side_in_doubt(before, Meaning(entry, planned), change):
        entry = replace(entry, confirmed_by="")
    return Meaning(entry, planned)


def _crop(before: Meaning, after: Plan, change: Change, size: tuple[int, int]) -> Crop | None:
    if change.uncropped:
        return None
    old = before.photograph.crop
    if change.crop is not None or old is None:
        return change.crop
    stored = source_box(_box(old), before.plan.correction.value, *size)
    moved = turned_box(stored, after.correction.value, *size)
    return Crop(moved.left, moved.top, moved.width, moved.height)


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
        (old.confirmed_by != new.confirmed_by, _about_confirming(old, new)),
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


def _about_confirming(old: Photograph, new: Photograph) -> Mistake:
    if not old.confirmed_by:
        return Mistake(Text("objects.mistakes.now_confirmed"), False)
    if not new.confirmed_by:
        return Mistake(Text("objects.mistakes.unconfirmed"), True)
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
    only_cropped = all(mistake.text.code == "objects.mistakes.crop" for mistake in found)
    if title is REASONS["quality"] and only_cropped:
        return Verdict(title, (concepts.INAPPROPRIATE_PROCESSING,), words)
    return Verdict(title, (), words)
