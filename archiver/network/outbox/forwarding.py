"""Sending without being asked: what the rules choose goes into the outbox, the outbox is emptied.

The journal says what was archived; a file beside the outbox says how far it has been looked at.
So whatever was confirmed is looked at, however the process that confirmed it ended. What is put
into the outbox twice is in it once. Rules count from when there are any: what was archived before
is sent by ``archiver send``.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from itertools import islice
from pathlib import Path

from sqlalchemy import select

from archiver.archive.store import (
    Archive,
    Fields,
    JournalEntry,
    Schema,
    promises,
    read_lines,
    tables,
    translated,
    unchanged,
)
from archiver.errors import ArchiverError
from archiver.network.journal_mark import JournalMark
from archiver.network.outbox.delivery_state import State
from archiver.network.outbox.forwarding_rules import HERE, ForwardingRule, comes_from, source_of
from archiver.network.outbox.outbox import FILE as OUTBOX
from archiver.network.outbox.outbox import Goods, Outbox
from archiver.network.outbox.outbox_worker import OutboxContext, work
from archiver.network.outbox.peer_corrections import settle_owed
from archiver.network.outbox.performed_steps import PerformedSteps
from archiver.network.peers import Peer
from archiver.wording import Text

FILE = "forwarded.json"
SCHEMA: Schema[Fields] = Schema(Text("archive.schema.forwarded"), (unchanged,))
#: Between two looks at journal and outbox, where nothing is known to have come (seconds).
_EVERY = 5.0
_AT_ONCE = 500
#: How long what is being sent may take when the server ends (seconds).
_GRACE = 20.0
#: Key Object Selection Document Storage: a note may reject what peers have (PS3.4 B.5).
_KEY_OBJECTS = "1.2.840.10008.5.1.4.1.1.88.59"

#: Told (event, fields).
Tell = Callable[..., None]


class Follower:
    """Puts what the rules choose into the outbox.

    Parameters
    ----------
    archive
        Open for writing.
    peers, rules
        Of the settings.
    performed
        Notes visits that were photographed here, where anybody is to be told.
    """

    def __init__(
        self,
        archive: Archive,
        peers: Sequence[Peer],
        rules: Sequence[ForwardingRule],
        performed: PerformedSteps | None = None,
    ) -> None:
        self._archive, self._performed = archive, performed
        self._peers = {one.name: one for one in peers}
        self._rules = rules
        self._mark = JournalMark(archive.layout, FILE, SCHEMA)

    def follow(self, world: OutboxContext) -> int:
        """Look at what was archived since; return how many objects were put in.

        Raises
        ------
        ArchiveError
            If journal, index or outbox cannot be used.
        """
        layout = self._archive.layout
        with translated(Text("network.forwarding.not_followed"), layout.root):
            if not self._rules and self._performed is None:
                self._mark.path.unlink(missing_ok=True)
                return 0
            end, count = self._archive.position(), 0
            position = self._mark.read()
            if position is None:
                self._mark.note(end)
                return 0
            lines = iter(read_lines(layout.journal, position))
            while some := [line for line in islice(lines, _AT_ONCE) if line.after.seq <= end.seq]:
                entries = [line.entry for line in some if line.entry is not None]
                count += self._queue(promises(entries).values(), world)
                self._mark.note(some[-1].after)
            return count

    def _queue(self, entries: Iterable[JournalEntry], world: OutboxContext) -> int:
        sources = {one.sop: source_of(one.note) for one in entries}
        wanted: dict[str, list[Goods]] = {}
        i = tables.instances.c
        with self._archive.reading() as connection:
            rows = connection.execute(
                select(tables.instances).where(
                    i.sop_instance_uid.in_(list(sources)), i.rejected.is_(None)
                )
            ).all()
        for row in rows:
            source = sources[row.sop_instance_uid]
            goods = Goods(
                row.sop_instance_uid,
                row.sop_class_uid,
                row.study_uid,
                row.path,
                row.source_digest or "",
            )
            for to in self._choose(source, row.sop_class_uid, confirmed=bool(row.confirmed)):
                wanted.setdefault(to, []).append(goods)
        if self._performed is not None:
            here = [row for row in rows if sources[row.sop_instance_uid] == HERE]
            self._performed.note(here, world)
        if any(row.sop_class_uid == _KEY_OBJECTS for row in rows):
            settle_owed(self._archive, world.now())
        if not wanted:
            return 0
        with Outbox.open(self._archive.layout.root) as outbox:
            return sum(outbox.queue(to, some, world.now()).new for to, some in wanted.items())

    def _choose(self, source: str, sop_class: str, *, confirmed: bool) -> set[str]:
        return {
            rule.to
            for rule in self._rules
            if rule.wants(source, sop_class, confirmed=confirmed)
            and not comes_from(self._peers[rule.to], source)
        }


class Forwarding:
    """Follows the journal and empties the outbox, in threads of its own, until it is closed.

    Parameters
    ----------
    archive
        Open for writing.
    peers, rules
        Of the settings.
    world
        Time, chance and identifiers.
    tell
        Told of what was sent and what went wrong, by name, count and peer.
    title
        Of the application entity where photographs can be fetched.
    """

    def __init__(
        self,
        archive: Archive,
        peers: Sequence[Peer],
        rules: Sequence[ForwardingRule],
        world: OutboxContext,
        tell: Tell,
        title: str = "",
    ) -> None:
        self._root: Path = archive.layout.root
        self._world, self._tell = world, tell
        steps = PerformedSteps(archive, peers, title)
        self._performed = steps if steps.is_wanted else None
        self._follower = Follower(archive, peers, rules, self._performed)
        self._ending = threading.Event()
        self._came = threading.Event()
        self._stirs = {one.name: threading.Event() for one in peers}
        self._threads = [threading.Thread(target=self._follow, name="forwarding", daemon=True)]
        self._threads += [
            threading.Thread(target=self._send, args=(one,), name=f"to {one.name}", daemon=True)
            for one in peers
        ]
        if self._performed is not None:
            telling = threading.Thread(target=self._notify_of_steps, name="performed", daemon=True)
            self._threads.append(telling)
        archive.listen(lambda _: self._came.set())
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """End; an object that is being sent is finished, within its time."""
        self._ending.set()
        self._came.set()
        for stir in self._stirs.values():
            stir.set()
        for thread in self._threads:
            thread.join(_GRACE)

    def _follow(self) -> None:
        while not self._ending.is_set():
            try:
                if count := self._follower.follow(self._world):
                    self._tell("forwarding", instances=count)
                    for stir in self._stirs.values():
                        stir.set()
            except ArchiverError as error:
                self._tell("forwarding", why=error.problems[0].code)
            self._came.wait(_EVERY)
            self._came.clear()

    def _notify_of_steps(self) -> None:
        assert self._performed is not None
        while not self._ending.wait(_EVERY):
            try:
                for one, error in self._performed.notify_due(self._world):
                    why = error.problems[0].code if error else ""
                    self._tell(
                        "procedure step", peer=one.peer, instances=len(one.instances), why=why
                    )
            except ArchiverError as error:
                self._tell("procedure step", why=error.problems[0].code)

    def _send(self, peer: Peer) -> None:
        while not self._ending.is_set():
            if (self._root / OUTBOX).exists():
                try:
                    self._empty(peer)
                except ArchiverError as error:
                    # Another sender is at it, most often: the verb of a person.
                    self._tell("sending", peer=peer.name, why=error.problems[0].code)
            self._stirs[peer.name].wait(_EVERY)
            self._stirs[peer.name].clear()

    def _empty(self, peer: Peer) -> None:
        counts: dict[str, int] = {}
        with Outbox.open(self._root) as outbox:
            states = (State.QUEUED, State.SENT)
            if not outbox.shipments(peer.name, states, due=self._world.now()):
                return
            for one in work(outbox, peer, self._world):
                counts[one.state.value] = counts.get(one.state.value, 0) + 1
                if self._ending.is_set():
                    break
        self._tell("sent", peer=peer.name, **counts)
