"""One change of a draft, as the browser sends it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from archiver.dentition.numbering import Numbering, numbering_of
from archiver.errors import MeaningError, Problem
from archiver.web.take_in.consenting import read_consent
from archiver.web.take_in.drafts import Draft, Photo
from archiver.web.take_in.said import changed, judged, recropped, teeth_of
from archiver.web.take_in.sheet import read_table
from archiver.web.take_in.wanted import rule_sets

_STUDY = ("study_uid", "study_id", "referring_physician")
_STAGES = ("", "start", "prepared", "finished")


def apply(
    draft: Draft,
    photos: Mapping[str, Photo],
    change: Mapping[str, Any],
    who: str,
    habits: Mapping[str, object],
) -> Draft:
    """Return a draft after a change.

    Parameters
    ----------
    change
        ``pictures``: by digest, keys of a photo with their new values or None; ``numbering``:
        of the teeth in it; ``confirm``: digest and the turn that the person saw; ``patient``,
        ``visit``, ``consent``, ``study``, ``rules``, ``teeth``, ``stage``.
    who
        The person, who is noted where a side is confirmed or a consent noted; empty for one who
        may not.
    habits
        The practice's own defaults.

    Raises
    ------
    MeaningError
        If something of it cannot be; nothing is changed then.
    """
    numbering = numbering_of(str(change.get("numbering", Numbering.ISO.value)))
    pictures = _table(change, "pictures")
    said = {}
    for digest, given in pictures.items():
        photo, before = photos[_known(photos, digest)], draft.of_photo(digest)
        new = changed(before, _as_table(given), numbering)
        if "crop" in new and "crop" not in given:
            new["crop"] = recropped(before, new, photo, habits)
        said[digest] = new
    draft = draft.with_said(said)
    if "confirm" in change:
        draft = _confirmed(draft, photos, _table(change, "confirm"), who, habits)
    return _about_the_visit(_of_whom(draft, change, who), change, numbering)


def _confirmed(
    draft: Draft,
    photos: Mapping[str, Photo],
    confirm: Mapping[str, Any],
    who: str,
    habits: Mapping[str, object],
) -> Draft:
    """Note who confirmed a side, if what the person saw is what will be archived."""
    if not who:
        raise MeaningError(Problem("you may not confirm a side"))
    digest = _known(photos, str(confirm.get("picture", "")))
    said = draft.of_photo(digest)
    follows = judged(said, photos[digest], habits)
    if follows["edges"] is None:
        raise MeaningError(Problem("the side cannot be confirmed before view and mirror are said"))
    if confirm.get("turn") != follows["turn"]:
        raise MeaningError(
            Problem("the picture was shown turned otherwise than it will be", hint="look again")
        )
    return draft.with_said({digest: {**said, "confirmed_by": read_who(who)}})


def read_who(who: str) -> str:
    """Return a user's name as a person's name.

    Raises
    ------
    MeaningError
        If it cannot be one.
    """
    found = read_table("patient", {"name": who}).get("name")
    if not found:
        raise MeaningError(Problem("your user name cannot be noted as a person's name"))
    return found


def _of_whom(draft: Draft, change: Mapping[str, Any], who: str) -> Draft:
    """Put in patient and consent; a consent goes where the patient becomes another."""
    if "patient" in change:
        patient = read_table("patient", _table(change, "patient"))
        if any(patient.get(key) != draft.patient.get(key) for key in ("id", "issuer")):
            draft = replace(draft, consent={})
        draft = replace(draft, patient=patient, study={})
    if "consent" in change:
        given = _table(change, "consent")
        draft = replace(draft, consent=read_consent(given, who and read_who(who)))
    return draft


def _about_the_visit(draft: Draft, change: Mapping[str, Any], numbering: Numbering) -> Draft:
    if "visit" in change:
        draft = replace(draft, visit=read_table("visit", _table(change, "visit")))
    if "study" in change:
        study = _table(change, "study")
        if set(study) - set(_STUDY) or not all(isinstance(v, str) for v in study.values()):
            raise MeaningError(Problem("the study cannot be read"))
        draft = replace(draft, study={k: v for k, v in study.items() if v})
    if "rules" in change:
        key = str(change["rules"])
        if key and key not in rule_sets():
            raise MeaningError(Problem("there are no such rules"))
        draft = replace(draft, rules=key)
    if "teeth" in change:
        teeth = teeth_of(str(change["teeth"]), numbering)
        draft = replace(draft, teeth=tuple(tooth.iso for tooth in teeth))
    if "stage" in change:
        stage = str(change["stage"])
        if stage not in _STAGES:
            raise MeaningError(Problem("there is no such stage"))
        draft = replace(draft, stage=stage)
    return draft


def _known(photos: Mapping[str, Photo], digest: str) -> str:
    if digest not in photos:
        raise MeaningError(Problem("the draft has no such picture"))
    return digest


def _table(change: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    return _as_table(change.get(key, {}))


def _as_table(value: object) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise MeaningError(Problem("the change cannot be read"))
    return value
