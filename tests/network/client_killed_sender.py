"""Sends an outbox to a peer, to be killed at any moment: ARCHIVE TITLE PORT, or ARCHIVE URL."""

from __future__ import annotations

import random
import sys
from datetime import datetime, timezone
from pathlib import Path

from pydicom.uid import generate_uid

from archiver.network.outbox.outbox import Outbox
from archiver.network.outbox.outbox_worker import OutboxContext, work
from archiver.network.peers import DimsePeer, Peer, TimeLimits, WebPeer

LIMITS = TimeLimits(connect=10, answer=20, commitment=20)


def _peer(words: list[str]) -> Peer:
    if len(words) == 1:
        return WebPeer("clinic", words[0], limits=LIMITS)
    title, port = words
    return DimsePeer("clinic", "127.0.0.1", int(port), title, limits=LIMITS)


def main() -> None:
    """Go through the outbox once, and say on the way what is committed."""
    folder, *words = sys.argv[1:]
    world = OutboxContext(
        lambda: datetime.now(timezone.utc),
        random.random,
        lambda: str(generate_uid(prefix=None)),
    )
    print("begun", flush=True)
    with Outbox.open(Path(folder)) as outbox:
        for one in work(outbox, _peer(words), world):
            print(one.state.value, one.sop_instance, flush=True)


if __name__ == "__main__":
    main()
