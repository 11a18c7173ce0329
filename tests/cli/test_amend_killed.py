"""`archiver amend` killed at random moments: it is not begun or it is done, nothing is lost.

``ARCHIVER_KILLS`` sets how many times it is killed; fifty times with
``ARCHIVER_KILLS=50 python -m pytest -s tests/cli/test_amend_killed.py``.
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import time
from dataclasses import replace
from datetime import datetime, timezone
from pathlib import Path

from sessions import archiver, camera_jpeg, photo, write_sheet

from archiver.archive.query import Query, Record
from archiver.archive.store.archive import Archive
from archiver.network.outbox.outbox import Goods, Outbox
from tests.new_archive import new_archive

KILLS = int(os.environ.get("ARCHIVER_KILLS", "6"))
NOW = datetime(2026, 3, 5, tzinfo=timezone.utc)
TEETH = ("26", "25")
PEER = "clinic"


def begin(folder: Path) -> Path:
    """An archive with a photograph that a peer was sent."""
    camera_jpeg(folder / "A.JPG", 1, columns=1600, rows=1200)
    archive = new_archive(folder / "archive")
    sheet = write_sheet(folder, [photo("A.JPG")])
    assert archiver("wrap", sheet, "--archive", archive).returncode == 0
    goods = [
        Goods(r.sop_instance_uid, r.sop_class_uid, r.study_uid, r.path, r.source_sha256 or "")
        for r in seen(archive)
    ]
    with Outbox.open(archive) as outbox:
        outbox.queue(PEER, goods, NOW)
        rows = outbox.shipments()
        outbox.save(rows, [replace(row, attempts=1) for row in rows])
    return archive


def seen(archive: Path, **asked: object) -> list[Record]:
    with Archive.open(archive, read_only=True) as opened:
        return opened.query(Query(modality="XC", **asked))  # type: ignore[arg-type]


def start(archive: Path, uid: str, tooth: str) -> subprocess.Popen[bytes]:
    words = ["amend", uid, "--tooth", f"iso:{tooth}", "--archive", archive]
    return subprocess.Popen(
        [sys.executable, "-m", "archiver", *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def kill_somewhen(process: subprocess.Popen[bytes], wait: float) -> bool:
    """Kill after some seconds; True where it was still alive."""
    try:
        process.wait(wait)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
        return True
    return False


def kill_while_writing(process: subprocess.Popen[bytes], archive: Path, wait: float) -> bool:
    """Kill some moments after the first file is being written aside."""
    while process.poll() is None and not any((archive / "tmp").iterdir()):
        pass
    time.sleep(wait)
    return kill_somewhen(process, 0.0)


def state(archive: Path) -> str:
    """Return the tooth of the one photograph that is shown, as shot and corrected alike."""
    shown = seen(archive)
    assert {(r.role, r.teeth) for r in shown} == {
        ("original", shown[0].teeth),
        ("derived", shown[0].teeth),
    }
    assert len(shown) == 2
    return shown[0].teeth[0]


def check(archive: Path, ever: set[str]) -> str:
    """What was killed is mended by the next writer; nothing that ever was there is lost."""
    state(archive)  # for a reader too, before anything is mended
    with Archive.open(archive) as opened:
        assert opened.recovery.problems == ()
    after = state(archive)
    everything = seen(archive, include_rejected=True)
    uids = {r.sop_instance_uid for r in everything}
    assert ever <= uids and len(uids) % 2 == 0
    ever |= uids
    files = [p for p in (archive / "objects").rglob("*.dcm") if p.stem not in uids]
    assert len(files) == len(uids) // 2 - 1  # a note for each amendment, and nothing else
    return after


def test_killed_at_any_moment_it_is_not_begun_or_done(tmp_path: Path) -> None:
    seed = random.SystemRandom().randrange(1 << 32)
    chance = random.Random(seed)
    archive = begin(tmp_path)
    ever: set[str] = set()
    check(archive, ever)
    whole = 0.0
    done = begun = 0
    for number in range(KILLS):
        tooth = TEETH[state(archive) == TEETH[0]]
        uid = next(r.sop_instance_uid for r in seen(archive) if r.role == "original")
        if not whole:
            clock = time.monotonic()
            assert start(archive, uid, tooth).wait() == 0
            whole = time.monotonic() - clock
            assert check(archive, ever) == tooth
            continue
        process = start(archive, uid, tooth)
        if number % 2:
            killed = kill_while_writing(process, archive, chance.uniform(0, 0.03))
        else:
            killed = kill_somewhen(process, chance.uniform(0.3, 1.05) * whole)
        begun += killed
        after = check(archive, ever)
        done += killed and after == tooth
        if number % 5 == 0:
            assert archiver("rebuild", "--archive", archive).returncode == 0, seed
            assert check(archive, ever) == after
    # What was done and not yet owed to the peer is found out by whoever comes next.
    uid = next(r.sop_instance_uid for r in seen(archive) if r.role == "original")
    last = archiver("amend", uid, "--comment", "last", "--archive", archive, "--json")
    assert last.returncode == 0, (seed, last.stderr)
    assert json.loads(last.stdout)["queued"].keys() == {PEER}
    with Outbox.open(archive) as outbox:
        queued = {one.sop_instance for one in outbox.shipments(PEER)}
    assert {r.sop_instance_uid for r in seen(archive)} <= queued
    with Archive.open(archive, read_only=True) as opened:
        notes = {r.sop_instance_uid for r in opened.query(Query(modality="KO"))}
    assert notes <= queued
    assert archiver("rebuild", "--archive", archive).returncode == 0
    print(f"\nseed {seed}: {begun} of {KILLS} runs killed, {done} of them were done already")
