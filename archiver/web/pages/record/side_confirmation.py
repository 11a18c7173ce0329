"""Confirming a side later: the question about one picture, and what is noted of the answer.

What is archived is not changed: an amendment puts instances that name who confirmed in the place of
those that did not, which are rejected by a note in the standard's form.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.archive import Query, Record
from archiver.archive.statements import looked_at
from archiver.dentition import Orientation
from archiver.objects import Witnessed, name_key, signers
from archiver.web.http_errors import Refused
from archiver.web.labels import letters
from archiver.web.pages.take_in.examined_sides import read_who
from archiver.wording import Words

if TYPE_CHECKING:
    from archiver.photo import Edges
    from archiver.web.app import Site

_EDGES = ("top", "right", "bottom", "left")


@dataclass(frozen=True)
class SideQuestion:
    """What a person is asked about a picture.

    Parameters
    ----------
    record
        The instance.
    words
        The question.
    edges
        The letter at each edge, as displayed.
    laterality
        ``R`` or ``L`` for a picture of one side; empty otherwise.
    shown
        All that is shown, with its digest and code.
    doubts
        What speaks against it, in words.
    """

    record: Record
    words: str
    edges: dict[str, str]
    laterality: str
    shown: Witnessed
    doubts: tuple[str, ...] = ()


def question(site: Site, uid: str, who: str) -> SideQuestion:
    """Return what a user is to be asked about a picture.

    One that somebody else has confirmed may be countersigned.

    Raises
    ------
    Refused
        404 where there is no such picture, 409 where nothing is to be confirmed.
    """
    record = record_of(site, uid)
    if record is None:
        raise Refused(404, "errors.no_picture")
    if record.confirmed is None or record.rejected is not None:
        raise Refused(409, "record.nothing_to_confirm")
    description = site.pictures.description(uid, Path(record.path))
    people = map(name_key, signers(description.confirmations))
    if who and name_key(read_who(who)) in people:
        raise Refused(409, "record.nothing_to_confirm")
    from archiver.priors import display_turn

    _, edges = display_turn(description)
    if edges is None:
        raise Refused(409, "record.no_edges")
    laterality = description.laterality if description.laterality in ("R", "L") else ""
    found = site.pictures.found_wrong().get(uid)
    doubts = doubt_lines(site, uid)
    if found is not None:
        doubts = (site.t("picture.side_in_doubt", found=found), *doubts)
    words = asked(edges, laterality, site.t)
    shown = looked_at(site.archive, uid).examined
    return SideQuestion(record, words, _by_edge(edges), laterality, shown, doubts)


def doubt_lines(site: Site, uid: str, *, answered: bool = True) -> tuple[str, ...]:
    """Return what spoke against a picture when it was archived, open doubts first.

    Parameters
    ----------
    answered
        Whether those are among them that what was said had answered.
    """
    known = sorted(site.pictures.doubts(uid), key=lambda doubt: doubt.is_answered)
    return tuple(
        site.t(f"picture.{'doubt_answered' if one.is_answered else 'in_doubt'}", words=one.text)
        for one in known
        if answered or not one.is_answered
    )


def record_of(site: Site, uid: str) -> Record | None:
    """Return an instance, None where there is none."""
    held = site.archive.held([uid]).get(uid)
    if held is None:
        return None
    found = site.archive.query(Query(study_uid=held.study_uid, include_rejected=True))
    return next((one for one in found if one.sop_instance_uid == uid), None)


def asked(edges: Orientation, laterality: str, t: Words) -> str:
    """Put the question into words: it names the edge that has to be the patient's right."""
    letter = _by_edge(edges)
    across = next((edge for edge in _EDGES if letter[edge] == "R"), "")
    forward = next((edge for edge in _EDGES if letter[edge] == "A"), "")

    def edge(name: str) -> str:
        return t(f"take_in.edge_{name}")

    if across and forward:
        return t("take_in.ask_arch", front=edge(forward), edge=edge(across))
    if across:
        return t("take_in.ask_across", edge=edge(across))
    side = t(f"directions.{laterality or 'R'}")
    return t("take_in.ask_side", side=side, edge=edge(forward))


def confirm(site: Site, asked: SideQuestion, who: str, seen: str) -> None:
    """Note who confirmed a side.

    Parameters
    ----------
    seen
        Digest of what was shown.

    Raises
    ------
    ArchiverError
        If something else is shown now, or it cannot be noted.
    """
    from archiver.archive.statements import AmendmentSettings, confirmation_of
    from archiver.workflow import amend

    edges: Edges = site.practice.edges if site.practice is not None else "trim"
    wish = confirmation_of(asked.record.sop_instance_uid, read_who(who), seen)
    amend(site.archive, wish, AmendmentSettings(site.clock(), edges))


def _by_edge(edges: Orientation) -> dict[str, str]:
    return dict(zip(_EDGES, letters(edges), strict=True))
