"""One change of a draft, as the browser sends it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from archiver.dentition import Numbering, numbering_of
from archiver.errors import MeaningError
from archiver.objects import SAME_PERSON, Unfit
from archiver.records.rules import STAGES
from archiver.web.http_errors import Refused
from archiver.web.pages.take_in.consent_fields import read_consent
from archiver.web.pages.take_in.drafts import Draft, Photo, Said
from archiver.web.pages.take_in.examined_sides import (
    DraftAuthor,
    confirmed,
    read_who,
    without_lapsed,
)
from archiver.web.pages.take_in.photo_entry import DRAWN, changed, recropped, teeth_of
from archiver.web.pages.take_in.required_views import rule_sets
from archiver.web.pages.take_in.sheet import read_table

_STUDY = ("study_uid", "study_id", "referring_physician")


def apply(
    draft: Draft, photos: Mapping[str, Photo], change: Mapping[str, Any], author: DraftAuthor
) -> Draft:
    """Return a draft after a change.

    What was confirmed of a picture falls with whatever makes it show something else.

    Parameters
    ----------
    change
        ``same_person``: why the patient is the one known under the identifier (who says so is
        noted); ``pictures``: by digest, keys of a photo with new values or None; ``numbering``:
        of the teeth in it; ``confirm``: a picture and what the person saw of it; ``patient``,
        ``visit``, ``consent``, ``study``, ``rules``, ``teeth``, ``stage``.

    Raises
    ------
    MeaningError, Refused
        If something of it cannot be; nothing is changed then.
    """
    draft = spoken(draft, photos, change, author)
    if "confirm" in change:
        draft = confirmed(draft, photos, _table(change, "confirm"), author)
    return without_lapsed(draft, photos, author)


def spoken(
    draft: Draft, photos: Mapping[str, Photo], change: Mapping[str, Any], author: DraftAuthor
) -> Draft:
    """Return a draft after what a change says, before anything is confirmed; as `apply`."""
    numbering = numbering_of(str(change.get("numbering", Numbering.ISO.value)))
    pictures = _table(change, "pictures")
    said = {}
    for digest, given in pictures.items():
        photo, before = photos[_known(photos, digest)], draft.of_photo(digest)
        new = changed(before, _as_table(given), numbering)
        for key in DRAWN:
            if key in new and key not in given:
                new[key] = recropped(before, new, photo, author.habits, key)
        said[digest] = new
    draft = draft.with_said(said)
    return _about_the_visit(_of_whom(draft, change, author.who), change, numbering)


def _of_whom(draft: Draft, change: Mapping[str, Any], who: str) -> Draft:
    """Put in patient and consent; a consent goes where the patient becomes another."""
    if "patient" in change:
        patient = read_table("patient", _table(change, "patient"))
        if any(patient.get(key) != draft.patient.get(key) for key in ("id", "issuer")):
            draft = replace(draft, consent={})
        if patient != draft.patient:
            draft = replace(draft, same_person={}).with_said(_unchecked(draft))
        draft = replace(draft, patient=patient, study={})
    if "same_person" in change:
        draft = replace(draft, same_person=_checked(str(change["same_person"]), who))
    if "consent" in change:
        given = _table(change, "consent")
        draft = replace(draft, consent=read_consent(given, who and read_who(who)))
    return draft


def _unchecked(draft: Draft) -> dict[str, Said]:
    """Return what is said of pictures that were checked against another patient."""
    return {
        digest: {key: value for key, value in said.items() if key != "checked"}
        for digest, said in draft.said.items()
        if "checked" in said
    }


def _checked(reason: str, who: str) -> dict[str, str]:
    """Return who has looked whether it is the same person, and why; empty for no reason."""
    if not reason.strip():
        return {}
    if not who:
        raise Refused(422, "take_in.no_confirming")
    try:
        kept = SAME_PERSON["same_person_reason"].convert(reason)
    except Unfit as unfit:
        problem = unfit.problem("same_person_reason", reason)
        raise MeaningError(problem.at(key=("same_person",))) from None
    return {"same_person_checked_by": read_who(who), "same_person_reason": str(kept)}


def _about_the_visit(draft: Draft, change: Mapping[str, Any], numbering: Numbering) -> Draft:
    if "visit" in change:
        draft = replace(draft, visit=read_table("visit", _table(change, "visit")))
    if "study" in change:
        study = _table(change, "study")
        if set(study) - set(_STUDY) or not all(isinstance(v, str) for v in study.values()):
            raise Refused(422, "errors.malformed")
        draft = replace(draft, study={k: v for k, v in study.items() if v})
    if "rules" in change:
        key = str(change["rules"])
        if key and key not in rule_sets():
            raise Refused(422, "take_in.no_rules")
        draft = replace(draft, rules=key)
    if "teeth" in change:
        teeth = teeth_of(str(change["teeth"]), numbering)
        draft = replace(draft, teeth=tuple(tooth.iso for tooth in teeth))
    if "stage" in change:
        stage = str(change["stage"])
        if stage not in ("", *STAGES):
            raise Refused(422, "errors.malformed")
        draft = replace(draft, stage=stage)
    return draft


def _known(photos: Mapping[str, Photo], digest: str) -> str:
    if digest not in photos:
        raise Refused(422, "take_in.no_picture")
    return digest


def _table(change: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    return _as_table(change.get(key, {}))


def _as_table(value: object) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise Refused(422, "errors.malformed")
    return value
