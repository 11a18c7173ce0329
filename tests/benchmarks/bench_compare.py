"""How long it takes to compare 24-megapixel photographs of a tooth, against decoding them.

One command: ``python tests/benchmarks/bench_compare.py [--priors 10] [--brief] [--check]``

Prints, from one run on this machine and one core: the time and peak memory of ``archiver
compare`` for one prior, picture written; their ratio to decoding the same two JPEG files with
OpenCV alone; and how the time grows with the number of priors. Times are those of the processor,
so that waiting for other work on the machine does not count. The photographs are the demo
pictures of one tooth at several visits, enlarged to 6000 x 4000, with noise as a sensor has it.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
from PIL import Image

import demo_studies
from tests.benchmarks import as_installed
from tests.new_archive import new_archive

#: Limits of the project: time and megabytes for two pictures; how much more a prior may cost when
#: there are many. The time is three seconds on a machine that decodes the two in 0.31 s.
AT_MOST_DECODINGS = 3.0 / 0.31
AT_MOST_MEGABYTES = 600
AT_MOST_GROWTH = 1.3

_COLUMNS, _ROWS = 6000, 4000
_SOURCES = ("2024-02-13/HVD_0412.JPG", "2024-03-19/HVD_0588.JPG")
_FIRST = date(2020, 1, 6)

_DECODE = """\
import sys, time, cv2
cv2.setNumThreads(1)
begun = time.process_time()
for path in sys.argv[1:]:
    assert cv2.imread(path) is not None
print(time.process_time() - begun)
"""


@dataclass(frozen=True)
class Cost:
    """What a run cost: seconds on the clock and of the processor, megabytes at the most."""

    seconds: float
    processor: float
    megabytes: float


def photograph(source: Path, path: Path, seed: int) -> None:
    """Enlarge a picture, frame it a little otherwise, and add a sensor's noise."""
    rng = np.random.default_rng(seed)
    with Image.open(source) as picture:
        small = picture.convert("RGB")
    left, top = rng.integers(0, 60, 2)
    cut = small.crop((left, top, left + small.width - 60, top + small.height - 40))
    pixels = np.asarray(cut.resize((_COLUMNS, _ROWS), Image.Resampling.BICUBIC)).astype(np.int16)
    pixels = pixels + rng.normal(0, 5.0, (_ROWS, _COLUMNS, 1)).astype(np.int16)
    Image.fromarray(pixels.clip(0, 255).astype(np.uint8)).save(
        path, quality=92, subsampling="4:2:2"
    )


def archived(folder: Path, visits: int) -> list[Path]:
    """Take in one photograph a visit; return the camera files, the newest last."""
    studies = Path(demo_studies.__file__).parent / "P-1042"
    files = []
    for n in range(visits):
        file = folder / f"P{n:03}.JPG"
        photograph(studies / _SOURCES[n % 2], file, n)
        day = _FIRST + timedelta(days=90 * n)
        sheet = folder / f"sheet-{n}.toml"
        sheet.write_text(
            f'numbering = "ISO 3950"\n[patient]\nid = "BENCH"\n[visit]\ndate = {day}\n'
            f'[[photo]]\nfile = "{file.name}"\nview = "occlusal"\nmirror = true\nteeth = [16]\n'
        )
        wrap = [sys.executable, "-m", "archiver", "wrap", str(sheet)]
        done = subprocess.run(
            [*wrap, "--archive", str(new_archive(folder / "archive"))], capture_output=True
        )
        if done.returncode:
            raise SystemExit(done.stderr.decode())
        files.append(file)
    return files


def on_one_core() -> None:
    """Leave the process one core, where the system can."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})


def compare(folder: Path, priors: int) -> Cost:
    """Compare the newest photograph with so many priors."""
    words = ["--patient-id", "BENCH", "--tooth", "iso:16", "--view", "occlusal"]
    command = [sys.executable, "-m", "archiver", "compare", "--archive", str(folder / "archive")]
    command += [*words, "--limit", str(priors), "--out", str(folder / "out.png")]
    begun = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, preexec_fn=on_one_core)
    _, status, usage = os.wait4(process.pid, 0)
    if os.waitstatus_to_exitcode(status) != 0:
        raise SystemExit(f"failed: {' '.join(command)}")
    seconds = time.perf_counter() - begun
    return Cost(seconds, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)


def decoding(files: list[Path]) -> float:
    """Seconds of the processor that OpenCV takes to decode files."""
    command = [sys.executable, "-c", _DECODE, *map(str, files)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return float(done.stdout)


def main() -> int:
    """Measure and print; with --check, fail where a limit is passed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--priors", type=int, default=10)
    parser.add_argument("--brief", action="store_true", help="four priors")
    parser.add_argument("--check", action="store_true", help="exit 1 where a limit is passed")
    options = parser.parse_args()
    as_installed()
    most = 4 if options.brief else max(options.priors, 4)
    few = most // 2
    with tempfile.TemporaryDirectory(prefix="bench-compare-") as name:
        folder = Path(name)
        files = archived(folder, most + 1)
        compare(folder, 1)  # the first run warms the disk and the program
        one = min((compare(folder, 1) for _ in range(2)), key=lambda cost: cost.processor)
        half, all_ = compare(folder, few), compare(folder, most)
        plain = min(decoding(files[-2:]) for _ in range(2))
    growth = (all_.processor - half.processor) / (most - few)
    growth /= max((half.processor - one.processor) / (few - 1), 1e-9)
    print(f"photographs of 24 megapixels, {most} priors at the most, one core")
    print(f"decoding two with OpenCV        {plain:6.2f} s of the processor")
    print(
        f"archiver compare, one prior     {one.processor:6.2f} s = {one.processor / plain:.1f} x "
        f"decoding (at most {AT_MOST_DECODINGS:.1f}); {one.seconds:.2f} s on the clock, peak "
        f"{one.megabytes:.0f} MB (at most {AT_MOST_MEGABYTES})"
    )
    for number, cost in ((few, half), (most, all_)):
        print(
            f"archiver compare, {number:2} priors     {cost.processor:6.2f} s, "
            f"peak {cost.megabytes:.0f} MB"
        )
    print(f"a prior more costs {growth:.2f} times as much late as early (at most {AT_MOST_GROWTH})")
    fast = one.processor <= AT_MOST_DECODINGS * plain
    well = fast and one.megabytes <= AT_MOST_MEGABYTES
    return 0 if (well and growth <= AT_MOST_GROWTH) or not options.check else 1


if __name__ == "__main__":
    sys.exit(main())
