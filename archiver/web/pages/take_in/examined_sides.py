"""What of a draft's pictures is shown, and the confirmations of their sides that hold for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from archiver.errors import MeaningError, Problem
from archiver.objects import OF_ONE_LOOK, Crop, Witnessed, crop_problem, differences
from archiver.photo import Box, crop_done
from archiver.web.http_errors import Refused
from archiver.web.pages.take_in.drafts import Draft, Photo, Said
from archiver.web.pages.take_in.photo_entry import crop_of, plan_of
from archiver.web.pages.take_in.sheet import read_table


@dataclass(frozen=True)
class DraftAuthor:
    """Who changes a draft.

    Parameters
    ----------
    who
        The user, who is noted where a side is confirmed or a consent noted; empty for one who
        may not.
    now
        When; aware of its offset.
    habits
        The practice's own defaults.
    edges
        What the practice does at an incomplete block: ``trim`` or ``lossless``.
    """

    who: str
    now: datetime
    habits: Mapping[str, object]
    edges: str = "trim"


def examined_of(draft: Draft, photo: Photo, author: DraftAuthor) -> Witnessed | None:
    """Return what is shown of a picture; None as long as its display is not known."""
    said = draft.of_photo(photo.digest)
    try:
        plan = plan_of(said, photo.exif, author.habits)
    except MeaningError:
        return None
    if plan is None:
        return None
    crop = crop_of(said)
    if crop is not None:
        if crop_problem(crop, photo.columns, photo.rows, plan.correction) is not None:
            return None
        box = crop_done(
            Box(crop.left, crop.top, crop.width, crop.height),
            plan.correction.value,
            size=(photo.columns, photo.rows),
            grid=photo.block,
            trims=author.edges == "trim",
        )
        crop = Crop(box.left, box.top, box.width, box.height)
    seen, whose = Witnessed.of(photo.digest, plan, crop, None), draft.patient
    return replace(
        seen,
        issuer=whose.get("issuer", ""),
        patient_id=whose.get("id", ""),
        patient_name=whose.get("name", ""),
    )


def confirmed(
    draft: Draft, photos: Mapping[str, Photo], given: Mapping[str, Any], author: DraftAuthor
) -> Draft:
    """Note that a person confirmed a side, if what they saw is what the draft now says.

    Parameters
    ----------
    given
        ``picture``: its digest; ``turn``, and ``shown``, as the page had it from the server, or
        its digest alone.

    Raises
    ------
    MeaningError
        With what changed since it was shown.
    Refused
        If the person may not confirm, or there is nothing to be confirmed yet.
    """
    if not author.who:
        raise Refused(422, "take_in.no_confirming")
    photo = photos.get(str(given.get("picture", "")))
    if photo is None:
        raise Refused(422, "take_in.no_picture")
    now = examined_of(draft, photo, author)
    if now is None:
        raise Refused(422, "take_in.side_too_soon")
    if given.get("turn", now.turn) != now.turn:
        raise Refused(422, "take_in.shown_otherwise")
    told = given.get("shown")
    shown = told if isinstance(told, dict) else {"digest": told}
    if shown.get("digest") != now.digest:
        facts = shown.get("facts")
        what = differences(facts, now.facts) if isinstance(facts, dict) else ()
        raise MeaningError(
            Problem("web.take_in.changed_since_shown", picture=photo.name, what=what or None)
        )
    said = {
        **draft.of_photo(photo.digest),
        "confirmed_by": read_who(author.who),
        "shown": now.digest,
        "confirmed_at": author.now.replace(microsecond=0).isoformat(),
    }
    return draft.with_said({photo.digest: said})


def without_lapsed(draft: Draft, photos: Mapping[str, Photo], author: DraftAuthor) -> Draft:
    """Return a draft without the confirmations of what is no longer shown."""
    lapsed: dict[str, Said] = {}
    for digest, said in draft.said.items():
        photo = photos.get(digest)
        if photo is None or "confirmed_by" not in said:
            continue
        if not is_bound(said, examined_of(draft, photo, author)):
            lapsed[digest] = unconfirmed(said)
    return draft.with_said(lapsed) if lapsed else draft


def is_bound(said: Said, seen: Witnessed | None) -> bool:
    """Return whether a confirmation, where there is one, is of what is shown now."""
    return "confirmed_by" not in said or (seen is not None and said.get("shown") == seen.digest)


def unconfirmed(said: Said) -> Said:
    """Return what is said of a picture without who confirmed its side."""
    return {key: value for key, value in said.items() if key not in OF_ONE_LOOK}


def read_who(who: str) -> str:
    """Return a user's name as a person's name.

    Raises
    ------
    MeaningError, Refused
        If it cannot be one.
    """
    found = read_table("patient", {"name": who}).get("name")
    if not found:
        raise Refused(422, "take_in.no_person")
    return found
