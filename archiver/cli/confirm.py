"""Examples:

  archiver confirm --by "Haugen^Liv" 7KQ2-M4            the picture with this code shows its side
  archiver confirm --by "Haugen^Liv" 7kq2m4 "N37K 2B"   case, spaces and dashes do not matter

A code stands under each picture where it is shown whole with its directions: on contact sheets and
in the pages. It stands for what was shown: the pixels, their turn and crop, the patient, teeth
and view. If any of these has changed since, nothing is confirmed. Confirming what somebody else
has confirmed countersigns it. New instances, which say so, take the place of the old. What speaks
against the picture, such as an earlier one that shows it reflected, is told beside it.
"""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

from archiver.cli.command import Option, Options, argument, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import FOLDER
from archiver.cli.statements import person_of
from archiver.errors import InputError, Problem
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.archive.statements import AmendmentSettings
    from archiver.archive.store import Archive


@verb(
    argument("codes", nargs=-1, required=True, metavar="CODE", help="that stands under a picture"),
    Option("--by", required=True, metavar="NAME", help="who looked at it, as family^given"),
    Option("--archive", type=FOLDER),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive.statements import AmendmentSettings
    from archiver.cli.context import now
    from archiver.cli.practice_archive import open_for_writing, writable_folder
    from archiver.cli.settings import read_settings

    practice = read_settings()
    by = person_of(options.by, "archiver confirm", Problem("cli.confirm.by_whom"))
    told: list[dict[str, Any]] = []
    with open_for_writing(writable_folder(options, practice)) as archive:
        for code in options.codes:
            ways = AmendmentSettings(now(), practice.edges)
            told.append(_confirmed(archive, code, by, ways))
            if not options.json:
                _print_outcome(told[-1])
    if options.json:
        print(json.dumps(told, ensure_ascii=False, indent=2))
    return 1 if any(one["problems"] for one in told) else 0


def _confirmed(archive: Archive, code: str, by: str, ways: AmendmentSettings) -> dict[str, Any]:
    """Confirm one picture; return what became of it as values that JSON has."""
    from archiver.archive.statements import confirmation_of, named_by
    from archiver.objects import subject
    from archiver.workflow import amend

    report: dict[str, Any] = {"code": code, "by": by, "problems": [], "doubts": []}
    try:
        uid = named_by(archive, code)
        doubts = _doubts(archive, uid)
        amendment = amend(archive, confirmation_of(uid, by, code), ways).amendment
    except InputError as error:
        return {**report, "problems": [str(problem) for problem in error.problems]}
    after = amendment.after
    return {
        **report,
        "code": after.examined.code,
        "what": str(subject(after.plan)),
        "certainty": after.certainty,
        "doubts": doubts,
        "in_place_of": list(amendment.rejected),
        "instances": [
            {"sop_instance_uid": one.sop_instance_uid, "role": one.role}
            for one in amendment.successors
        ],
    }


def _doubts(archive: Archive, uid: str) -> list[str]:
    """Return what a comparison or the picture's own file said against it, and nobody answered."""
    from archiver.archive.statements import kept_doubts
    from archiver.records.checks import failed_sides

    root = archive.layout.root
    found = [one.text for one in kept_doubts(root).get(uid, ()) if not one.is_answered]
    if (failed := failed_sides(root).get(uid)) is not None:
        found.append(failed.detail)
    return list(dict.fromkeys(map(str, found)))


def _print_outcome(one: dict[str, Any]) -> None:
    for problem in one["problems"]:
        print(f"{one['code']}: {problem}", file=sys.stderr)
    if not one["problems"]:
        told = {"code": one["code"], "what": one["what"], "by": one["by"]}
        print(words_of()(f"cli.confirm.{one['certainty']}", **told))
    for doubt in one["doubts"]:
        print(words_of()("cli.confirm.in_doubt", code=one["code"], doubt=doubt))
