"""Reports of other archives on what our outbox asked them to take charge of.

They come when they come (PS3.4 J.3.3), mostly after whoever sent the objects has stopped waiting.
The node listens all the time and writes them down in the outbox.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from pydicom.uid import generate_uid

from archiver.errors import ArchiverError
from archiver.network.client.dimse.commitment import EVENT_TYPES, report_of
from archiver.network.node import answers
from archiver.network.node.dimse.association import NodeAssociation
from archiver.network.outbox.delivery_state import State
from archiver.network.outbox.outbox import FILE, Outbox
from archiver.network.outbox.outbox_worker import OutboxContext, take_late_report
from archiver.network.peers import DimsePeer


class LateReports:
    """Takes reports of commitment, as pynetdicom hands them over.

    Parameters
    ----------
    archive
        Its folder.
    peers
        Whom the outbox sends to.
    told
        Told (title of the peer, instances committed, instances not).
    """

    def __init__(
        self, archive: Path, peers: Iterable[DimsePeer], told: Callable[[str, int, int], None]
    ) -> None:
        self._archive, self._told = archive, told
        self._peers = tuple(peers)

    def __call__(self, event: Any) -> tuple[int, None]:
        """Take an N-EVENT-REPORT request and return the status of the answer."""
        association: NodeAssociation = event.assoc
        if event.event_type not in EVENT_TYPES:
            return answers.NO_SUCH_EVENT, None
        try:
            report = report_of(event.event_information)
        except Exception:  # pydicom raises whatever the bytes lead it to
            return answers.INVALID_ARGUMENT, None
        names = {peer.name for peer in self._peers if peer.title.strip() == association.calling}
        if not names or not (self._archive / FILE).is_file():
            return answers.SUCCESS, None
        world = OutboxContext(
            lambda: datetime.now(timezone.utc),
            random.random,
            lambda: str(generate_uid(prefix=None)),
        )
        try:
            with Outbox.open(self._archive) as outbox:
                after = take_late_report(outbox, report, world, names)
        except ArchiverError:
            return answers.PROCESSING_FAILURE, None
        committed = sum(one.state is State.COMMITTED for one in after)
        if after:
            self._told(association.calling, committed, len(after) - committed)
        return answers.SUCCESS, None
