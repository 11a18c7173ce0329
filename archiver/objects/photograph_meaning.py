"""What an archived photograph says of itself, read as an entry of a sheet with its plan."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from pydicom import Dataset

from archiver.dentition import Plan, Turn, sight
from archiver.errors import MeaningError, ObjectError, Problem
from archiver.objects import concepts, phrases
from archiver.objects.attribute_values import text
from archiver.objects.calibration import calibration_of
from archiver.objects.coded_meaning import comments, is_ours, through_mirror
from archiver.objects.confirmation import Confirmation, Witnessed, certainty_of, seen_in_mirror
from archiver.objects.description import describe
from archiver.objects.session import Circumstances, Photograph


@dataclass(frozen=True)
class Meaning:
    """What a photograph says of itself.

    Parameters
    ----------
    photograph, plan
        An entry of a sheet that says the same, and its plan.
    examined
        What is shown of it.
    confirmations
        Of the side; those that hold.
    calibrated
        Whether the corrected picture's colours come by a profile of its own.
    """

    photograph: Photograph
    plan: Plan
    examined: Witnessed
    confirmations: tuple[Confirmation, ...] = ()
    calibrated: bool = False

    @property
    def certainty(self) -> str:
        """How its side is confirmed."""
        return certainty_of(self.confirmations)

    @property
    def needs_correction(self) -> bool:
        """True where a second, corrected instance belongs to it."""
        turned = self.plan.correction is not Turn.IDENTITY
        cropped = self.photograph.crop is not None
        return self.photograph.mirror or turned or cropped or self.calibrated


def read_meaning(as_shot: Dataset, corrected: Dataset | None, picture: str) -> Meaning:
    """Read what a photograph says of itself.

    Parameters
    ----------
    corrected
        Its corrected picture, None if there is none.
    picture
        SHA-256 of its camera file, or of its coded frame as shot.

    Raises
    ------
    ObjectError
        If view or orientation cannot be told.
    """
    d, turned = describe(as_shot), describe(corrected) if corrected is not None else None
    if d.view is None:
        raise ObjectError(Problem("objects.mistakes.no_view"))
    mirror = through_mirror(as_shot) or (d.mirror != "direct" and not d.view.is_extraoral)
    said, crop = (turned or d).confirmations, turned.crop if turned else None
    by = said[0].by if said else ""
    try:
        fronts = sight(d.view, d.teeth).displayed((turned or d).orientation).lingual_fronts
        entry = Photograph(
            *(Path(), d.view, mirror, d.teeth),
            crop=crop,
            confirmed_by=by,
            lingual_fronts=fronts,
            circumstances=Circumstances().with_places(d.places),
        )
        plans = [entry.plan(turn) for turn in Turn]
    except MeaningError as error:
        raise ObjectError(*error.problems) from error
    found = next((one for one in plans if one.stored == d.orientation), None)
    if found is None:
        raise ObjectError(Problem("objects.mistakes.no_orientation"))
    entry = replace(entry, comment=_comment_of(as_shot, entry, found))
    whose = (d.issuer, d.patient_id, d.patient_name)
    seen = Witnessed(picture, found.correction, crop, found.sight, seen_in_mirror(found), *whose)
    calibrated = corrected is not None and calibration_of(corrected) is not None
    return Meaning(entry, found, seen, said, calibrated)


def _comment_of(as_shot: Dataset, entry: Photograph, planned: Plan) -> str:
    """Return the sheet's own comment; earlier versions kept it in Image Comments alone."""
    if concepts.REMARK in (said := comments(as_shot)):
        return said[concepts.REMARK]
    bare = phrases.as_shot_comment(entry, planned)
    return phrases.comment_in(text(as_shot, "ImageComments"), bare, ours=is_ours(as_shot))
