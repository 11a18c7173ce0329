"""Backups of an archive that is written to, and archives made of them again.

``ARCHIVER_KILLS`` sets how often backing up and restoring are killed:
``ARCHIVER_KILLS=50 python -m pytest -s tests/archive/test_backup.py``.
"""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from archive_samples import NOON, content, incoming, uid
from killed_writer import numbered

from archiver.archive import Query, rebuild, verify
from archiver.archive.backup import BackupReport, back_up, restore
from archiver.archive.backup.contents import Contents
from archiver.archive.backup.restoration import Restored
from archiver.archive.statements import OperationKind, note, patient_of
from archiver.archive.statements.operations import last_operations
from archiver.archive.store.archive import Archive
from archiver.archive.store.layout import Layout
from archiver.errors import ArchiveError
from archiver.network.outbox import Outbox
from archiver.objects import Purpose
from archiver.records import Depth, Memory, survey_archive
from tests.cli.in_process import archiver

KILLS = int(os.environ.get("ARCHIVER_KILLS", "4"))
WRITER = Path(__file__).with_name("loaded_writer.py")
SIZE = 100_000


def backed_up(archive: Path, target: Path, **said: bool) -> BackupReport:
    return back_up(archive, target, time=NOON, **said)


def restored(target: Path, folder: Path) -> Restored:
    return restore(target, folder, time=NOON, actor="tests")


def kept(folder: Path) -> set[str]:
    with Archive.open(folder, read_only=True) as opened:
        return {one.sop_instance_uid for one in opened.query(Query())}


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """An archive of six instances."""
    folder = tmp_path / "archive"
    with Archive.create(folder) as opened:
        opened.put([numbered(n, SIZE) for n in range(6)])
        opened.secret()
    return folder


class Load:
    """A writer in a process of its own, and what it has been told is kept."""

    def __init__(self, folder: Path) -> None:
        Archive.create(folder).close()
        self._process = subprocess.Popen(
            [sys.executable, WRITER, folder, str(SIZE)], stdout=subprocess.PIPE, text=True
        )
        self.kept: list[str] = []
        self.noted = 0

    def until(self, count: int) -> list[str]:
        """Wait until so many instances are kept; return all that are known to be."""
        assert self._process.stdout is not None
        while len(self.kept) < count:
            word, what = self._process.stdout.readline().split()
            if word == "kept":
                self.kept.append(what)
            else:
                self.noted = int(what)
        return list(self.kept)

    def end(self) -> None:
        self._process.kill()
        self._process.communicate()


@pytest.fixture
def load(tmp_path: Path) -> Iterator[Load]:
    writing = Load(tmp_path / "busy")
    yield writing
    writing.end()


def test_everything_confirmed_before_a_backup_began_is_in_it_although_others_write(
    tmp_path: Path, load: Load
) -> None:
    target = tmp_path / "target"
    for number, count in enumerate((30, 60, 90), 1):
        before, noted = load.until(count), load.noted
        report = backed_up(tmp_path / "busy", target)
        assert report.number == number and not report.problems
        folder = tmp_path / f"restored-{number}"
        done = restored(target, folder)
        assert not done.problems and done.found.indexed == report.objects
        assert set(before) <= kept(folder)
        last = last_operations(folder)[OperationKind.AUDIT]
        assert int(last.note.split()[1]) >= noted
        with Outbox.open(folder) as outbox:
            rows = outbox.shipments("clinic")
        assert {row.sop_instance for row in rows} <= kept(folder)
        assert len(rows) >= len(before) - 3
        assert (folder / "secret").read_bytes() == (tmp_path / "busy" / "secret").read_bytes()
        assert verify(folder).is_sound


def test_a_second_backup_brings_what_is_new(archive: Path, tmp_path: Path) -> None:
    target = tmp_path / "target"
    assert (first := backed_up(archive, target)).added == 6
    objects = {path: path.stat().st_mtime_ns for path in target.glob("objects/*/*")}
    assert len(objects) == 6
    with Archive.open(archive) as opened:
        opened.put([numbered(n, SIZE) for n in range(4, 8)])
    second = backed_up(archive, target)
    assert (second.number, second.objects, second.added) == (first.number + 1, 8, 2)
    assert all(path.stat().st_mtime_ns == when for path, when in objects.items())
    assert backed_up(archive, target).added == 0
    assert len(list((target / "states").iterdir())) == 2


