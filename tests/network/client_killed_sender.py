"""Sends an outbox to a peer, to be killed at any moment: ARCHIVE PORT."""

from __future__ import annotations

import random
import sys
from datetime import datetime, timezone
from pathlib import Path

from pydicom.uid import generate_uid

from archiver.network.outbox import Outbox
from archiver.network.peers import DimsePeer, TimeLimits
from archiver.network.sending import World, work


def main() -> None:
    """Go through the outbox once, and say on the way what is committed."""
    folder, port = Path(sys.argv[1]), int(sys.argv[2])
    limits = TimeLimits(connect=10, answer=20, commitment=20)
    peer = DimsePeer("clinic", "127.0.0.1", port, "CLINIC", limits=limits)
    world = World(
        lambda: datetime.now(timezone.utc),
        random.random,
        lambda: str(generate_uid(prefix=None)),
    )
    print("begun", flush=True)
    with Outbox.open(folder) as outbox:
        for one in work(outbox, peer, world):
            print(one.state.value, one.sop_instance, flush=True)


if __name__ == "__main__":
    main()
