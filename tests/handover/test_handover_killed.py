"""Killed at random moments, a package is there whole, or not there.

For a longer run: ``ARCHIVER_KILLS=100 python -m pytest -s tests/handover``.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import handing_over
import pytest
from handover_samples import NOW, agreed, camera_file, opened, order, photo, take

from archiver.archive.statements.handover_register import handovers
from archiver.archive.store.journal_lines import verify_chain
from archiver.handover.package import hand_over

KILLS = int(os.environ.get("ARCHIVER_KILLS", "5"))


def started(folder: Path, case: int, form: str) -> subprocess.Popen[bytes]:
    """A process that has all it needs and waits for a line."""
    command = [sys.executable, handing_over.__file__, str(folder), str(case), form]
    return subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )


def is_whole(package: Path, case: int) -> bool:
    """Every file of the list of digests is there and right, and none is there besides."""
    if package.suffix == ".zip":
        with zipfile.ZipFile(package) as file:
            file.extractall(package.with_suffix(""))
        package = package.with_suffix("")
    done = subprocess.run(
        ["sha256sum", "-c", "--strict", "--quiet", f"{case}.sha256"],
        cwd=package,
        capture_output=True,
    )
    listed = (package / f"{case}.sha256").read_text().splitlines()
    return done.returncode == 0 and len(listed) == len(list(package.iterdir())) - 1


def begin(process: subprocess.Popen[bytes]) -> None:
    """Wait until a process is ready, and let it begin."""
    assert process.stdin and process.stdout and process.stdout.readline() == b"ready\n"
    process.stdin.write(b"\n")
    process.stdin.flush()


def whole_run(folder: Path, form: str) -> float:
    """Seconds that one takes that is not killed."""
    process = started(folder, 1, form)
    begin(process)
    begun = time.monotonic()
    assert process.wait() == 0
    process.communicate()
    return time.monotonic() - begun


@pytest.mark.parametrize("form", ["folder", "zip"])
def test_a_killed_hand_over_leaves_a_whole_package_or_none(tmp_path: Path, form: str) -> None:
    photos = []
    for number in range(4):
        camera_file(tmp_path / f"{number}.JPG", number, columns=1200, rows=800)
        photos.append(photo(f"{number}.JPG", tooth=24 + number))
    with opened(tmp_path) as archive:
        take(archive, tmp_path, photos)
        agreed(archive)
        root = archive.layout.root
    long = whole_run(tmp_path, form)
    chance = random.Random(7)
    finished = 0
    for case in range(2, 2 + KILLS):
        process = started(tmp_path, case, form)
        begin(process)
        time.sleep(chance.uniform(0.1, 1.15) * long)
        process.kill()
        process.communicate()
        package = tmp_path / "out" / (f"{case}.zip" if form == "zip" else str(case))
        if package.exists():
            finished += 1
            assert is_whole(package, case)
            assert str(case) in {one.case for one in handovers(root)}
            continue
        # The next run works, and clears away what the killed one left.
        with opened(tmp_path) as archive:
            words = {"case": str(case), "target": package, "zipped": form == "zip"}
            hand_over(archive, order(tmp_path, **words), NOW)
        assert is_whole(package, case)
    assert not list((tmp_path / "out").glob(".*"))
    assert verify_chain(root / "journal.jsonl") == []
    print(f"{finished} of {KILLS} packages were there before the kill")
