"""Examples:

  archiver send --to clinic --patient-id P-0417 --since 2026-03-04
  archiver send --to clinic --role derived --tooth iso:16
  archiver send --to clinic                        carry on with what is in the outbox
  archiver send --to clinic --keep-trying 60       and retry for an hour where it fails

What is chosen is put into the outbox and sent from there, until the peer has taken charge of it
(storage commitment). What it took charge of is never sent to it again. NAME is one of the
[[peer]] tables of the settings.
"""

from __future__ import annotations

import json
import sys
import time
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.cli.command import Option, Options, verb
from archiver.cli.options import JSON, SELECTORS
from archiver.cli.parameters import FOLDER, PEER, Number
from archiver.cli.progress import ProgressBar
from archiver.cli.query import question
from archiver.errors import Problem, UsageError
from archiver.wording import Text, words_of

if TYPE_CHECKING:
    from archiver.archive import Query
    from archiver.network import Peer
    from archiver.network.outbox import Delivery, Outbox, OutboxContext, Queued


@verb(
    Option("--to", required=True, type=PEER, help="a peer in the settings"),
    Option("--archive", type=FOLDER, help="archive to send from"),
    SELECTORS,
    Option("--everything", is_flag=True, help="all that the archive has"),
    Option("--queue-only", is_flag=True, help="put into the outbox, send nothing"),
    Option(
        "--keep-trying",
        type=Number(0, whole=False),
        default=0,
        metavar="MINUTES",
        help="retry for so long where it fails",
    ),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive import Query
    from archiver.cli.context import world
    from archiver.cli.practice_archive import writable_folder
    from archiver.cli.settings import read_settings
    from archiver.network.outbox import Outbox, Queued

    peer = options.to
    folder = writable_folder(options, read_settings())
    asked = question(options)
    chosen = asked != Query()
    if chosen and options.everything:
        raise UsageError(Problem("cli.send.some_or_all").at("archiver send"))
    queued = Queued(0, 0, 0)
    with Outbox.open(folder) as outbox:
        _queue_owed(outbox, folder)
        if chosen or options.everything:
            queued = _queue(outbox, folder, peer.name, asked)
            if queued == Queued(0, 0, 0):
                print(words_of()("cli.send.nothing"), file=sys.stderr)
                return 1
        if not options.queue_only:
            _send(outbox, peer, world(), options)
        rows = outbox.shipments(peer.name)
    return _report(rows, queued, options)


def _queue(outbox: Outbox, folder: Path, peer: str, asked: Query) -> Queued:
    from archiver.archive.store import Archive
    from archiver.cli.context import now
    from archiver.network.outbox import Goods

    with Archive.open(folder, create=False, read_only=True) as archive:
        records = archive.query(asked)
        root = archive.layout.root
    goods = [
        Goods(
            record.sop_instance_uid,
            record.sop_class_uid,
            record.study_uid,
            Path(record.path).relative_to(root).as_posix(),
            record.source_sha256 or "",
        )
        for record in records
    ]
    return outbox.queue(peer, goods, now())


def _queue_owed(outbox: Outbox, folder: Path) -> None:
    """Put in what peers are owed since an instance was amended; take out what was wrong."""
    from archiver.archive.store import Archive
    from archiver.cli.context import actor, now
    from archiver.network.outbox import queue_owed

    with Archive.open(folder, create=False, read_only=True) as archive:
        owed = queue_owed(archive, outbox, now())
    if owed.useless:
        count = outbox.drop_noting(owed.useless, actor(), now())
        print(words_of()("cli.send.rejected", count=count), file=sys.stderr)


def _send(outbox: Outbox, peer: Peer, world: OutboxContext, options: Options) -> None:
    """Go through the outbox, and again while there is time and something may still get better."""
    from archiver.network.outbox import State, tried_again, work

    waiting = outbox.shipments(peer.name, [State.QUEUED, State.SENT])
    # A person asks for it now: what waits for its next attempt is tried at once.
    outbox.save(waiting, [tried_again(one, world.now()) for one in waiting])
    until = time.monotonic() + options.keep_trying * 60
    known = {one.sop_instance: (one.state, one.reason) for one in waiting}
    while True:
        tried: set[str] = set()
        with ProgressBar("sending", shown=not options.json) as progress:
            for one in work(outbox, peer, world):
                # A peer without commitment has the same to be said of all that it has, every time.
                if known.get(one.sop_instance) != (one.state, one.reason):
                    progress.clear()
                    _report_delivery(one, options)
                known[one.sop_instance] = one.state, one.reason
                tried.add(one.sop_instance)
                progress(len(tried), len(known))
        left = outbox.shipments(peer.name, [State.QUEUED, State.SENT])
        if not left:
            return
        pause = (min(one.next_attempt for one in left) - world.now()).total_seconds()
        if time.monotonic() + max(pause, 0) >= until:
            return
        time.sleep(max(pause, 0.1))


def _report_delivery(one: Delivery, options: Options) -> None:
    if options.json:
        return
    what = one.sop_instance
    if one.recoded and one.state.value == "sent":
        what = words_of()("cli.send.decoded", uid=what)
    reason = f": {one.reason}" if one.reason else ""
    stream = sys.stderr if one.state.value in ("failed", "queued") else sys.stdout
    print(f"{one.state.value:<9} {what}{reason}", file=stream)


def _reasons(rows: list[Delivery]) -> Counter[tuple[str, Text | Problem]]:
    """Return how many open shipments stand where they do for the same reason."""
    return Counter(
        (one.state.value, one.reason)
        for one in rows
        if one.reason and one.state.value in ("sent", "queued", "failed")
    )


def _report(rows: list[Delivery], queued: Queued, options: Options) -> int:
    from archiver.cli.outbox import counts_in_words, counts_of, row_of

    counts = counts_of(rows)
    if options.json:
        told = {
            "peer": options.to.name,
            "put_in": queued.new,
            "committed_before": queued.committed,
            "counts": counts,
            "open": [row_of(one) for one in rows if one.state.value != "committed"],
        }
        print(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        words = words_of()
        for (state, reason), count in _reasons(rows).items():
            print(words("cli.outbox.why", count=count, state=state, reason=reason))
        given = {"peer": options.to.name, "counts": counts_in_words(rows)}
        print(words("cli.send.queued", count=queued.new, **given))
    if options.queue_only:
        return 0
    return 1 if counts["queued"] or counts["failed"] else 0
