"""Examples:

  archiver amend SOP-UID --tooth iso:26                     it shows 26, not what it says
  archiver amend SOP-UID --mirror yes --dry-run             what a forgotten mirror would change
  archiver amend SOP-UID --flipped left-right               the file had been flipped before
  archiver amend SOP-UID --patient-id P-0502 --by "Haugen^Liv"   another patient's photograph

SOP-UID is that of the photograph as shot or of its corrected picture (`archiver query --json`
prints it); both are corrected together. What was wrong stays in the archive, hidden: a note in the
standard's form rejects it. Peers that had it are sent its successor and the note. A wrong amendment
is amended in turn.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from archiver.cli.command import Option, Options, argument, in_section, verb
from archiver.cli.options import JSON, edges, teeth
from archiver.cli.parameters import CROP, DAY, DIRECTION, FOLDER, VIEW, Choice
from archiver.cli.statements import print_recipients
from archiver.errors import Problem, UsageError
from archiver.wording import Text, words_of

if TYPE_CHECKING:
    from archiver.archive.statements import Amendment, AmendmentRequest
    from archiver.objects import Change
    from archiver.workflow import Amended


@verb(
    argument(
        "uid",
        metavar="SOP-UID",
        help="of the photograph as shot or of its corrected picture",
    ),
    in_section(
        "what is right",
        teeth(metavar="iso:26"),
        Option("--view", type=VIEW, help="occlusal, buccal, ...; the surface follows from it"),
        Option(
            "--mirror", type=Choice(("yes", "no")), help="whether it was taken through a mirror"
        ),
        Option("--top", type=DIRECTION, help="what is at the top of it as shot, as archived"),
        Option(
            "--flipped",
            type=Choice(("left-right", "top-bottom", "turned")),
            help="how the file had been flipped, or turned by half, before it was archived",
        ),
        Option(
            "--crop",
            type=CROP,
            metavar=CROP.name,
            help="of the corrected picture, or none",
        ),
        Option(
            "--confirmed-by",
            metavar="NAME",
            not_with=["unconfirmed"],
            help="who looked at the picture as it is to be, and confirmed its side",
        ),
        Option("--shown", default="", metavar="CODE", help="the code that stands under it"),
        Option("--unconfirmed", is_flag=True, help="nobody did"),
        Option("--comment", metavar="WORDS"),
    ),
    in_section(
        "whose it is",
        Option("--patient-id", metavar="ID", help="whose photograph it is"),
        Option("--issuer", help="who issued the patient identifier"),
        Option("--patient-name", metavar="NAME", help="of a patient new to the archive"),
        Option("--birth-date", type=DAY),
        Option("--sex", type=Choice(("M", "F", "O"))),
        Option("--study", metavar="UID", help="visit that it joins; else that of the same day"),
    ),
    Option(
        "--reason",
        type=Choice(("safety", "quality", "worklist")),
        help="instead of what follows",
    ),
    Option("--remark", default="", metavar="WORDS", help="for the note that rejects the old ones"),
    Option("--by", default="", metavar="NAME", help="who says so, for the note"),
    edges("as of archiver wrap"),
    Option("--dry-run", is_flag=True, help="say what would be done, write nothing"),
    Option("--archive", type=FOLDER),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive.statements import AmendmentSettings
    from archiver.archive.store import Archive
    from archiver.cli.context import now
    from archiver.cli.practice_archive import open_for_writing, writable_folder
    from archiver.cli.settings import read_settings
    from archiver.workflow import amend

    practice = read_settings()
    request = _request(options, practice.defaults)
    ways = AmendmentSettings(now(), options.edges or practice.edges)
    if options.dry_run:
        opened = Archive.open(options.archive or practice.archive, read_only=True)
    else:
        opened = open_for_writing(writable_folder(options, practice))
    with opened as archive:
        amended = amend(archive, request, ways, dry_run=options.dry_run)
    if options.json:
        print(json.dumps(report(amended), ensure_ascii=False, indent=2))
    else:
        _print_amendment(amended)
    return 0


def _change(options: Options, habits: Mapping[str, object]) -> Change:
    """Return what the options say is right."""
    from archiver.dentition import LingualFronts
    from archiver.objects import FLIPS, Change

    return Change(
        teeth=options.tooth or None,
        view=options.view,
        mirror={"yes": True, "no": False}.get(options.mirror),
        top=options.top,
        flipped=FLIPS.get(options.flipped),
        crop=None if options.crop == "none" else options.crop,
        uncropped=options.crop == "none",
        confirmed_by="" if options.unconfirmed else options.confirmed_by,
        shown=options.shown,
        comment=options.comment,
        lingual_fronts=LingualFronts.TURNED
        if habits.get("lingual_fronts") == LingualFronts.TURNED
        else LingualFronts.UPRIGHT,
    )


def _request(options: Options, habits: Mapping[str, object]) -> AmendmentRequest:
    from archiver.archive.statements import AmendmentRequest, NewPatient

    if bool(options.shown) is not bool(options.confirmed_by):
        raise UsageError(Problem("cli.amend.shown").at("archiver amend"))
    told = ("issuer", "patient_name", "birth_date", "sex", "study")
    person = None
    if options.patient_id is not None:
        person = NewPatient(options.patient_id, *(getattr(options, name) for name in told))
    elif any(getattr(options, name) is not None for name in told):
        raise UsageError(Problem("cli.amend.whose").at("archiver amend"))
    return AmendmentRequest(
        options.uid,
        _change(options, habits),
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
        "confirmed": bool(amendment.after.photograph.confirmed_by),
        "confirmation_lost": amendment.unconfirmed_now,
        "queued": amended.queued,
        "handed_over": [
            {"case": one.case, "purpose": one.purpose, "to": one.to, "when": one.when}
            for one in amended.handed_over
        ],
        "findings": [str(finding) for finding in amendment.findings],
    }


def _print_amendment(amended: Amended) -> None:
    amendment, words = amended.amendment, words_of()
    _print_what_is_right(amendment)
    done = "done" if amended.done else "planned"
    for uid in amendment.rejected:
        print(words(f"cli.amend.{done}.rejected", uid=uid))
    for one in amendment.successors:
        print(
            words(
                f"cli.amend.{done}.kept",
                uid=one.sop_instance_uid,
                what=_successor(one.role, one.predecessor),
            )
        )
    title = amendment.verdict.title.meaning
    print(words(f"cli.amend.{done}.noted", uid=amendment.note_uid, title=title))
    print_recipients(amended.queued, amended.handed_over)
    if amendment.unconfirmed_now:
        print(words("cli.amend.confirmation_lost"), file=sys.stderr)


def _print_what_is_right(amendment: Amendment) -> None:
    from archiver.objects import subject

    entry, planned, words = amendment.after.photograph, amendment.after.plan, words_of()
    for mistake in amendment.found:
        print(words("cli.amend.wrong", mistake=mistake.text))
    path = Text("cli.amend.mirrored" if entry.mirror else "cli.amend.direct")
    what = subject(planned)
    print(words("cli.amend.now", what=what, path=path, how=planned.correction.text))
    if entry.confirmed_by:
        print(words("cli.amend.confirmed", name=entry.confirmed_by))
    else:
        print(words("cli.amend.unconfirmed"))


def _successor(role: str, predecessor: str) -> Text:
    if predecessor:
        return Text("cli.amend.in_place", role=role, uid=predecessor)
    return Text("cli.amend.not_before", role=role)
