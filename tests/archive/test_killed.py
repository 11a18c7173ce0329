"""Processes that put objects are killed: at random moments, and at every single step.

``ARCHIVER_KILLS`` sets how many random moments; a hundred with
``ARCHIVER_KILLS=100 python -m pytest -s tests/archive/test_killed.py``.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from pathlib import Path

from archive_samples import Clock, content, uid
from killed_writer import PIXELS, numbered

from archiver.archive.index_rebuild import rebuild
from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.archive.store.journal_lines import verify_chain

KILLS = int(os.environ.get("ARCHIVER_KILLS", "10"))
COUNT = 60
SIZE = 300_000
WRITER = Path(__file__).with_name("killed_writer.py")


def start(folder: Path) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, WRITER, "random", folder, str(COUNT), str(SIZE)],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None and process.stdout.readline() == "ready\n"
    return process


def check(folder: Path, whole: dict[str, bytes]) -> int:
    """Each instance is whole or absent, index and objects agree, and the chain holds."""
    with Archive.open(folder, clock=Clock()) as archive:
        assert archive.recovery.problems == ()
        records = archive.query(Query())
        for record in records:
            assert Path(record.path).read_bytes() == whole[record.sop_instance_uid]
        assert list((folder / "tmp").iterdir()) == []
    for path in (folder / "objects").rglob("*.dcm"):
        assert path.read_bytes() == whole[path.stem]
    assert verify_chain(folder / "journal.jsonl") == []
    return len(records)


def check_rebuilt(folder: Path, whole: dict[str, bytes], count: int) -> int:
    """The index made again has every object; return how many the journal did not know."""
    report = rebuild(folder, clock=Clock())
    assert report.is_sound and report.objects == report.indexed >= count
    assert check(folder, whole) == report.indexed
    return len(report.adopted)


def test_a_writer_killed_at_any_moment_leaves_whole_instances_or_none(tmp_path: Path) -> None:
    whole = {uid(n): content(numbered(n, SIZE)) for n in range(COUNT)}
    seed = random.SystemRandom().randrange(1 << 32)
    chance = random.Random(seed)
    process = start(tmp_path / "timed")
    began = time.monotonic()
    process.communicate()
    full = time.monotonic() - began
    states = set()
    adopted = 0
    folder = tmp_path / "archive-0"
    kill = 0
    # More where the machine was so uneven that few moments were met.
    while kill < KILLS or (len(states) < 3 and kill < 10 * KILLS):
        process = start(folder)
        time.sleep(chance.uniform(0.0, 0.6 * full))
        if process.poll() is not None:
            full *= 0.6
        process.kill()
        process.communicate()
        count = check(folder, whole) if (folder / "FORMAT").exists() else 0
        states.add(count)
        if kill % 3 == 2 and count:
            adopted += check_rebuilt(folder, whole, count)
        if count > COUNT * 2 // 3:
            folder = tmp_path / f"archive-{kill + 1}"
        kill += 1
    print(f"seed {seed}: {kill} kills, instances found {sorted(states)}, {adopted} adopted")
    process = start(folder)
    told, _ = process.communicate()
    assert told == "finished\n"
    assert check(folder, whole) == COUNT
    assert len(states) > 2, "the kills came too early or too late to prove anything"


def test_a_writer_killed_at_every_single_step_leaves_whole_instances_or_none(
    tmp_path: Path,
) -> None:
    batches = [[numbered(0, PIXELS), numbered(5, PIXELS)], [numbered(1, PIXELS)]]
    whole = {one.description.sop_instance_uid: content(one) for batch in batches for one in batch}
    told = subprocess.run(
        [sys.executable, WRITER, "steps", tmp_path], stdout=subprocess.PIPE, text=True, check=True
    )
    steps = [line.split() for line in told.stdout.splitlines()]
    assert len(steps) > 30 and steps[-1][1] == "0"
    found = []
    adopted = 0
    for step, _ in steps:
        folder = tmp_path / f"{int(step):03}"
        if (folder / "FORMAT").exists():
            found.append(check(folder, whole))
            adopted += check_rebuilt(folder, whole, found[-1])
        with Archive.open(folder, clock=Clock()) as archive:
            for batch in batches:
                archive.put(batch)
        assert check(folder, whole) == 3
    # Never fewer with a later kill; nothing, the first batch, both; and the moment between a
    # file's being in its place and its line in the journal is among them.
    assert found == sorted(found) and set(found) >= {0, 2, 3} and adopted
    print(f"killed at {len(steps) - 1} steps, instances found {found}, {adopted} adopted")
