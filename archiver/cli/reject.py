"""Examples:

  archiver reject SOP-UID --reason safety --remark "another patient's" --by "Haugen^Liv"
  archiver reject SOP-UID --reason quality --because 111210 --by "Haugen^Liv"      motion blur
  archiver reject SOP-UID --reason retention --rules keeping.toml --by "Haugen^Liv"
  archiver reject --revoke SOP-UID --remark "it was hers" --by "Haugen^Liv"
  archiver reject --heed NOTE-UID --by "Haugen^Liv"      a note from elsewhere takes effect

Anything in the archive can be rejected: photographs, radiographs, other archives' objects. It is
kept, and neither found nor shown; what was rejected for another reason than quality is served to
nobody. Rejecting a photograph rejects everything made from it. --revoke takes the note itself
or what it rejects. Peers that had it are sent the note, and what revokes it.

The reason "retention" is for records past the retention period of the rules.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from archiver.cli.command import Option, Options, argument, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import FILE, FOLDER, RULES, Choice
from archiver.cli.statements import person_of, print_recipients
from archiver.errors import Problem, UsageError
from archiver.wording import Text, words_of

if TYPE_CHECKING:
    from archiver.archive.statements import RejectionRequest
    from archiver.workflow import Rejected


@verb(
    argument("uids", nargs=-1, metavar="SOP-UID", help="of what is rejected"),
    Option(
        "--reason",
        type=Choice(("safety", "quality", "worklist", "retention")),
        help="why; worklist: it was taken under a wrong entry of the worklist",
    ),
    Option(
        "--because",
        multiple=True,
        metavar="CODE",
        help="what is wrong with the quality, a code of CID 7011, such as 111210; "
        "may be given repeatedly",
    ),
    Option(
        "--rules",
        type=RULES,
        multiple=True,
        help="rules with retention periods, for --reason retention",
    ),
    Option(
        "--contacts",
        type=FILE,
        metavar="FILE",
        help="table of last contacts, capacity and legal holds, for --reason retention",
    ),
    Option("--revoke", is_flag=True, not_with=["reason", "heed"], help="show it again"),
    Option(
        "--heed", is_flag=True, not_with=["reason"], help="give effect to a note from elsewhere"
    ),
    Option("--remark", default="", metavar="WORDS", help="in words, for the note"),
    Option("--by", required=True, metavar="NAME", help="who says so, as family^given"),
    Option("--archive", type=FOLDER),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.cli.context import contacts_of, now
    from archiver.cli.practice_archive import open_for_writing, writable_folder
    from archiver.cli.settings import read_settings
    from archiver.workflow import heed, reject, revoke

    if not options.uids:
        raise UsageError(Problem("cli.reject.what").at("archiver reject"))
    by = person_of(options.by, "archiver reject", Problem("cli.reject.by_whom"))
    request = None if options.revoke or options.heed else _request(options, by)
    contacts = contacts_of(options.contacts, now().date()) if options.contacts else None
    done: list[Rejected] = []
    with open_for_writing(writable_folder(options, read_settings())) as archive:
        if request is not None:
            done.append(reject(archive, request, now(), options.rules, contacts))
        for uid in options.uids if request is None else ():
            if options.heed:
                done.append(heed(archive, uid, by, now()))
            else:
                done.append(revoke(archive, uid, options.remark, by, now()))
    if options.json:
        print(json.dumps([_report(one) for one in done], ensure_ascii=False, indent=2))
    else:
        for one in done:
            _print_done(one)
    return 0


def _request(options: Options, by: str) -> RejectionRequest:
    from archiver.archive.statements import REASONS, RejectionRequest
    from archiver.objects import concepts

    if options.reason is None:
        raise UsageError(Problem("cli.reject.why").at("archiver reject"))
    unknown = [one for one in options.because if one not in concepts.QUALITY_REASONS]
    if unknown:
        known = tuple(f"{c.value} {c.meaning}" for c in concepts.QUALITY_REASONS.values())
        problem = Problem("cli.reject.because", unknown=unknown[0], known=known)
        raise UsageError(problem.at("archiver reject"))
    because = tuple(concepts.QUALITY_REASONS[one] for one in options.because)
    return RejectionRequest(options.uids, REASONS[options.reason], because, options.remark, by)


def _report(done: Rejected) -> dict[str, Any]:
    return {
        "notes": [
            {"sop_instance_uid": one.uid, "reason": one.why, "names": list(one.selection.uids)}
            for one in done.notes
        ],
        "revoked": [one.uid for one in done.revoked],
        "queued": done.queued,
        "handed_over": [
            {"case": one.case, "purpose": one.purpose, "to": one.to, "when": one.when}
            for one in done.handed_over
        ],
    }


def _print_done(done: Rejected) -> None:
    words = words_of()
    for revoked in done.revoked:
        for uid in revoked.selection.uids:
            print(words("cli.reject.back", uid=uid))
    for note in done.notes:
        for uid in () if done.revoked else note.selection.uids:
            print(words("cli.reject.rejected", uid=uid))
        # A note that revokes another has the title of one, though what it does is the opposite.
        title = Text("cli.reject.revoked") if done.revoked else note.why
        print(words("cli.reject.noted", uid=note.uid, title=title))
    print_recipients(done.queued, done.handed_over)
