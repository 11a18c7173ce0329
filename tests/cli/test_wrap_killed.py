"""`archiver wrap` killed at random moments, and on a full disk: nothing lost, nothing broken.

``ARCHIVER_KILLS`` sets how many times it is killed; a hundred times with
``ARCHIVER_KILLS=100 python -m pytest -s tests/cli/test_wrap_killed.py``.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from sessions import archiver, camera_jpeg, photo, write_sheet

from tests.new_archive import new_archive

KILLS = int(os.environ.get("ARCHIVER_KILLS", "10"))
PHOTOGRAPHS = 12


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    names = [f"IMG_{n:04}.JPG" for n in range(PHOTOGRAPHS)]
    for seed, name in enumerate(names):
        camera_jpeg(tmp_path / name, seed, columns=1600, rows=1200)
    return write_sheet(tmp_path, [photo(name) for name in names])


def start(sheet: Path, archive: Path, workers: int) -> subprocess.Popen[bytes]:
    words = ["wrap", sheet, "--archive", new_archive(archive), "--workers", str(workers)]
    return subprocess.Popen(
        [sys.executable, "-m", "archiver", *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def check(archive: Path) -> int:
    """All that is there is whole, and what the index knows is there; return how much."""
    rebuilt = archiver("rebuild", "--archive", archive)
    assert rebuilt.returncode == 0, rebuilt.stderr
    files = list((archive / "objects").rglob("*.dcm"))
    for file in files:
        assert file.read_bytes().endswith(b"\xfe\xff\xdd\xe0\0\0\0\0")  # sequence delimiter
    return len(files)


def test_a_run_killed_at_any_moment_is_finished_by_the_next(sheet: Path, tmp_path: Path) -> None:
    seed = random.SystemRandom().randrange(1 << 32)
    chance = random.Random(seed)
    begun = time.monotonic()
    assert start(sheet, tmp_path / "timed", 1).wait() == 0
    whole = time.monotonic() - begun
    archive, counts, kills = tmp_path / "archive", [], 0
    while kills < KILLS:
        process = start(sheet, archive, 1 + kills % 2)
        try:
            process.wait(chance.uniform(0.05, 1.05) * whole)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            kills += 1
        else:
            kills += 1  # it came through before the moment
        if (archive / "FORMAT").exists():
            counts.append(check(archive))
            if counts[-1] == 2 * PHOTOGRAPHS:
                shutil.rmtree(archive)
    last = archiver("wrap", sheet, "--archive", new_archive(archive))
    assert last.returncode == 0, (seed, last.stderr)
    assert check(archive) == 2 * PHOTOGRAPHS
    assert list((archive / "tmp").iterdir()) == []
    print(f"\nseed {seed}: {KILLS} kills, instances found after them: {counts}")


def test_a_full_disk_costs_no_photograph(sheet: Path, tmp_path: Path) -> None:
    place = tmp_path / "small"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)]
    limited = subprocess.run(mount, capture_output=True).returncode != 0
    archive = place / "archive"
    try:
        new_archive(archive)
        if limited:  # no right to mount: a limit on the size of files fails in the same way
            command = f'ulimit -f 300; exec "{sys.executable}" -m archiver wrap "{sheet}" '
            words = ["bash", "-c", command + f'--archive "{archive}"']
            full = subprocess.run(words, capture_output=True, text=True)
        else:
            full = archiver("wrap", sheet, "--archive", archive)
        assert full.returncode == 1 and "Traceback" not in full.stderr
        assert len(full.stderr.strip().splitlines()) == 1, full.stderr
        assert list((archive / "tmp").iterdir()) == []
        if not limited:
            grow = ["mount", "-o", "remount,size=64m", str(place)]
            subprocess.run(grow, check=True)
        assert archiver("wrap", sheet, "--archive", archive).returncode == 0
        assert check(archive) == 2 * PHOTOGRAPHS
    finally:
        if not limited:
            subprocess.run(["umount", str(place)], check=True)
