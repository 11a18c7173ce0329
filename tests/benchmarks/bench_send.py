"""How fast our client sends, against DCMTK's storescu with the same files and receiver.

One command: ``python -m tests.benchmarks.bench_send [--brief] [--check]``

Twenty JPEG objects of 8 MB go to Debian's storescp, the two senders taking turns; the medians of
one run are compared. Ours goes through the outbox, and the time ends when the last answer is noted
on the disk; storescu notes nothing. The figure that has a limit is of a peer that may have two
associations: the second is opened where sending goes on for long and the peer accepts it. With one
association, as where the settings say nothing, and what ``archiver send`` takes as a whole with
starting Python, loading its libraries and asking for commitment, is printed beside it.
"""

from __future__ import annotations

import argparse
import io
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from pydicom.uid import generate_uid

sys.path.insert(0, str(Path(__file__).parents[2]))

from archiver.archive.ingest.foreign_files import add_files
from archiver.archive.store.archive import Archive
from archiver.network.outbox.delivery_state import State
from archiver.network.outbox.outbox import Outbox
from archiver.network.outbox.outbox_worker import OutboxContext, work
from archiver.network.peers import DimsePeer
from tests.benchmarks import as_installed
from tests.network import node_samples as samples
from tests.network.client_objects import goods
from tests.network.client_peers import storescp

OBJECTS, ROUNDS = 20, 9
#: The project's own limit: storescu's seconds divided by ours.
AT_LEAST = 1.0


def photographs(folder: Path) -> list[Path]:
    """Write photographs of 8 MB in JPEG Baseline; each has a UID of its own."""
    rng = np.random.default_rng(1)
    noise = np.clip(rng.normal(128, 36, (4000, 6000, 3)), 0, 255).astype(np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(noise).save(buffer, "JPEG", quality=58, subsampling=1)
    frame = buffer.getvalue()
    print(f"{OBJECTS} objects of {len(frame) / 1e6:.1f} MB")
    numbers = range(1, OBJECTS + 1)
    return [samples.save(samples.photograph(n, frame=frame), folder) for n in numbers]


def storescu(port: int, files: list[Path]) -> float:
    """Send by DCMTK's program; return the seconds."""
    command = ["storescu", "-xy", "-aec", "CLINIC", "127.0.0.1", str(port), *map(str, files)]
    began = time.perf_counter()
    subprocess.run(command, check=True)
    return time.perf_counter() - began


def ours(port: int, archive: Path, **named: Any) -> float:
    """Send from a fresh outbox; return the seconds."""
    _forget(archive)
    peer = DimsePeer("clinic", "127.0.0.1", port, "CLINIC", **named)
    world = OutboxContext(
        lambda: datetime.now(timezone.utc), random.random, lambda: str(generate_uid(prefix=None))
    )
    with Outbox.open(archive) as outbox:
        outbox.queue("clinic", goods(archive), world.now())
        began = time.perf_counter()
        for number, _ in enumerate(work(outbox, peer, world), start=1):
            if number == OBJECTS:
                seconds = time.perf_counter() - began
        assert {one.state for one in outbox.shipments()} == {State.SENT}
    return seconds


def whole(port: int, archive: Path) -> float:
    """Send by the command line; return the seconds of the process."""
    _forget(archive)
    settings = archive.parent / "archiver.toml"
    settings.write_text(
        f'[[peer]]\nname = "clinic"\nhost = "127.0.0.1"\nport = {port}\ntitle = "CLINIC"\n'
    )
    command = [sys.executable, "-m", "archiver", "send", "--to", "clinic", "--everything"]
    began = time.perf_counter()
    subprocess.run(
        [*command, "--archive", str(archive)],
        env={**os.environ, "ARCHIVER_SETTINGS": str(settings)},
        check=True,
        stdout=subprocess.DEVNULL,
    )
    return time.perf_counter() - began


def _forget(archive: Path) -> None:
    for file in archive.glob("outbox*"):
        file.unlink()


def main() -> int:
    """Measure and print; with --check, fail where the limit is passed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--brief", action="store_true", help="three rounds")
    parser.add_argument("--check", action="store_true", help="exit 1 where the limit is passed")
    options = parser.parse_args()
    as_installed()
    theirs, mine, single, process = [], [], [], []
    with tempfile.TemporaryDirectory(prefix="bench-send-") as name:
        folder = Path(name)
        files = photographs(folder / "photographs")
        archive = folder / "archive"
        with Archive.open(archive) as opened:
            add_files(opened, files)
        with storescp(folder / "got", "+xa", "--fork") as port:
            storescu(port, files)  # the first of each warms the disk and the programs
            whole(port, archive)
            for _ in range(3 if options.brief else ROUNDS):
                theirs.append(storescu(port, files))
                mine.append(ours(port, archive, associations=2))
                single.append(ours(port, archive, associations=1))
                process.append(whole(port, archive))
        shutil.rmtree(archive)
    ratio = statistics.median(theirs) / statistics.median(mine)
    print(f"storescu                {statistics.median(theirs):5.2f} s")
    print(
        f"on two associations     {statistics.median(mine):5.2f} s: {ratio:.2f} times as fast "
        f"(at least {AT_LEAST})"
    )
    alone = statistics.median(single)
    print(f"on one association      {alone:5.2f} s: {statistics.median(theirs) / alone:.2f}")
    print(f"archiver send, a whole  {statistics.median(process):5.2f} s with starting up")
    return 0 if ratio >= AT_LEAST or not options.check else 1


if __name__ == "__main__":
    sys.exit(main())
