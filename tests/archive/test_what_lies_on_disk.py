"""Archives that are damaged, restored in part, spread over disks, or looked at by others."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from sqlalchemy import text

from archiver.archive.index_rebuild import rebuild
from archiver.archive.ingest.validation import FILE, Validation
from archiver.archive.store import sqlite
from archiver.archive.store.archive import Archive
from archiver.archive.store.index import Index
from archiver.errors import ArchiveError
from tests.network import node_samples as samples


def filled(folder: Path, count: int = 3) -> Path:
    """Return an archive with a few objects."""
    files = folder.parent / "files"
    for number in range(1, count + 1):
        samples.save(samples.photograph(number), files)
    for words in (["init", str(folder)], ["add", str(files), "--archive", str(folder)]):
        command = [sys.executable, "-m", "archiver", *words]
        subprocess.run(command, check=True, capture_output=True, umask=0o022)
    return folder


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return filled(tmp_path_factory.mktemp("made") / "archive")


@pytest.fixture
def archive(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "archive"))


class TestHalfReadResults:
    """A result that nobody reads to its end."""

    def test_does_not_lock_the_next_who_writes(self, tmp_path: Path) -> None:
        one, other = (sqlite.writing_engine(tmp_path / "index.sqlite") for _ in range(2))
        with one.begin() as connection:
            connection.execute(text("CREATE TABLE t (n INTEGER)"))
            connection.execute(text("INSERT INTO t VALUES (:n)"), [{"n": n} for n in range(5000)])
        with one.connect() as connection:
            half_read = connection.execute(text("SELECT n FROM t"))
            next(half_read)
        with other.begin() as connection:
            connection.execute(text("INSERT INTO t VALUES (-1)"))
        with one.begin() as connection:
            connection.execute(text("INSERT INTO t VALUES (-2)"))
        with one.connect() as connection:
            assert connection.execute(text("SELECT count(*) FROM t")).scalar() == 5002
        del half_read
        for engine in (one, other):
            engine.dispose()

    def test_hold_up_no_store_however_many_there_are(self, archive: Path) -> None:
        over = threading.Event()
        kept: list[object] = []

        with Archive.open(archive) as opened:

            def ask() -> None:
                while not over.is_set():
                    with opened.reading() as connection:
                        found = connection.execute(text("SELECT * FROM instances"))
                        next(found)
                        kept.append(found)

            askers = [threading.Thread(target=ask) for _ in range(3)]
            for one in askers:
                one.start()
            try:
                for _ in range(100):
                    opened.record([])
                    with opened._index.engine.begin() as connection:
                        connection.execute(text("UPDATE applied SET seq = seq"))
            finally:
                over.set()
                for one in askers:
                    one.join()
        assert kept


def test_findings_that_are_no_database_are_set_aside_and_made_anew(archive: Path) -> None:
    (archive / FILE).write_bytes(b"garbage" * 1000)
    with Archive.open(archive) as opened:
        validation = Validation(opened)
        validation.stir()
        assert validation.wait(60)
        assert validation.findings(samples.instance_uid(1)) is not None
        validation.close()
    assert (archive / f"{FILE}.damaged-1").read_bytes() == b"garbage" * 1000


@pytest.mark.parametrize("with_index", [False, True])
def test_objects_without_journal_and_index_are_refused_until_they_are_rebuilt(
    archive: Path, with_index: bool
) -> None:
    (archive / "journal.jsonl").unlink()
    for left in archive.glob("index.sqlite*"):
        left.unlink()
    if with_index:
        # As an opening that was refused could leave it.
        empty = Index(sqlite.writing_engine(archive / "index.sqlite"), archive / "index.sqlite")
        empty.prepare()
        empty.close()
    before = sorted(archive.rglob("*"))
    for read_only in (False, True):
        with pytest.raises(ArchiveError, match="archiver rebuild"):
            Archive.open(archive, read_only=read_only)
    assert not (archive / "journal.jsonl").exists()
    assert [p for p in sorted(archive.rglob("*")) if "index.sqlite-" not in p.name] == before
    report = rebuild(archive)
    assert report.indexed == 3
    with Archive.open(archive) as opened:
        assert len(opened) == 3


def test_a_folder_that_is_a_link_is_not_dropped_by_a_rebuild(archive: Path, tmp_path: Path) -> None:
    (study,) = (archive / "objects").iterdir()
    moved = tmp_path / "other disk"
    shutil.move(study, moved)
    study.symlink_to(moved)
    (moved / "again").symlink_to(moved)
    report = rebuild(archive)
    assert report.indexed == 3 and not report.missing
    with Archive.open(archive) as opened:
        assert len(opened) == 3


def test_tmp_may_lie_on_another_file_system(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    replace = Path.replace

    def elsewhere(self: Path, target: Path) -> Path:
        if self.parent.name == "tmp" and "objects" in Path(target).parts:
            raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", elsewhere)
    samples.save(samples.photograph(9), tmp_path / "more")
    from archiver.archive.ingest import add_files

    with Archive.open(archive) as opened:
        add_files(opened, [tmp_path / "more"])
        assert len(opened) == 4
        held = opened.path_of(samples.instance_uid(9))
        assert held is not None and held.stat().st_size
    assert not list((archive / "tmp").iterdir())
    assert not list((archive / "objects").rglob("*.part"))


def test_nobody_else_reads_an_archive_whatever_the_umask(made: Path) -> None:
    for path in (made, *made.rglob("*")):
        assert path.stat().st_mode & 0o077 == 0, path


def test_what_is_written_into_a_groups_archive_is_the_groups_to_read(archive: Path) -> None:
    archive.chmod(0o2750)
    before = set(archive.rglob("*"))
    samples.save(samples.photograph(5), archive.parent / "more")
    words = ("add", str(archive.parent / "more"), "--archive", str(archive))
    subprocess.run([sys.executable, "-m", "archiver", *words], check=True, umask=0o022)
    (new,) = set(archive.rglob("*.dcm")) - before
    assert new.stat().st_mode & 0o777 == 0o640
