"""How long a session of 24-megapixel photographs takes, against jpegtran on the same files.

One command: ``python tests/benchmarks/bench_wrap.py [--photos 20] [--check]``

Prints, from one run on this machine: the ratio of `archiver wrap` with one worker (both
instances made, validated, flushed, journalled and indexed) to ``jpegtran -flip horizontal``
alone; the ratio of one worker to two; the peak memory of both; what comparing adds where an
earlier visit shows the same tooth; and what signing the journal's head afterwards adds. The
files are made here, 6000 x 4000, quality 92, 4:2:2, with noise as a sensor has it.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from datetime import datetime, timezone
from multiprocessing import get_context
from pathlib import Path
from statistics import median

import numpy as np
from PIL import Image

from tests.benchmarks import as_installed
from tests.new_archive import new_archive

#: Limits of the project: ratios to jpegtran, of a session of at least so many photographs and of a
#: shorter one, in which the start counts; a gain by a second worker; megabytes.
AT_MOST_JPEGTRAN, LONG_SESSION, AT_MOST_OF_FEW = 1.2, 20, 1.5
AT_LEAST_GAIN = 1.6
AT_MOST_MEGABYTES = 400
#: What signing the journal's head may add to a long session, and to a shorter one.
AT_MOST_SIGNING, AT_MOST_SIGNING_FEW = 0.01, 0.04

_COLUMNS, _ROWS = 6000, 4000


def photograph(path: Path, seed: int) -> None:
    """Write a picture with soft shapes and sensor noise; every file differs."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(40, 220, (25, 38, 3), dtype=np.uint8)
    shapes = Image.fromarray(coarse).resize((_COLUMNS, _ROWS), Image.Resampling.BICUBIC)
    pixels = np.asarray(shapes).astype(np.int16)
    noise = rng.normal(0, 6.0, (_ROWS, _COLUMNS, 1)).astype(np.int16)
    picture = Image.fromarray((pixels + noise).clip(0, 255).astype(np.uint8))
    picture.save(path, quality=92, subsampling="4:2:2")


def sheet(folder: Path, names: list[str], day: str = "2026-03-04") -> Path:
    """Write a session of mirror shots, so that each photograph becomes two instances."""
    head = (
        f'numbering = "ISO 3950"\n[patient]\nid = "BENCH"\n[visit]\ndate = {day}\n'
        '[defaults]\nview = "buccal"\nmirror = true\nteeth = [16]\n'
    )
    path = folder / f"{day}.toml"
    path.write_text(head + "".join(f'[[photo]]\nfile = "{name}"\n' for name in names))
    return path


def seconds_of(command: list[str]) -> tuple[float, float]:
    """Run a command; return its seconds and its peak memory in megabytes."""
    begun = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    if os.waitstatus_to_exitcode(status) != 0:
        raise SystemExit(f"failed: {' '.join(command)}")
    return time.perf_counter() - begun, usage.ru_maxrss / 1024


def jpegtran_seconds(files: list[Path], folder: Path) -> float:
    """Flip every file by jpegtran, one after the other."""
    out = folder / "flipped.jpg"
    begun = time.perf_counter()
    for file in files:
        flip = ["jpegtran", "-flip", "horizontal", "-outfile", str(out), str(file)]
        subprocess.run(flip, check=True)
    return time.perf_counter() - begun


def wrap_seconds(
    session: Path, archive: Path, workers: int, earlier: Path | None = None
) -> tuple[float, float]:
    """Wrap a session into a fresh archive, or into one that has an earlier session."""
    shutil.rmtree(archive, ignore_errors=True)
    command = [sys.executable, "-m", "archiver", "wrap", "--archive", str(new_archive(archive))]
    if earlier is not None:
        seconds_of([*command, str(earlier)])
    return seconds_of([*command, "--workers", str(workers), str(session)])


def head_seconds(archive: Path, folder: Path) -> float:
    """Sign the head of an archive's journal eleven times; return the median."""
    from archiver.archive.store import Archive
    from archiver.archive.witness import Signer, Witnesses, new_key, sign_head

    new_key(folder / "key.pem")
    witnesses, seconds = Witnesses((folder / "witness",)), []
    with Archive.open(archive) as opened:
        for _ in range(11):
            begun = time.perf_counter()
            signer = Signer.of(folder / "key.pem", outside=archive)
            sign_head(opened, signer, witnesses, datetime.now(timezone.utc))
            seconds.append(time.perf_counter() - begun)
    return median(seconds[1:])


def main() -> int:
    """Measure and print; with --check, fail where a limit is passed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=20)
    parser.add_argument("--brief", action="store_true", help="six photographs")
    parser.add_argument("--check", action="store_true", help="exit 1 where a limit is passed")
    options = parser.parse_args()
    as_installed()
    if options.brief:
        options.photos = 6
    with tempfile.TemporaryDirectory(prefix="bench-wrap-") as name:
        folder = Path(name)
        files = [folder / f"P{n:03}.JPG" for n in range(options.photos + 2)]
        # In a process of its own: a child's peak memory starts at its parent's.
        with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
            list(pool.map(photograph, files, range(len(files))))
        earlier = sheet(folder, [files.pop().name, files.pop().name], "2025-03-04")
        session = sheet(folder, [file.name for file in files])
        megabytes = sum(file.stat().st_size for file in files) / 1e6
        jpegtran_seconds(files[:2], folder)  # the first run warms the disk and the programs
        wrap_seconds(session, folder / "archive", 1)
        flipping = jpegtran_seconds(files, folder)
        one, peak_one = wrap_seconds(session, folder / "archive", 1)
        two, peak_two = wrap_seconds(session, folder / "archive", 2)
        compared, peak_compared = wrap_seconds(session, folder / "archive", 1, earlier)
        signed = head_seconds(folder / "archive", folder)
        flipping = min(flipping, jpegtran_seconds(files, folder))
    ratio, gain = one / flipping, one / two
    most = AT_MOST_JPEGTRAN if options.photos >= LONG_SESSION else AT_MOST_OF_FEW
    print(f"{options.photos} photographs of 24 megapixels, {megabytes:.0f} MB")
    print(f"jpegtran -flip horizontal   {flipping:6.2f} s")
    print(
        f"archiver wrap, one worker   {one:6.2f} s  = {ratio:.2f} x jpegtran "
        f"(at most {most}), peak {peak_one:.0f} MB"
    )
    print(
        f"archiver wrap, two workers  {two:6.2f} s  = {gain:.2f} times as fast "
        f"(at least {AT_LEAST_GAIN}), peak {peak_two:.0f} MB (at most {AT_MOST_MEGABYTES})"
    )
    print(
        f"compared with two priors    {compared:6.2f} s  = {compared / flipping:.2f} x jpegtran, "
        f"peak {peak_compared:.0f} MB"
    )
    share, part = signed / one, AT_MOST_SIGNING
    if options.photos < LONG_SESSION:
        part = AT_MOST_SIGNING_FEW
    print(
        f"signing the journal's head  {signed * 1e3:6.1f} ms = {share:.2%} of one worker "
        f"(at most {part:.0%})"
    )
    well = ratio <= most and gain >= AT_LEAST_GAIN
    well = well and max(peak_one, peak_two) <= AT_MOST_MEGABYTES
    well = well and share <= part
    return 0 if well or not options.check else 1


if __name__ == "__main__":
    sys.exit(main())
