"""Examples:

  archiver amend SOP-UID --tooth iso:26                     it shows 26, not what it says
  archiver amend SOP-UID --mirror yes --dry-run             what a forgotten mirror would change
  archiver amend SOP-UID --flipped left-right               the file had been flipped before
  archiver amend SOP-UID --confirmed-by "Haugen^Liv"        the side was compared later
  archiver amend SOP-UID --patient-id P-0502 --by "Haugen^Liv"   another patient's photograph

SOP-UID is that of the photograph as shot or of its corrected picture (`archiver query` tells it
with --json); both are put right together. What was wrong stays in the archive, hidden: a note
in the standard's form rejects it. Peers that had it are sent what came in its place, and the
note. An amendment that was wrong is amended again.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver.cli.query import day_of
from archiver.errors import MeaningError, Problem, UsageError

if TYPE_CHECKING:
    from archiver.archive.statements import AmendmentRequest
    from archiver.objects import Change, Crop
    from archiver.workflow import Amended

_CROP = re.compile(r"(\d+)x(\d+)\+(\d+)\+(\d+)")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this verb."""
    add = parser.add_argument
    add("uid", metavar="SOP-UID", help="of the photograph as shot or of its corrected picture")
    right = parser.add_argument_group("what is right")
    add = right.add_argument
    add("--tooth", action="append", default=[], metavar="iso:26", help="may be given repeatedly")
    add("--view", help="occlusal, buccal, lingual, ...; the surface follows from it")
    add("--mirror", choices=("yes", "no"), help="whether it was taken through a mirror")
    add("--top", metavar="DIRECTION", help="what is at the top of it as shot, as archived")
    flips = ("left-right", "top-bottom")
    add("--flipped", choices=flips, help="how the file had been flipped before it was archived")
    add("--crop", metavar="WxH+LEFT+TOP", help="of the corrected picture; none takes it away")
    side = right.add_mutually_exclusive_group()
    side.add_argument("--confirmed-by", metavar="NAME", help="who confirmed the side")
    side.add_argument("--unconfirmed", action="store_true", help="nobody did")
    add("--comment", metavar="WORDS")
    whose = parser.add_argument_group("whose it is")
    add = whose.add_argument
    add("--patient-id", metavar="ID", help="whose photograph it is")
    add("--issuer", help="who issued the patient identifier")
    add("--patient-name", metavar="NAME", help="of a patient new to the archive")
    add("--birth-date", type=day_of, metavar="DAY")
    add("--sex", choices=("M", "F", "O"))
    add("--study", metavar="UID", help="visit that it joins; else that of the same day")
    add = parser.add_argument
    add("--reason", choices=("safety", "quality", "worklist"), help="instead of what follows")
    add("--remark", default="", metavar="WORDS", help="for the note that rejects the old ones")
    add("--by", default="", metavar="NAME", help="who says so, for the note")
    add("--edges", choices=("trim", "lossless"), help="as of archiver wrap")
    add("--dry-run", action="store_true", help="say what would be done, write nothing")
    add("--archive", type=Path, metavar="FOLDER")
    add("--json", action="store_true", help="report as JSON")


def run(options: argparse.Namespace) -> int:
    """Carry the verb out."""
    from archiver.archive.statements import Ways
    from archiver.archive.store import Archive
    from archiver.cli.context import actor, now
    from archiver.cli.settings import read_settings
    from archiver.workflow import amend

    practice = read_settings()
    request = _request(options)
    ways = Ways(now(), options.edges or practice.edges)
    with Archive.open(
        options.archive or practice.archive,
        create=False,
        clock=now,
        actor=actor(),
        read_only=options.dry_run,
    ) as archive:
        amended = amend(archive, request, ways, dry_run=options.dry_run)
    if options.json:
        print(json.dumps(report(amended), ensure_ascii=False, indent=2))
    else:
        _tell(amended)
    return 0


