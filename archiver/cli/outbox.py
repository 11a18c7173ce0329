"""Examples:

  archiver outbox                            what is on its way, and how it stands
  archiver outbox --to clinic --state failed --json
  archiver outbox retry --to clinic          failed ones are queued again, waiting ones are due
  archiver outbox drop UID --to clinic       not sent any more; the journal says so
  archiver outbox card CARD                  which camera files of a folder may be deleted

States: queued, sent (the peer stored it), committed (the peer took charge of it), failed. Only
what is committed, as shot and corrected, may go from the card. DICOMweb has no commitment: such a
peer's objects are fetched again, and committed only where they come back the same.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver.cli.command import Option, Options, argument, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import FOLDER, PEER_NAME, Choice
from archiver.cli.progress import ProgressBar
from archiver.errors import Problem, UsageError
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.network.outbox import Delivery, Outbox

_DEEDS = ("show", "retry", "drop", "card")
_STATES = ("queued", "sent", "committed", "failed")


@verb(
    argument(
        "deed",
        default="show",
        type=Choice(("show", "retry", "drop", "card")),
        help="show if left out",
    ),
    argument("subjects", nargs=-1, metavar="UID", help="SOP Instance UIDs; for card, the folder"),
    Option("--to", type=PEER_NAME, help="for this peer only"),
    Option("--state", multiple=True, type=Choice(_STATES), help="in this state only"),
    Option("--archive", type=FOLDER),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.cli.practice_archive import writable_folder
    from archiver.cli.settings import read_settings
    from archiver.network.outbox import Outbox

    folder = writable_folder(options, read_settings())
    deeds = {"show": _show, "retry": _retry, "drop": _drop, "card": _card}
    with Outbox.open(folder) as outbox:
        return deeds[options.deed](outbox, options)


def counts_of(rows: list[Delivery]) -> dict[str, int]:
    """Return how many shipments are in each state."""
    return {state: sum(one.state.value == state for one in rows) for state in _STATES}


def counts_in_words(rows: list[Delivery]) -> str:
    """Say how many shipments are in each state."""
    return words_of()("cli.outbox.counts", **counts_of(rows))


def row_of(one: Delivery) -> dict[str, Any]:
    """Return a shipment as values that JSON has."""
    return {
        "peer": one.destination,
        "sop_instance_uid": one.sop_instance,
        "study_uid": one.study,
        "state": one.state.value,
        "reason": str(one.reason or ""),
        "attempts": one.attempts,
        "next_attempt": one.next_attempt.isoformat(timespec="seconds"),
        "decoded_copy": one.recoded,
        "safe_to_delete": one.state.value == "committed",
    }


def _chosen(outbox: Outbox, options: Options) -> list[Delivery]:
    from archiver.network.outbox import State

    states = [State(word) for word in options.state]
    return outbox.shipments(options.to, states, instances=options.subjects)


def _show(outbox: Outbox, options: Options) -> int:
    rows = _chosen(outbox, options)
    if options.json:
        print(json.dumps([row_of(one) for one in rows], ensure_ascii=False, indent=2))
        return 0
    for one in rows:
        if one.state.value != "committed" or options.state or options.subjects:
            reason = f"  {one.reason}" if one.reason else ""
            tries = words_of()("cli.outbox.attempts", count=one.attempts) if one.attempts else ""
            what = f"{one.sop_instance}  {tries}" if tries else one.sop_instance
            print(f"{one.state.value:<9} {one.destination}  {what}{reason}")
    print(counts_in_words(rows))
    return 0


def _retry(outbox: Outbox, options: Options) -> int:
    from archiver.cli.context import now
    from archiver.network.outbox import State, tried_again

    rows = [one for one in _chosen(outbox, options) if one.state is not State.COMMITTED]
    outbox.save(rows, [tried_again(one, now()) for one in rows])
    _report_count(words_of()("cli.outbox.again", count=len(rows)), len(rows), options)
    return 0


def _drop(outbox: Outbox, options: Options) -> int:
    from archiver.cli.context import actor, now
    from archiver.network.outbox import State

    if not options.subjects and not (options.to and options.state):
        raise UsageError(Problem("cli.outbox.drop_what").at("archiver outbox drop"))
    rows = [one for one in _chosen(outbox, options) if one.state is not State.COMMITTED]
    count = outbox.drop_noting(rows, actor(), now()) if rows else 0
    _report_count(words_of()("cli.outbox.dropped", count=count), count, options)
    _journal_drops(outbox)
    return 0 if count else 1


def _journal_drops(outbox: Outbox) -> None:
    """Tell the journal what was dropped, unless another process holds it."""
    from archiver.cli.practice_archive import open_for_writing
    from archiver.errors import ArchiveError
    from archiver.network.outbox import journal_drops

    if not outbox.drops():
        return
    try:
        with open_for_writing(outbox.folder) as archive:
            journal_drops(archive)
    except ArchiveError as error:
        # Noted in the outbox, so that it is not lost: a node looks there every moment.
        print(words_of()("cli.outbox.journal_later", problem=error), file=sys.stderr)


def _report_count(words: str, count: int, options: Options) -> None:
    print(json.dumps({"count": count}) if options.json else words)


def _card(outbox: Outbox, options: Options) -> int:
    """Tell of each file of a folder whether every instance made from it is committed."""
    from archiver.archive.store import Archive, digest_file
    from archiver.network.outbox import standing_of

    if len(options.subjects) != 1 or not Path(options.subjects[0]).is_dir():
        raise UsageError(Problem("cli.outbox.one_folder").at(" ".join(options.subjects)))
    folder = Path(options.subjects[0])
    files = sorted(p for p in folder.rglob("*") if p.is_file() and not p.name.startswith("."))
    rows: list[dict[str, Any]] = []
    with (
        Archive.open(outbox.folder, create=False, read_only=True) as archive,
        ProgressBar("looking", shown=not options.json) as progress,
    ):
        for file in files:
            progress(len(rows), len(files))
            standing = standing_of(archive, outbox, digest_file(file).sha256, options.to)
            name = str(file.relative_to(folder))
            rows.append({"file": name, "safe_to_delete": standing.safe, "why": standing.why})
    if options.json:
        print(json.dumps(rows, ensure_ascii=False, indent=2))
    else:
        for row in rows:
            key = "cli.outbox.may_go" if row["safe_to_delete"] else "cli.outbox.keep"
            print(f"{words_of()(key):<6}  {row['file']}: {row['why']}")
        safe = sum(bool(row["safe_to_delete"]) for row in rows)
        print(words_of()("cli.outbox.deletable", safe=safe, count=len(rows)))
    return 0
