"""What an audit of objects keeps in memory does not grow with the archive."""

from __future__ import annotations

import gc
import sys
import tracemalloc
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parents[1] / "benchmarks"))

from bench_rebuild import make_archive

from archiver.archive.index_rebuild import rebuild
from archiver.archive.store import promised
from archiver.archive.store.layout import Layout
from archiver.records import archive_survey, compared_objects, disk_store, instance_reader
from archiver.records.archive_survey import survey_archive
from archiver.records.audit_memory import Memory
from archiver.records.checks import integrity
from archiver.records.examination import Depth
from tests.benchmarks.bench_audit import NOW

FEW, MANY = 300, 1200


def held(folder: Path, memory: Memory) -> int:
    """Bytes that Python holds when the last object of an archive was looked at."""
    sizes: list[int] = []

    def each(number: int, total: int) -> None:
        if number == total:
            gc.collect()
            # Paths share their parts in one table of the interpreter, which is never made smaller.
            traces = tracemalloc.take_snapshot().filter_traces(
                [tracemalloc.Filter(False, "*pathlib*")]
            )
            sizes.append(sum(one.size for one in traces.statistics("filename")))

    tracemalloc.start()
    try:
        survey = survey_archive(Layout(folder), Depth.DIGESTS, memory, NOW, each=each)
    finally:
        tracemalloc.stop()
    assert not survey.concerns
    return sizes[-1]


@pytest.fixture(scope="module")
def archives(tmp_path_factory: pytest.TempPathFactory) -> dict[int, Path]:
    made = {}
    for count in (FEW, MANY):
        made[count] = tmp_path_factory.mktemp("archive") / "archive"
        make_archive(made[count], count)
        assert rebuild(made[count]).is_sound
    return made


def test_neither_reading_nor_remembering_an_archive_takes_memory_with_its_size(
    archives: dict[int, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (archive_survey, compared_objects, disk_store, instance_reader, integrity):
        monkeypatch.setattr(module, "_AT_ONCE", 50)
    monkeypatch.setattr(promised, "_AT_ONCE", 50)
    survey_archive(Layout(archives[FEW]), Depth.DIGESTS, Memory(None, ""), NOW)  # what is imported
    for turn in ("read", "remembered"):
        sizes = {}
        for count, folder in archives.items():
            memory = Memory(tmp_path / f"{count}", "archive")
            sizes[count] = held(folder, memory)
            memory.close()
        # Bytes an object; the line of the journal alone would be a thousand.
        assert (sizes[MANY] - sizes[FEW]) / (MANY - FEW) < 100, (turn, sizes)
