"""How long an import takes, against copying and hashing the same files with as many processes.

One command: ``python tests/benchmarks/bench_import.py [--photos 40] [--workers 2] [--check]``

Prints, from one run on this machine: what archiving takes (looked at before, read, hashed, made
DICOM objects, validated, flushed, journalled and indexed) against copying each file, flushing the
copy and hashing it, by as many processes; and what the dry run before takes. With ``--files N`` the
files are small (a few kB) and there are N of them, and the peak memory of a tenth of them is
measured too: ``--files 100000`` is the soak.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from datetime import date, datetime, timezone
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from PIL import Image

from archiver.archive.ingest import IngestSettings
from archiver.archive.store import Archive
from archiver.legacy.decisions import Decider
from archiver.legacy.import_memory import ImportMemory
from archiver.legacy.patient_register import PatientRegister
from archiver.legacy.rules_reader import read_import_rules
from archiver.legacy.survey import decide_all, look_at_all
from archiver.legacy.take_in import import_accepted
from archiver.objects import Patient

#: Limit of the project: the speed of copying and hashing, as a share of which an import goes.
AT_LEAST_SPEED = 0.8
#: Growth of memory from a tenth of the files to all of them, in megabytes.
AT_MOST_GROWTH = 60
_PER_PATIENT = 20
_RULES = (
    'dates = ["YYYY-MM-DD"]\n[[path]]\nis = "{patient_id}/{visit_date}/{words}"\n'
    '[mirror]\ndirect = ["frontal"]\n[visit]\ndates = ["path"]\n'
)


def photograph(path: Path, seed: int, *, size: tuple[int, int]) -> None:
    """Write a picture; every file differs."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(20, 235, (6, 9, 3), dtype=np.uint8)
    shapes = np.asarray(Image.fromarray(coarse).resize(size, Image.Resampling.BICUBIC), np.int16)
    noise = rng.integers(-9, 10, (size[1], size[0], 1), dtype=np.int16) if size[0] > 400 else 0
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray((shapes + noise).clip(0, 255).astype(np.uint8)).save(path, quality=92)


def copied(file: Path, target: Path) -> str:
    """Copy a file for good and hash it, as who moves folders by hand would."""
    octets = file.read_bytes()
    with (target / f"{hashlib.sha256(str(file).encode()).hexdigest()}.jpg").open("wb") as copy:
        copy.write(octets)
        copy.flush()
        os.fsync(copy.fileno())
    return hashlib.sha256(octets).hexdigest()


def seconds_of(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def peak_megabytes() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def imported(folder: Path, root: Path, count: int, workers: int) -> tuple[float, float, float]:
    """Return the seconds of the dry run and of archiving, and the peak memory in megabytes."""
    rules = folder / "rules.toml"
    rules.write_text(_RULES)
    patients = -(-count // _PER_PATIENT)
    register = PatientRegister(Patient(f"B-{n:06}", "Bench^B") for n in range(patients))
    decider = Decider(read_import_rules(rules), register, date(2026, 3, 4))
    settings = IngestSettings(lambda: datetime.now(timezone.utc))
    with (
        tempfile.TemporaryDirectory(dir=folder) as made,
        ImportMemory(Path(made) / "report") as memory,
        Archive.create(Path(made) / "archive") as archive,
    ):

        def dry() -> None:
            look_at_all(root, memory, workers=workers)
            decide_all(memory, decider, {})

        looking = seconds_of(dry)
        taking = seconds_of(
            partial(import_accepted, archive, root, memory, settings, workers=workers)
        )
        (kept,) = next(memory.keys("select count(*) from file where uid is not null"))
        if kept != count:
            raise SystemExit(f"{kept} of {count} files are archived: {memory.counts()}")
    return looking, taking, peak_megabytes()


def main() -> int:
    """Measure and print; with --check, fail where a limit is passed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=40, help="of 24 megapixels")
    parser.add_argument("--files", type=int, default=0, help="small files instead")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--brief", action="store_true", help="eight photographs")
    parser.add_argument("--check", action="store_true", help="exit 1 where a limit is passed")
    options = parser.parse_args()
    count = options.files or (8 if options.brief else options.photos)
    size = (360, 270) if options.files else (6000, 4000)
    with tempfile.TemporaryDirectory(prefix="bench-import-") as name:
        folder, root = Path(name), Path(name) / "old"
        names = [
            root / f"B-{n // _PER_PATIENT:06}" / "2017-04-05" / f"IMG_{n}.jpg" for n in range(count)
        ]
        context = get_context("spawn")
        with ProcessPoolExecutor(options.workers, mp_context=context) as pool:
            draw = partial(photograph, size=size)
            list(pool.map(draw, names, range(count), chunksize=8))
            megabytes = sum(file.stat().st_size for file in names) / 1e6
            (folder / "copies").mkdir()
            list(pool.map(partial(copied, target=folder / "copies"), names[: options.workers]))
            copying = seconds_of(
                lambda: list(
                    pool.map(partial(copied, target=folder / "copies"), names, chunksize=4)
                )
            )
        growth = 0.0
        if options.files:
            tenth = max(_PER_PATIENT, count // 10 // _PER_PATIENT * _PER_PATIENT)
            (folder / "tenth").mkdir()
            for person in sorted({file.parent.parent for file in names[:tenth]}):
                (folder / "tenth" / person.name).symlink_to(person)
            few = folder / "few"
            for file in names[:tenth]:
                place = few / file.relative_to(root)
                place.parent.mkdir(parents=True, exist_ok=True)
                os.link(file, place)
            _, _, before = imported(folder, few, tenth, options.workers)
            looking, taking, peak = imported(folder, root, count, options.workers)
            growth = peak - before
        else:
            looking, taking, peak = imported(folder, root, count, options.workers)
    speed = copying / taking
    print(f"{count} files, {megabytes:.0f} MB, {options.workers} at once")
    print(f"copied, flushed and hashed  {copying:8.2f} s")
    limit = "" if options.files else f" (at least {AT_LEAST_SPEED})"
    print(f"archived                    {taking:8.2f} s  = {speed:.2f} of that speed{limit}")
    print(f"dry run before              {looking:8.2f} s, peak {peak:.0f} MB")
    if options.files:
        print(f"memory beyond a tenth of the files {growth:.0f} MB (at most {AT_MOST_GROWTH})")
        return 0 if growth <= AT_MOST_GROWTH or not options.check else 1
    return 0 if speed >= AT_LEAST_SPEED or not options.check else 1


if __name__ == "__main__":
    sys.exit(main())