def test_a_restored_archive_is_what_was_backed_up_and_goes_on(
    archive: Path, tmp_path: Path
) -> None:
    held = {
        "pages/users.json": b"{}",
        "pages/drafts/0a/draft.json": b'{"version": 1}',
        "pages/drafts/0a/files/ab.JPG": b"camera file",
        "commitments/1.json": b"{}",
        "quarantine/ab.dcm": b"object of somebody",
        "consents.jsonl": b'{"version": 1}\n',
        "findings/wrong-way.jsonl": b'{"version": 1}\n',
    }
    made_again = ("findings.sqlite", "tmp/left.part", "pages/drafts/0b.gone/draft.json")
    for name in (*held, *made_again):
        (archive / name).parent.mkdir(parents=True, exist_ok=True)
        (archive / name).write_bytes(held.get(name, b"left"))
    backed_up(archive, tmp_path / "target")
    folder = tmp_path / "restored"
    folder.mkdir()
    done = restored(tmp_path / "target", folder)
    assert not done.problems
    for name in ("identity", "secret", *held):
        assert (folder / name).read_bytes() == (archive / name).read_bytes(), name
    assert not [name for name in made_again if (folder / name).exists()]
    assert kept(folder) == kept(archive)
    with Archive.open(folder) as opened:
        opened.put([numbered(9, SIZE)])
        for record in opened.query(Query()):
            number = int(record.sop_instance_uid.rpartition(".")[2])
            assert Path(record.path).read_bytes() == content(numbered(number, SIZE))
    assert backed_up(folder, tmp_path / "target").added == 1


def test_backups_and_restored_archives_are_for_their_owner_alone(
    archive: Path, tmp_path: Path
) -> None:
    before = os.umask(0o022)
    try:
        (tmp_path / "target").mkdir(mode=0o755)
        backed_up(archive, tmp_path / "target")
        restored(tmp_path / "target", tmp_path / "restored")
        assert os.umask(0o022) == 0o022
    finally:
        os.umask(before)
    for folder in (tmp_path / "target", tmp_path / "restored"):
        for path in folder.rglob("*"):
            assert not stat.S_IMODE(path.stat().st_mode) & 0o077, path


def command(*words: object) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "archiver", *map(str, words)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def test_killed_at_any_moment_the_last_complete_backup_is_restored(tmp_path: Path) -> None:
    """The writer goes on between two kills, so that each backup has something to bring."""
    seed = random.SystemRandom().randrange(1 << 32)
    chance = random.Random(seed)
    archive, target = tmp_path / "archive", tmp_path / "target"
    with Archive.create(archive) as opened:
        opened.put([incoming(1)])
    # The first start of all may compile the program, which takes longer than a backup does.
    for _ in range(2):
        began = time.monotonic()
        assert command("backup", target, "--archive", archive).wait() == 0
        full = 1.5 * (time.monotonic() - began)
    complete, killed, number = kept(archive), 0, 10
    for kill in range(KILLS * 5):
        if kill >= KILLS and killed:
            break
        with Archive.open(archive) as opened:
            opened.put([numbered(n, SIZE) for n in range(number, number + 20)])
        number += 20
        process = command("backup", target, "--archive", archive)
        time.sleep(chance.uniform(0.3, 1.0) * full)
        process.kill()
        process.wait()
        killed += process.returncode != 0
        folder = tmp_path / f"restored-{kill}"
        # Restoring is killed once, too, and then goes on with what it began.
        restoring = command("restore", target, folder)
        time.sleep(chance.uniform(0.3, 1.0) * full)
        restoring.kill()
        restoring.wait()
        if (folder / "FORMAT").exists():
            with Archive.open(folder):
                pass
        else:
            assert archiver("query", "--archive", folder).returncode == 1
            done = restored(target, folder)
            assert not done.problems, seed
        found = kept(folder)
        assert complete <= found <= kept(archive), seed
        assert verify(folder).is_sound, seed
        complete = found
    assert killed, f"no kill met a backup; seed {seed}"
    assert not backed_up(archive, target, verify=True).problems
    assert not restored(target, tmp_path / "last").problems
    assert kept(tmp_path / "last") == kept(archive)
    print(f"seed {seed}: {killed} of {KILLS} kills met a backup")


