"""Examples:

  archiver delete --patient-id P-0417 --rules keeping.toml --contacts contacts.csv
      --by "Haugen^Liv" --second "Okafor^Ben"             what would go, and its code
  archiver delete ... --code 7KQ2-M4                      the same again: it goes
  archiver delete SOP-UID --legal erasure --remark "request of 3 March, file 2026/118"
      --contacts contacts.csv --by "Haugen^Liv" --second "Okafor^Ben"

Deleted is only what a rule lets go, or for a legal reason: the patient's right to erasure, or the
order of a court or an authority. The table of contacts must have every patient, and nothing is
deleted of one whose record it holds. With a picture as shot goes all that was made from it, and
that takes two people; a corrected picture alone takes one, as it can be made again.

Peers that had it are sent a note that its retention period has expired. The journal has a
tombstone for each instance: who, why, and the digest of what was there. Rejection notes, consents
and the journal stay. The next backup lets it go, too; copies elsewhere, and packages that have
left, are yours to see to. How a disk forgets what was written is not this program's doing.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from archiver.cli.command import Option, Options, argument, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import FILE, FOLDER, RULES, Choice
from archiver.cli.statements import person_of, print_recipients
from archiver.errors import Problem, UsageError
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.workflow import Deleted, DeletionRequest, PlannedDeletion

_VERB = "archiver delete"


@verb(
    argument("uids", nargs=-1, metavar="SOP-UID", help="of what is deleted"),
    Option("--patient-id", default="", metavar="ID", help="everything of this patient"),
    Option("--issuer", default="", metavar="NAME", help="of the patient identifier"),
    Option("--rules", type=RULES, multiple=True, help="rules with retention periods"),
    Option(
        "--legal",
        type=Choice(("erasure", "order")),
        help="a legal reason; erasure: at the patient's request; order: of a court or an authority",
    ),
    Option("--remark", default="", metavar="WORDS", help="which request or order it is"),
    Option(
        "--contacts",
        type=FILE,
        required=True,
        metavar="FILE",
        help="table of last contacts, capacity and legal holds",
    ),
    Option("--by", required=True, metavar="NAME", help="who lets it go, as family^given"),
    Option("--second", default="", metavar="NAME", help="the second person who does"),
    Option("--code", metavar="CODE", help="delete what was shown with this code"),
    Option("--archive", type=FOLDER),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.cli.context import contacts_of, now
    from archiver.cli.practice_archive import open_for_writing, writable_folder
    from archiver.cli.settings import read_settings
    from archiver.objects import read_shown
    from archiver.workflow import delete, plan_deletion

    request = _request(options)
    contacts = contacts_of(options.contacts, now().date())
    with open_for_writing(writable_folder(options, read_settings())) as archive:
        plan = plan_deletion(archive, request, now().date(), options.rules, contacts)
        if options.code is None:
            _tell(options, plan, None)
            return 0
        if read_shown(options.code) != plan.code:
            raise UsageError(Problem("cli.delete.other_code", code=options.code).at(_VERB))
        _tell(options, plan, delete(archive, plan, now()))
    return 0


def _request(options: Options) -> DeletionRequest:
    from archiver.workflow import DeletionRequest

    if bool(options.uids) == bool(options.patient_id):
        raise UsageError(Problem("cli.delete.what").at(_VERB))
    missing = Problem("workflow.deletion.by_whom")
    second = person_of(options.second, _VERB, missing) if options.second else ""
    return DeletionRequest(
        person_of(options.by, _VERB, missing),
        options.uids,
        (options.patient_id, options.issuer),
        options.legal or "",
        options.remark,
        second,
    )


def _tell(options: Options, plan: PlannedDeletion, done: Deleted | None) -> None:
    if options.json:
        print(json.dumps(_report(plan, done), ensure_ascii=False, indent=2))
        return
    words = words_of()
    line = "cli.delete.planned" if done is None else "cli.delete.deleted"
    for one in plan.instances:
        given = {"uid": one.uid, "patient": one.person.label, "date": one.date}
        print(words(line, **given, why=plan.reasons[one.uid]))
    if done is None:
        print(words("cli.delete.code", code=plan.code))
    else:
        print_recipients(done.queued, done.handed_over)


def _report(plan: PlannedDeletion, done: Deleted | None) -> dict[str, Any]:
    told: dict[str, Any] = {
        "code": plan.code,
        "deleted": done is not None,
        "instances": [
            {
                "sop_instance_uid": one.uid,
                "patient_id": one.person.patient_id,
                "sha256": one.digest,
                "reason": plan.reasons[one.uid],
            }
            for one in plan.instances
        ],
    }
    if done is not None:
        told["notes"] = [one.uid for one in done.notes]
        told["queued"] = done.queued
        told["handed_over"] = [
            {"case": one.case, "purpose": one.purpose, "to": one.to, "when": one.when}
            for one in done.handed_over
        ]
    return told
