"""How long a package of 24-megapixel photographs takes, against copying and hashing its bytes.

One command: ``python tests/benchmarks/bench_handover.py [--photos 30] [--brief] [--check]``

Prints, from one run on this machine: the time to copy and hash every byte of a package, flushed
to the disk; the time to render its sheet (pictures decoded and reduced, PDF and HTML drawn);
and the time to make the package. The last may be the sum of the sheet's and 1.3 times the
first. Each is the best of several rounds, taken in turn, so that other work on the machine
slows all alike.
"""

from __future__ import annotations

import argparse
import gc
import hashlib
import io
import os
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timezone
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from pydicom import dcmread

import demo_studies
from archiver.archive.ingest.session_ingest import IngestSettings, take_in
from archiver.archive.query import Query
from archiver.archive.statements.sheet_consents import note_session
from archiver.archive.store.archive import Archive
from archiver.handover import package
from archiver.handover.frames import OutgoingFrame, frame_of
from archiver.handover.order import PackageOrder
from archiver.handover.sheet import Sheet, thumbnail
from archiver.handover.sheet_html import html_of
from archiver.handover.sheet_pdf import pdf_of
from archiver.objects.purposes import Purpose
from archiver.objects.sheet import read_sheet
from archiver.photo import icc
from archiver.photo.camera_reader import read_size
from tests.confirming import looked

#: Limit of the project: times of copying and hashing that a package may take besides its sheet.
AT_MOST = 1.3
_COLUMNS, _ROWS = 6000, 4000
_NOW = datetime(2026, 11, 25, 9, 30, tzinfo=timezone.utc)
_HEAD = """\
numbering = "ISO 3950"
[patient]
id = "BENCH"
[visit]
date = 2026-03-04
[consent]
purposes = ["laboratory"]
noted_by = "Haugen^Liv"
"""


def photograph() -> bytes:
    """A demo picture enlarged to 24 megapixels, with the noise of a sensor."""
    source = Path(demo_studies.__file__).parent / "P-1042/2024-02-13/HVD_0412.JPG"
    rng = np.random.default_rng(1)
    with Image.open(source) as small:
        large = small.convert("RGB").resize((_COLUMNS, _ROWS), Image.Resampling.BICUBIC)
    pixels = np.asarray(large).astype(np.int16)
    pixels += rng.normal(0, 5.0, (_ROWS, _COLUMNS, 1)).astype(np.int16)
    out = io.BytesIO()
    made = Image.fromarray(pixels.clip(0, 255).astype(np.uint8))
    profile = icc.input_profile(icc.SRGB)
    made.save(out, "JPEG", quality=92, subsampling="4:2:2", icc_profile=profile)
    return out.getvalue()


def archived(folder: Path, count: int) -> Archive:
    """Take so many photographs in; a comment tells their files apart."""
    data, photos = photograph(), []
    for number in range(count):
        words = f"photograph {number}".encode()
        segment = b"\xff\xfe" + (len(words) + 2).to_bytes(2, "big") + words
        (folder / f"{number:02}.JPG").write_bytes(data[:2] + segment + data[2:])
        photos.append(
            f'[[photo]]\nfile = "{number:02}.JPG"\nview = "labial"\nmirror = false\nteeth = [11]\n'
            'confirmed_by = "Haugen^Liv"\nlight = "ring flash"\n'
        )
    sheet = folder / "sheet.toml"
    sheet.write_text(_HEAD + "".join(photos))
    archive = Archive.open(folder / "archive", actor="bench")
    session = looked(read_sheet(sheet, size_of=read_size))
    note_session(archive, session, _NOW)
    for one in take_in(session, archive, IngestSettings(lambda: _NOW, workers=2)):
        if one.problems:
            raise SystemExit(str(one.problems))
    return archive


def copied(source: Path, target: Path) -> None:
    """Copy and hash every file of a package, flushed to the disk."""
    target.mkdir()
    for path in source.iterdir():
        data = path.read_bytes()
        hashlib.sha256(data).hexdigest()
        with (target / path.name).open("wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())


def rendered(frames: list[OutgoingFrame], sheet: Sheet) -> None:
    """Do what the sheet asks for: every picture reduced, both sheets drawn."""
    with ThreadPoolExecutor(package.WORKERS) as pool:
        list(pool.map(thumbnail, frames))
    pdf_of(sheet)
    html_of(sheet)


def caught(archive: Archive, order: PackageOrder) -> Sheet:
    """Make a package and return the sheet that it drew."""
    drawn: list[Sheet] = []
    draw: Callable[..., bytes] = package.pdf_of

    def keeping(sheet: Sheet, *words: Any) -> bytes:
        drawn.append(sheet)
        return draw(sheet, *words)

    package.pdf_of = keeping
    try:
        package.hand_over(archive, order, _NOW)
    finally:
        package.pdf_of = draw
    return drawn[0]


def seconds(work: Callable[[], object]) -> float:
    """Return how long something takes, all that was written before being on the disk."""
    gc.collect()
    os.sync()
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def main() -> int:
    """Measure and print; with --check, fail where a limit is passed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=30)
    parser.add_argument("--brief", action="store_true", help="eight photographs")
    parser.add_argument("--check", action="store_true", help="exit 1 where a limit is passed")
    options = parser.parse_args()
    count, rounds = (8, 2) if options.brief else (options.photos, 3)
    with tempfile.TemporaryDirectory(prefix="bench-handover-") as name:
        folder = Path(name)
        archive = archived(folder, count)
        query = Query(patient_id="BENCH")

        def order(number: int) -> PackageOrder:
            target = folder / f"package-{number}"
            return PackageOrder(query, Purpose.LABORATORY, "1187", "North laboratory", target)

        sheet = caught(archive, order(0))  # the first run warms the disk and the program
        records = [record for record in archive.query(query) if record.modality == "XC"]
        objects = [dcmread(record.path) for record in records]
        frames = [frame_of(ds, bytes(ds.ICCProfile)) for ds in objects]
        del objects
        megabytes = sum(p.stat().st_size for p in (folder / "package-0").iterdir()) / 1e6
        times: dict[str, list[float]] = {"copy": [], "sheet": [], "package": []}
        for number in range(1, rounds + 1):
            first = folder / "package-0"
            copy_to, asked = folder / f"copy-{number}", order(number)
            times["copy"].append(seconds(partial(copied, first, copy_to)))
            times["sheet"].append(seconds(partial(rendered, frames, sheet)))
            times["package"].append(seconds(partial(package.hand_over, archive, asked, _NOW)))
        archive.close()
    copy, drawing, whole = (min(times[name]) for name in ("copy", "sheet", "package"))
    allowed = AT_MOST * copy + drawing
    print(f"{count} photographs of 24 megapixels, a package of {megabytes:.0f} MB")
    print(f"copying and hashing its bytes   {copy:6.2f} s")
    print(f"rendering its sheet             {drawing:6.2f} s")
    print(
        f"archiver handover               {whole:6.2f} s = {(whole - drawing) / copy:.2f} x "
        f"copying and hashing, and the sheet (at most {AT_MOST}: {allowed:.2f} s)"
    )
    return 0 if whole <= allowed or not options.check else 1


if __name__ == "__main__":
    sys.exit(main())