def test_an_object_that_is_damaged_in_the_archive_is_told_and_brought_once_it_is_whole(
    archive: Path, tmp_path: Path
) -> None:
    target = tmp_path / "target"
    with Archive.open(archive) as opened:
        path = opened.path_of(uid(3))
    assert path is not None
    good = path.read_bytes()
    path.write_bytes(good[:-9])
    report = backed_up(archive, target)
    assert [p.code for p in report.problems] == ["archive.recovery.not_what_journal_says"]
    done = restored(target, tmp_path / "lacking")
    assert [p.code for p in done.problems] == ["archive.index_rebuild.object_missing"]
    assert [p.code for p in backed_up(archive, target).problems] == [report.problems[0].code]
    path.write_bytes(good)
    assert not backed_up(archive, target).problems
    assert not restored(target, tmp_path / "whole").problems


def test_what_is_damaged_in_the_target_is_found_and_mended(archive: Path, tmp_path: Path) -> None:
    target = tmp_path / "target"
    backed_up(archive, target)
    one, other, *_ = sorted(target.glob("objects/*/*"))
    one.write_bytes(one.read_bytes()[:-1] + b"\xff")
    other.unlink()
    assert len(restored(target, tmp_path / "damaged").problems) == 2
    said = archiver("backup", target, "--archive", archive, "--verify")
    assert said.returncode == 1 and said.stderr.count("is whole again") == 2
    assert archiver("backup", target, "--archive", archive, "--verify").returncode == 0
    assert not restored(target, tmp_path / "whole").problems


def test_a_damaged_state_gives_way_to_the_one_before(archive: Path, tmp_path: Path) -> None:
    target = tmp_path / "target"
    backed_up(archive, target)
    with Archive.open(archive) as opened:
        opened.put([numbered(7, SIZE)])
    backed_up(archive, target)
    last = max((target / "states").iterdir())
    last.write_bytes(last.read_bytes().replace(b"2026", b"2036"))
    done = restored(target, tmp_path / "restored")
    assert not done.problems and done.number == 1 and len(kept(tmp_path / "restored")) == 6


def test_a_target_that_is_something_else_is_refused(archive: Path, tmp_path: Path) -> None:
    target = tmp_path / "target"
    backed_up(archive, target)
    older = tmp_path / "older"
    shutil.copytree(archive, older)
    with Archive.open(archive) as opened:
        opened.put([numbered(7, SIZE)])
    backed_up(archive, target)
    with pytest.raises(ArchiveError, match="tell of what this archive does not"):
        backed_up(older, target)
    Archive.create(tmp_path / "another").close()
    with pytest.raises(ArchiveError, match="backups of another archive"):
        backed_up(tmp_path / "another", target)
    with pytest.raises(ArchiveError, match="this folder holds other things"):
        backed_up(archive, tmp_path)
    with pytest.raises(ArchiveError, match="lies in the archive"):
        backed_up(archive, archive / "backups")
    with pytest.raises(ArchiveError, match="is not empty"):
        restored(target, archive)
    with pytest.raises(ArchiveError, match="holds no backups"):
        restored(tmp_path / "nowhere", tmp_path / "restored")
    (tmp_path / "empty").mkdir()
    with pytest.raises(ArchiveError, match="holds no backups"):
        restored(tmp_path / "empty", tmp_path / "restored")


def test_a_backup_without_an_index_is_whole(archive: Path, tmp_path: Path) -> None:
    before = kept(archive)
    for left in archive.glob("index.sqlite*"):
        left.unlink()
    backed_up(archive, tmp_path / "target")
    assert not restored(tmp_path / "target", tmp_path / "restored").problems
    assert kept(tmp_path / "restored") == before


