"""A full disk, for real: a small memory file system where mounting is allowed, and everywhere a
limit on the size of a file, which fails in the middle of a write as a full disk does."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from archive_samples import Clock, content, incoming, uid

from archiver.archive.index_rebuild import rebuild
from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Outcome
from archiver.archive.store.journal_lines import verify_chain
from archiver.errors import ArchiveError


@contextmanager
def small_disk(place: Path, size: str) -> Iterator[bool]:
    """A file system of that size, or False where this user may not mount one."""
    place.mkdir()
    command = shutil.which("mount")
    mounted = (
        command is not None
        and subprocess.run(
            [command, "-t", "tmpfs", "-o", f"size={size}", "tmpfs", place], capture_output=True
        ).returncode
        == 0
    )
    try:
        yield mounted
    finally:
        if mounted:
            subprocess.run(["umount", place], check=True)


@contextmanager
def no_file_larger_than(size: int) -> Iterator[None]:
    """Writes beyond the size fail with EFBIG, after writing what still fits."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    old = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, old)


def check_whole(folder: Path, count: int) -> None:
    assert list((folder / "tmp").iterdir()) == []
    with Archive.open(folder, clock=Clock()) as archive:
        assert len(archive) == count
    assert verify_chain(folder / "journal.jsonl") == []
    report = rebuild(folder, clock=Clock())
    assert report.problems == () and report.objects == report.indexed == count


def test_a_disk_that_fills_up_costs_nothing_that_was_kept_and_the_next_run_finishes(
    tmp_path: Path,
) -> None:
    batches = [[incoming(n, pixels=os.urandom(420_000))] for n in range(12)]
    with small_disk(tmp_path / "disk", "4m") as mounted:
        folder = tmp_path / "disk" / "archive"
        kept = 0
        told = []
        with Archive.open(folder, clock=Clock()) as archive:
            with no_file_larger_than(1 << 40 if mounted else 150_000):
                for batch in batches:
                    try:
                        kept += len(archive.put(batch))
                    except ArchiveError as error:
                        told.append(str(error))
            assert len(archive) == kept
        reason = "the disk is full" if mounted else "larger than the system allows"
        assert told and all(reason in text and "nothing was stored" in text for text in told)
        assert all("\n" not in text for text in told)
        assert kept < 12 and (kept > 0 or not mounted)
        # Making the index anew needs room beside the old one.
        if mounted:
            subprocess.run(["mount", "-o", "remount,size=16m", folder.parent], check=True)
        check_whole(folder, kept)
        with Archive.open(folder, clock=Clock()) as archive:
            outcomes = [archive.put(batch)[0].outcome for batch in batches]
            assert outcomes.count(Outcome.SAME) == kept
            for n, batch in enumerate(batches):
                path = archive.path_of(uid(n))
                assert path is not None and path.read_bytes() == content(batch[0])
        check_whole(folder, 12)


@pytest.mark.parametrize("spare", [0, 1, 150, 333, 700])
def test_a_journal_that_cannot_grow_is_cut_back_and_the_objects_go_with_it(
    tmp_path: Path, spare: int
) -> None:
    folder = tmp_path / "archive"
    with Archive.open(folder, clock=Clock()) as archive:
        archive.put([incoming(n) for n in range(20)])
        journal = folder / "journal.jsonl"
        before = journal.read_bytes()
        with no_file_larger_than(len(before) + spare):
            with pytest.raises(ArchiveError, match="nothing was stored"):
                archive.put([incoming(100), incoming(101)])
            assert journal.read_bytes() == before
            assert not archive.has(uid(100))
        assert len(list((folder / "objects").rglob("*.dcm"))) == 20
        assert [s.outcome for s in archive.put([incoming(100), incoming(101)])] == [Outcome.NEW] * 2
    check_whole(folder, 22)


def test_an_index_that_cannot_grow_catches_up_later(tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    with Archive.open(folder, clock=Clock()) as archive:
        archive.put([incoming(0)])
        log = folder / "index.sqlite-wal"
        with (
            no_file_larger_than(log.stat().st_size + 4096),
            pytest.raises(ArchiveError, match="2 instances are stored but not indexed yet"),
        ):
            archive.put([incoming(n, teeth=("36",), view="occlusal") for n in (1, 2)])
        assert not archive.has(uid(1))
        assert archive.put([incoming(3)])[0].outcome is Outcome.NEW
        assert len(archive.query(Query())) == 4
    check_whole(folder, 4)


def test_an_index_that_fell_behind_catches_up_when_opened(tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    with Archive.open(folder, clock=Clock()) as archive:
        archive.put([incoming(0)])
        log = folder / "index.sqlite-wal"
        with (
            no_file_larger_than(log.stat().st_size + 4096),
            pytest.raises(ArchiveError, match="not indexed yet"),
        ):
            archive.put([incoming(n) for n in range(1, 9)])
    with Archive.open(folder, clock=Clock()) as archive:
        assert archive.recovery.taken_in == 8
    check_whole(folder, 9)