def _change(options: argparse.Namespace) -> Change:
    """Return what the options say is right.

    Raises
    ------
    UsageError
        If something cannot be understood.
    """
    from archiver.dentition import Turn, direction_of, parse_teeth, view_of
    from archiver.objects import Change

    try:
        teeth = tuple(tooth for words in options.tooth for tooth in parse_teeth(words))
        view = view_of(options.view) if options.view else None
        top = direction_of(options.top) if options.top else None
    except MeaningError as error:
        raise UsageError(*error.problems) from None
    flips = {"left-right": Turn.FLIP_LEFT_RIGHT, "top-bottom": Turn.FLIP_TOP_BOTTOM}
    return Change(
        teeth=teeth or None,
        view=view,
        mirror={"yes": True, "no": False}.get(options.mirror),
        top=top,
        flipped=flips.get(options.flipped),
        crop=_crop(options.crop),
        uncropped=options.crop == "none",
        confirmed_by="" if options.unconfirmed else options.confirmed_by,
        comment=options.comment,
    )


def _crop(words: str | None) -> Crop | None:
    from archiver.objects import Crop

    if words is None or words == "none":
        return None
    found = _CROP.fullmatch(words)
    if found is None or not int(found[1]) or not int(found[2]):
        raise UsageError(
            Problem(f'"{words}" is no crop', "archiver amend --crop", "3200x2400+640+320, or none")
        )
    width, height, left, top = (int(number) for number in found.groups())
    return Crop(left, top, width, height)


def _request(options: argparse.Namespace) -> AmendmentRequest:
    from archiver.archive.statements import AmendmentRequest, NewPatient

    told = ("issuer", "patient_name", "birth_date", "sex", "study")
    person = None
    if options.patient_id is not None:
        person = NewPatient(options.patient_id, *(getattr(options, name) for name in told))
    elif any(getattr(options, name) is not None for name in told):
        raise UsageError("archiver amend: say whose it is with --patient-id")
    return AmendmentRequest(
        options.uid,
        _change(options),
        person,
        options.reason or "",
        options.remark,
        options.by,
    )


def report(amended: Amended) -> dict[str, Any]:
    """Return what an amendment did, or would do, as values that JSON has."""
    amendment = amended.amendment
    return {
        "done": amended.done,
        "mistakes": [mistake.words for mistake in amendment.found],
        "reason": amendment.verdict.title.meaning,
        "reason_code": amendment.verdict.title.value,
        "rejected": list(amendment.rejected),
        "note": amendment.note_uid,
        "successors": [
            {
                "sop_instance_uid": one.sop_instance_uid,
                "in_place_of": one.predecessor or None,
                "role": one.role,
            }
            for one in amendment.successors
        ],
        "correction": amendment.after.plan.correction.value,
        "confirmed": bool(amendment.after.entry.confirmed_by),
        "confirmation_lost": amendment.unconfirmed_now,
        "queued": amended.queued,
        "handed_over": [
            {"case": one.case, "purpose": one.purpose, "to": one.to, "when": one.when}
            for one in amended.handed_over
        ],
        "findings": [str(finding) for finding in amendment.findings],
    }


def _tell(amended: Amended) -> None:
    amendment = amended.amendment
    entry, planned = amendment.after.entry, amendment.after.plan
    for mistake in amendment.found:
        print(f"wrong: {mistake.words}")
    from archiver.objects import subject

    mirror = "through a mirror" if entry.mirror else "direct"
    print(f"now: {subject(planned)}; {mirror}; {planned.correction.words}")
    side = f"confirmed by {entry.confirmed_by}" if entry.confirmed_by else "UNCONFIRMED"
    print(f"side: {side}")
    will = "" if amended.done else "would be "
    for uid in amendment.rejected:
        print(f"{will}rejected  {uid}")
    for one in amendment.successors:
        instead = f"in place of {one.predecessor}" if one.predecessor else "which there was not"
        print(f"{will}kept      {one.sop_instance_uid}  {one.role}, {instead}")
    print(f"{will}noted     {amendment.note_uid}  {amendment.verdict.title.meaning}")
    for destination, count in sorted(amended.queued.items()):
        # Peers that have been told of everything are of no interest here.
        if count:
            print(
                f"{count} objects put into the outbox for {destination}; "
                "archiver send carries it out"
            )
    for package in amended.handed_over:
        print(
            f"HANDED OVER already: case {package.case}, {package.purpose}, to {package.to}, "
            f"{package.when[:10]}: tell them",
            file=sys.stderr,
        )
    if amendment.unconfirmed_now:
        print(
            "the side was confirmed for what it said before: compare it again, then amend with "
            "--confirmed-by",
            file=sys.stderr,
        )
