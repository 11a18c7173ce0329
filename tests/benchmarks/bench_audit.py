"""How long an audit takes: of metadata from the index, and of objects against their digests.

One command: ``python tests/benchmarks/bench_audit.py [--brief] [--check]``

Metadata: archives of 10,000, 30,000 and 100,000 made-up instances (with ``--million``, 1,000,000),
each audited in a process of its own that is bound to one core, by all sets of rules of visits, with
a table of treatments and with the report written. Objects: files of 8 MB, read at the depths
``digests`` and ``objects``, beside ``sha256sum`` on the same files in the same run.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timezone
from hashlib import sha256
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "archive"))

from bench_query import made_up

from archiver.archive.store.index import Index, IndexedInstance
from archiver.archive.store.journal_lines import START
from archiver.archive.store.layout import Layout
from archiver.archive.store.sqlite import writing_engine
from archiver.dentition.sights import sight
from archiver.dentition.teeth import Tooth
from archiver.dentition.views import View
from archiver.objects.concepts import VL_PHOTOGRAPHIC_IMAGE
from archiver.objects.description import Description

SECONDS, MEGABYTES = 20.0, 300.0
#: Time for each instance in the largest archive against that in the smallest.
GROWTH = 1.5
SHARE_OF_SHA256SUM = 0.7
SIZES = (10_000, 30_000, 100_000)
_RADIOGRAPH = "1.2.840.10008.5.1.4.1.1.1.3"
NOW = datetime(2026, 6, 1, 12, tzinfo=timezone.utc)
_SETS = (
    "five-intraoral",
    "orthodontic-with-face",
    "initial-eight",
    "periodontal-full-mouth",
    "posterior-tooth-visit",
    "posterior-tooth",
    "good-record",
)


#: Pictures of a visit: view, whether of a tooth, whether through a mirror (kept twice then).
_VISIT = (
    (View.FRONTAL, False, False),
    (View.RIGHT_BUCCAL, False, False),
    (View.LEFT_BUCCAL, False, False),
    (View.UPPER_OCCLUSAL_ARCH, False, True),
    (View.LOWER_OCCLUSAL_ARCH, False, True),
    (View.OCCLUSAL, True, True),
    (View.BUCCAL, True, False),
    (View.LINGUAL, True, True),
)
#: Instances of a visit, with a radiograph.
_OF_VISIT = sum(1 + mirror for _, _, mirror in _VISIT) + 1
_WORDS = ("Recall", "Recall", "Recall", "Orthodontic check", "Periodontal recall", "New patient")
_BACK_TEETH = tuple(Tooth(q, p) for q in (1, 2, 3, 4) for p in (4, 5, 6, 7))


def practice(count: int) -> Iterator[Description]:
    """Instances of a practice in which one picture of twenty was forgotten."""
    chance = random.Random(20260304)
    plain = next(made_up(1))
    given = 0
    for visit in range(count // _OF_VISIT + 1):
        patient = visit % max(1, count // _OF_VISIT // 4)
        day = f"20{20 + visit % 6:02}{1 + visit // 6 % 12:02}{1 + visit // 72 % 28:02}"
        of_visit = replace(
            plain,
            patient_id=f"P-{patient:05}",
            patient_name=f"Okafor^Nadia^{patient}",
            study_uid=f"2.25.1.{visit}",
            study_date=day,
            study_description=_WORDS[visit % len(_WORDS)],
        )
        for one in _pictures_of(of_visit, _BACK_TEETH[visit % 16], chance):
            if given < count:
                given += 1
                uids = {"series_uid": f"2.25.2.{visit}.{one.modality == 'XC':d}"}
                yield replace(one, **uids, sop_instance_uid=f"2.25.3.{given}")


def _pictures_of(visit: Description, tooth: Tooth, chance: random.Random) -> Iterator[Description]:
    for number, (view, of_tooth, mirror) in enumerate(_VISIT):
        teeth = (tooth,) if of_tooth else ()
        seen = View.CLOSE_UP if chance.random() < 0.05 else sight(view, teeth).view
        shot = replace(
            visit,
            modality="XC",
            sop_class_uid=VL_PHOTOGRAPHIC_IMAGE,
            teeth=teeth,
            view=seen,
            acquired=f"{visit.study_date}1421{number:02}",
            confirmed=chance.random() < 0.9,
            mirror="uncorrected" if mirror else "direct",
            role="original",
        )
        yield shot
        if mirror:
            yield replace(shot, mirror="corrected", role="derived")
    yield replace(
        visit, modality="IO", sop_class_uid=_RADIOGRAPH, role=None, view=None, acquired=""
    )


def make_index(folder: Path, count: int) -> Layout:
    """An archive of which there is only the index."""
    layout = Layout(folder)
    layout.mark.write_text("archiver archive, format 1\n", "utf-8")
    index = Index(writing_engine(layout.index), layout.index)
    index.prepare()
    kept: list[IndexedInstance] = []
    for number, one in enumerate(practice(count), start=1):
        path = f"objects/{one.study_uid}/{one.series_uid}/{one.sop_instance_uid}.dcm"
        # The two instances of a photograph come from one camera file.
        file = sha256(f"{one.study_uid} {one.acquired} {one.view}".encode()).hexdigest()
        source = file if one.modality == "XC" else None
        kept.append(
            IndexedInstance(one, path, 8_200_000, f"{number:064x}", source, number, NOW.isoformat())
        )
        if len(kept) == 2000:
            index.add(kept, START)
            kept = []
    index.add(kept, START)
    index.close()
    return layout


def make_treatments(folder: Path, count: int) -> Path:
    """A table of one treatment for every third visit."""
    lines = ["patient;issuer;tooth;numbering;treatment;start;prepared;finished"]
    for visit in range(0, count // _OF_VISIT, 3):
        patient = visit % max(1, count // _OF_VISIT // 4)
        day = f"20{20 + visit % 6:02}-{1 + visit // 6 % 12:02}-{1 + visit // 72 % 28:02}"
        tooth = _BACK_TEETH[visit % 16].iso
        lines.append(f"P-{patient:05};RIVERBEND;{tooth};ISO 3950;Ceramic onlay;{day};{day};{day}")
    path = folder / "done.csv"
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


def audit_once(folder: Path) -> None:
    """Audit an index in this process and print what it took."""
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    from archiver.records.archive_survey import survey_archive
    from archiver.records.audit import AuditRun, run_audit
    from archiver.records.audit_memory import Memory
    from archiver.records.episodes import read_episodes
    from archiver.records.examination import Depth
    from archiver.records.report.report_files import write_report
    from archiver.records.rules.rule_reader import read_rules, shipped

    begun = time.process_time()
    sets = [read_rules(shipped()[name]) for name in _SETS]
    treatments = read_episodes(folder / "done.csv", today=NOW.date())
    survey = survey_archive(Layout(folder), Depth.INDEX, Memory(None, ""), NOW)
    read = time.process_time()
    audit = run_audit(survey, sets, treatments, AuditRun(NOW, "bench", "0"))
    judged = time.process_time()
    write_report(audit, folder)
    done = time.process_time()
    print(
        json.dumps(
            {
                "instances": len(survey.instances),
                "required": audit.tally.required,
                "concerns": len(audit.concerns),
                "reading": read - begun,
                "judging": judged - read,
                "writing": done - judged,
                "seconds": done - begun,
                "megabytes": _megabytes(),
            }
        )
    )


def _megabytes() -> float:
    # What getrusage tells of a child counts the parent that it came from.
    status = Path("/proc/self/status").read_text("ascii")
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def metadata(sizes: tuple[int, ...]) -> list[str]:
    """Measure audits of metadata; return the limits that were passed."""
    print("audit of metadata: processor seconds on one core, report included")
    head = f"{'instances':>9} {'demands':>8} {'findings':>8} {'read':>6} {'judge':>6} {'write':>6}"
    print(f"{head} {'sum':>6} {'us each':>8} {'MB':>5}")
    passed, each = [], []
    for size in sizes:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            make_index(folder, size)
            make_treatments(folder, size)
            command = [sys.executable, __file__, "--once", name]
            told = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        got = json.loads(told)
        each.append(got["seconds"] / got["instances"] * 1e6)
        print(
            f"{got['instances']:>9} {got['required']:>8} {got['concerns']:>8} "
            f"{got['reading']:>6.2f} {got['judging']:>6.2f} {got['writing']:>6.2f} "
            f"{got['seconds']:>6.2f} {each[-1]:>8.1f} {got['megabytes']:>5.0f}"
        )
        if got["seconds"] > SECONDS * max(1, size / SIZES[-1]):
            passed.append(f"{got['seconds']:.1f} s for {size} instances, above {SECONDS:g} s")
        if got["megabytes"] > MEGABYTES:
            passed.append(f"{got['megabytes']:.0f} MB for {size}, above {MEGABYTES:g} MB")
    growth = each[-1] / each[0]
    print(f"an instance of the largest against one of the smallest: {growth:.2f}")
    if growth > GROWTH:
        passed.append(f"the time grows faster than the archive: {growth:.2f}")
    return passed


def make_objects(folder: Path, count: int, megabytes: int) -> list[Path]:
    """An archive of objects whose pixels are noise."""
    from archive_samples import incoming

    from archiver.archive.store.archive import Archive

    noise = random.Random(5)
    with Archive.open(folder, clock=lambda: NOW, actor="bench") as archive:
        for n in range(count):
            archive.put([incoming(n + 1, pixels=noise.randbytes(megabytes << 20))])
    return sorted(folder.glob("objects/*/*/*.dcm"))


def objects(count: int, rounds: int) -> list[str]:
    """Measure audits of objects beside sha256sum; return the limits that were passed."""
    from archiver.records.archive_survey import survey_archive
    from archiver.records.audit_memory import Memory
    from archiver.records.examination import Depth

    shares: dict[Depth, list[float]] = {Depth.DIGESTS: [], Depth.OBJECTS: []}
    speeds = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = make_objects(folder, count, 8)
        size = sum(path.stat().st_size for path in files)
        command = ["sha256sum", *map(str, files)]
        for _ in range(rounds + 1):
            begun = time.perf_counter()
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
            alone = time.perf_counter() - begun
            speeds.append(size / alone / 1e6)
            for depth, found in shares.items():
                begun = time.perf_counter()
                survey = survey_archive(Layout(folder), depth, Memory(None, ""), NOW, full=True)
                found.append(alone / (time.perf_counter() - begun))
                assert survey.read == count and not survey.concerns
    print(f"integrity: {count} objects, {size / 1e6:.0f} MB")
    print(f"sha256sum alone {statistics.median(speeds[1:]):.0f} MB/s")
    medians = {depth: statistics.median(found[1:]) for depth, found in shares.items()}
    for depth, share in medians.items():
        print(f"depth {depth.name.lower():<8} {share:.2f} of its speed (medians of the rounds)")
    share = medians[Depth.DIGESTS]
    limit = SHARE_OF_SHA256SUM
    return [f"integrity at {share:.2f} of sha256sum, below {limit}"] if share < limit else []


def main() -> int:
    """Measure, print, and with ``--check`` fail where a limit is passed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--brief", action="store_true", help="smaller archives")
    parser.add_argument("--check", action="store_true", help="fail where a limit is passed")
    parser.add_argument("--million", action="store_true", help="1,000,000 instances, too")
    parser.add_argument("--once", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.once:
        audit_once(options.once)
        return 0
    sizes = SIZES[:2] if options.brief else SIZES
    passed = metadata((*sizes, 1_000_000) if options.million else sizes)
    passed += objects(12 if options.brief else 60, 3 if options.brief else 5)
    for one in passed:
        print(f"LIMIT PASSED: {one}")
    return 1 if options.check and passed else 0


if __name__ == "__main__":
    sys.exit(main())
