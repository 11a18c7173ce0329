"""How fast the node receives, against DCMTK's storescp with the same sender and files.

Run: ``python -m tests.benchmarks.bench_receive [--brief] [--check]``. Ratios are of one run, the
receivers taking turns; the best of each counts. The node flushes every object to the disk and
indexes it before it answers; storescp does neither. How much memory receiving takes is a test,
`tests/network/test_node_faults.py`.
"""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import psutil
from PIL import Image

from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, Served

OBJECTS, SENDERS, ROUNDS = 20, 4, 3
#: The project's own limits: the node against storescp, and four senders in sum against one.
ONE_LIMIT, FOUR_LIMIT = 1.2, 1.5


def jpeg_of_8_megabytes(folder: Path) -> bytes:
    """A frame as a camera of 24 megapixels makes it."""
    rng = np.random.default_rng(1)
    noise = np.clip(rng.normal(128, 36, (4000, 6000, 3)), 0, 255).astype(np.uint8)
    picture = folder / "picture.jpg"
    Image.fromarray(noise).save(picture, quality=57, subsampling=1)
    return picture.read_bytes()


def groups_of(folder: Path, count: int) -> Iterator[list[Path]]:
    """Yield twenty new objects at a time, the same frame under new UIDs."""
    frame = jpeg_of_8_megabytes(folder)
    print(f"{OBJECTS} objects of {len(frame) / 1e6:.1f} MB")
    for group in range(count):
        yield [
            samples.save(
                samples.photograph(1000 * group + n, study=group, series=group, frame=frame),
                folder / str(group),
            )
            for n in range(OBJECTS)
        ]


@contextmanager
def storescp(folder: Path) -> Iterator[int]:
    """DCMTK's receiver on a free port; a process for each association."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    folder.mkdir()
    command = ["storescp", "-aet", TITLE, "+xa", "--fork", "-od", str(folder), str(port)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    while subprocess.run(["echoscu", "127.0.0.1", str(port)], capture_output=True).returncode:
        time.sleep(0.05)
    try:
        yield port
    finally:
        process.terminate()
        process.wait()
        shutil.rmtree(folder)


def send(port: int, *groups: list[Path]) -> float:
    """Send groups at the same time; return the seconds until the last has finished."""
    words = ["storescu", "-xy", "-aec", TITLE, "127.0.0.1", str(port)]
    began = time.perf_counter()
    senders = [subprocess.Popen([*words, *map(str, group)]) for group in groups]
    if [sender.wait() for sender in senders] != [0] * len(groups):
        raise SystemExit("a sender failed")
    return time.perf_counter() - began


def measure(folder: Path, rounds: int) -> tuple[float, float]:
    """Print the figures; return how many times as fast the node is, and the sum of four."""
    groups = list(groups_of(folder, rounds * (SENDERS + 1)))
    waiting = iter(groups)
    ours, theirs, four = [], [], []
    with (
        storescp(folder / "scp") as other,
        Served(folder / "archive", "", "--web-port", "-1") as served,
    ):
        process = psutil.Process(served.process.pid)
        for _ in range(rounds):
            group = next(waiting)
            theirs.append(send(other, group))
            ours.append(send(served.port, group))
            four.append(send(served.port, *[next(waiting) for _ in range(SENDERS)]))
        spent = process.cpu_times()
        served.stop()
    one, together = min(theirs) / min(ours), SENDERS * min(ours) / min(four)
    print(
        f"storescp {min(theirs):.2f} s, node {min(ours):.2f} s: "
        f"{one:.2f} times as fast (at least {ONE_LIMIT})"
    )
    print(
        f"four senders {min(four):.2f} s: {together:.2f} times one in sum (at least {FOUR_LIMIT}), "
        f"{one * together:.2f} times storescp with one"
    )
    received = rounds * (SENDERS + 1)
    print(f"the node's processor time for twenty: {(spent.user + spent.system) / received:.2f} s")
    return one, together


def main() -> int:
    """Measure; with ``--check`` fail where a limit is passed."""
    rounds = 1 if "--brief" in sys.argv else ROUNDS
    with tempfile.TemporaryDirectory(prefix="bench-receive-") as name:
        one, together = measure(Path(name), rounds)
    well = one >= ONE_LIMIT and together >= FOUR_LIMIT
    return 0 if well or "--check" not in sys.argv else 1


if __name__ == "__main__":
    sys.exit(main())
