"""How long a rebuilding of the index takes and how much memory, and what it was before.

One command: ``python tests/benchmarks/bench_rebuild.py [--brief] [--check]``

An archive of 100,000 small made-up objects (3,000 with ``--brief``) is rebuilt in a process of its
own. Beside it, in the same run, some of the same objects are read one after the other and entered
in an index that has its finders from the start, as commit 62650b7 did with all of them.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from hashlib import sha256
from itertools import islice
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "archive"))

from archive_samples import NOON, ROOT, as_bytes, dataset

from archiver.archive.index_rebuild import rebuild
from archiver.archive.store.archive import Archive
from archiver.archive.store.durable import digest_file
from archiver.archive.store.index import Index
from archiver.archive.store.indexed_instance import IndexedInstance
from archiver.archive.store.journal import open_journal
from archiver.archive.store.journal_lines import START, STORED, Deed
from archiver.archive.store.layout import Layout, relative_path
from archiver.archive.store.metadata_reader import describe_file
from archiver.archive.store.sqlite import writing_engine

MEGABYTES = 300.0
#: Time of one object the old way against now; two processes read.
GAIN = 2.0
_OF_VISIT, _OF_PATIENT = 13, 52


def make_archive(folder: Path, count: int) -> Layout:
    """Write objects and journal as they would stand, without an index."""
    Archive.open(folder, clock=lambda: NOON, actor="bench").close()
    layout = Layout(folder)
    layout.index.unlink()
    pattern = as_bytes(
        dataset(10**9, patient="P-000000000", study=10**9, teeth=("16",), view="occlusal")
    )
    journal, _ = open_journal(layout.journal, START, time=NOON, who="bench")
    deeds: list[Deed] = []
    for number in range(count):
        visit, patient = 10**9 + number // _OF_VISIT, number // _OF_PATIENT
        data = pattern.replace(b"P-000000000", b"P-%09d" % patient)
        uids = [f"{ROOT}.{kind}.{n}" for kind, n in ((1, visit), (2, visit), (3, 10**9 + number))]
        for kind, uid in enumerate(uids, 1):
            data = data.replace(f"{ROOT}.{kind}.{10**9}".encode(), uid.encode())
        path = layout.path_of(relative_path(*uids))
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        deeds.append(Deed(STORED, *uids, sha256(data).hexdigest(), len(data)))
        if len(deeds) == 5000 or number == count - 1:
            journal.append(deeds, time=NOON, who="bench")
            deeds = []
    journal.close()
    return layout


def before(layout: Layout, count: int) -> float:
    """Return the seconds of one object, read and entered in this process alone."""
    paths = list(islice(layout.objects.rglob("*.dcm"), count))
    describe_file(paths[0])
    with tempfile.TemporaryDirectory() as name:
        index = Index(writing_engine(Path(name) / "index"), Path("index"))
        index.prepare()
        begun = time.perf_counter()
        for first in range(0, len(paths), 500):
            kept = []
            for path in paths[first : first + 500]:
                written, said = digest_file(path), describe_file(path)
                kept.append(
                    IndexedInstance(said, str(path), written.size, written.sha256, None, 1, "")
                )
            index.add(kept, START)
        took = time.perf_counter() - begun
        index.close()
    return took / len(paths)


def once(folder: Path) -> None:
    """Rebuild in this process and print what it took."""
    begun = time.perf_counter()
    report = rebuild(folder, clock=lambda: NOON, actor="bench")
    assert report.is_sound, report.problems[:3]
    told = {
        "indexed": report.indexed,
        "seconds": time.perf_counter() - begun,
        # What getrusage tells of a child counts the parent that it came from.
        "megabytes": int(Path("/proc/self/status").read_text("ascii").split("VmHWM:")[1].split()[0])
        / 1024,
    }
    print(json.dumps(told))


def main() -> int:
    """Measure, print, and with ``--check`` fail where a limit is passed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--brief", action="store_true", help="a smaller archive")
    parser.add_argument("--check", action="store_true", help="fail where a limit is passed")
    parser.add_argument("--once", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.once:
        once(options.once)
        return 0
    count = 3_000 if options.brief else 100_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "archive"
        layout = make_archive(folder, count)
        each = before(layout, min(count, 5_000))
        command = [sys.executable, __file__, "--once", str(folder)]
        said = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        got = json.loads(said)
        assert got["indexed"] == count
        each = (each + before(layout, min(count, 5_000))) / 2
    gain = each * count / got["seconds"]
    print(
        f"rebuilding {count} objects: {got['seconds']:.1f} s, {got['megabytes']:.0f} MB;"
        f" one after the other {each * count:.1f} s, {gain:.2f} times as long"
    )
    passed = []
    if got["megabytes"] > MEGABYTES:
        passed.append(f"{got['megabytes']:.0f} MB, above {MEGABYTES:g}")
    # Starting the processes outweighs what a brief run reads.
    if not options.brief and (os.cpu_count() or 1) > 1 and gain < GAIN:
        passed.append(f"only {gain:.2f} times as fast as one after the other, below {GAIN:g}")
    for one in passed:
        print(f"LIMIT PASSED: {one}")
    return 1 if options.check and passed else 0


if __name__ == "__main__":
    sys.exit(main())