COPIES = {
    "cp": "cp -a {archive} {copy}",
    "tar, journal first": (
        "mkdir {copy} && cd {archive} &&"
        " tar c journal.jsonl identity FORMAT *.jsonl index* outbox* objects | tar x -C {copy}"
    ),
    "tar, objects first": (
        "mkdir {copy} && cd {archive} &&"
        " tar c objects outbox* index* *.jsonl FORMAT identity journal.jsonl | tar x -C {copy}"
    ),
}


@pytest.mark.parametrize("way", COPIES)
def test_a_plain_copy_keeps_the_objects_confirmed_before_it_and_a_rebuild_tells_the_others(
    tmp_path: Path, load: Load, way: str
) -> None:
    """No more is promised of it: the manual says that the outbox may be lost, for one."""
    before = load.until(60)
    copy = tmp_path / "copy"
    words = COPIES[way].format(archive=tmp_path / "busy", copy=copy)
    # tar says by status 1 that a file grew while it was read.
    subprocess.run(words, shell=True, check=False, stderr=subprocess.DEVNULL)
    confirmed = load.until(len(before) + 3)
    report = rebuild(copy)
    assert not report.damaged and not report.misplaced
    assert set(before) <= kept(copy)
    lacking = {Path(str(p.place.file)).stem for p in report.missing}
    assert not lacking & set(before)
    assert set(confirmed) > set(before)
    with Archive.open(copy) as opened:
        for uid_ in before:
            number = int(uid_.rpartition(".")[2])
            path = opened.path_of(uid_)
            assert path is not None and path.read_bytes() == content(numbered(number, SIZE))


def test_a_consent_that_is_noted_at_the_very_moment_of_a_backup_is_wholly_in_or_out(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = Contents.take_what_grows

    def noting(self: Contents) -> None:
        say()
        whole(self)

    with Archive.open(archive, clock=lambda: NOON) as opened:
        patient = patient_of(opened, "P-0417", None)

        def say() -> None:
            note(opened, patient, Purpose.TEACHING, by="Haugen^Liv", now=NOON)

        monkeypatch.setattr(Contents, "take_what_grows", noting)
        for number in range(3):
            backed_up(archive, tmp_path / "target")
            restored(tmp_path / "target", tmp_path / f"back-{number}")
            monkeypatch.undo() if number else None
    for number, lines in enumerate((0, 1, 2)):
        folder = tmp_path / f"back-{number}"
        survey = survey_archive(Layout(folder), Depth.DIGESTS, Memory(None, ""), NOON)
        assert [one for one in survey.concerns if one.kind == "statements-broken"] == []
        path = folder / "consents.jsonl"
        assert (path.read_bytes().count(b"\n") if path.exists() else 0) == lines


def test_the_archive_knows_of_its_last_backup(archive: Path, tmp_path: Path) -> None:
    said = archiver("backup", tmp_path / "target", "--archive", archive)
    assert said.returncode == 0 and "backup 1: 6 objects, 6 of them new" in said.stdout
    assert last_operations(archive)[OperationKind.BACKUP].sound
    said = archiver("restore", tmp_path / "target", tmp_path / "restored")
    assert said.returncode == 0 and "6 objects, all sound" in said.stdout


def test_an_outbox_in_use_is_backed_up_as_it_stands_between_two_changes(
    archive: Path, tmp_path: Path
) -> None:
    with closing(sqlite3.connect(archive / "outbox.sqlite")) as database:
        database.execute("PRAGMA journal_mode=WAL")
        database.execute("CREATE TABLE t (n)")
        database.execute("INSERT INTO t VALUES (1)")
        database.commit()
        database.execute("INSERT INTO t VALUES (2)")  # not yet committed
        backed_up(archive, tmp_path / "target")
    restored(tmp_path / "target", tmp_path / "restored")
    with closing(sqlite3.connect(tmp_path / "restored" / "outbox.sqlite")) as database:
        assert database.execute("SELECT n FROM t").fetchall() == [(1,)]
