"""What each bomb costs: ``python -m tests.network.bomb_table [--brief]``.

Each goes off at a node of its own, of 1,024 descriptors. Memory is above idle; a bystander asks
``/health`` and sends C-ECHO all the while, from another address. Fails where a bomb ends the node,
takes more than 300 MB, or a bystander waits for longer than a second beyond what it does without.
"""

from __future__ import annotations

import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import psutil

from tests.network.bomb_watch import Cost, Watch, set_off
from tests.network.bombs import bombs, progressive, session_sheet
from tests.network.node_serving import TITLE, Served
from tests.new_archive import new_archive

_MOST, _LONGEST = 300, 1.0


def main(words: list[str]) -> int:
    """Print the table; return 1 where a limit is passed."""
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (1024, most))
    brief = "--brief" in words
    folder = Path(tempfile.mkdtemp())
    print(f"{'':44}{'node MB':>8}{'workers':>8}{'files':>6}{'s':>7}{'health':>8}{'echo':>7}")
    worst = 0
    try:
        for name, cost, idle in (*_at_nodes(folder, brief=brief), *_of_verbs(folder, brief=brief)):
            passed = cost.node + cost.workers < _MOST
            passed &= max(cost.health - idle.health, cost.echo - idle.echo) < _LONGEST
            worst |= not passed
            print(
                f"{name:44}{cost.node:8.0f}{cost.workers:8.0f}{cost.descriptors:6}"
                f"{cost.seconds:7.1f}{cost.health:8.2f}{cost.echo:7.2f}  {cost.statuses}"
                f"{'' if passed else '  FAILED'}",
                flush=True,
            )
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return worst


def _at_nodes(folder: Path, *, brief: bool) -> Iterator[tuple[str, Cost, Cost]]:
    makers = {"nothing": list, **bombs(brief=brief)}
    for number, (name, make) in enumerate(makers.items()):
        requests = make()
        with Served(folder / f"archive{number}") as served:
            web = int(served.web.rpartition(":")[2])
            time.sleep(1.0)
            quiet = Watch(served.process.pid, web, served.port, TITLE)
            with quiet:
                time.sleep(2.0)
            watch = Watch(served.process.pid, web, served.port, TITLE)
            yield name, set_off(watch, web, requests), quiet.cost


def _of_verbs(folder: Path, *, brief: bool) -> Iterator[tuple[str, Cost, Cost]]:
    """Yield what the verb ``wrap`` costs for sheets and pictures of the same kind."""
    card = folder / "card"
    card.mkdir()
    (card / "IMG_00000.JPG").write_bytes(progressive(2_000 if brief else 20_000))
    (card / "sheet.toml").write_text(session_sheet(1))
    yield "wrap: progressive JPEG of many scans", _wrapped(card, folder / "wrapped"), Cost()
    long = folder / "long"
    long.mkdir()
    count = 2_000 if brief else 10_000
    for number in range(count):
        (long / f"IMG_{number:05}.JPG").touch()
    (long / "sheet.toml").write_text(session_sheet(count))
    yield f"wrap: sheet of {count:,} photographs", _wrapped(long, folder / "wrapped"), Cost()


def _wrapped(card: Path, archive: Path) -> Cost:
    cost, began = Cost(), time.monotonic()
    command = [sys.executable, "-m", "archiver", "wrap", str(card / "sheet.toml")]
    command += ["--archive", str(new_archive(archive))]
    with psutil.Popen(command, stdout=-3, stderr=-3) as process:
        while process.poll() is None:
            try:
                cost.node = max(cost.node, process.memory_info().rss / 1e6)
            except psutil.Error:
                break
            time.sleep(0.02)
        cost.statuses.append(process.wait())
    cost.seconds = time.monotonic() - began
    return cost


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
