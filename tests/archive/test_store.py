from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from archive_samples import Clock, as_bytes, content, dataset, incoming, uid
from sqlalchemy import text

from archiver.archive.index_rebuild import rebuild
from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Incoming, Outcome
from archiver.archive.store.journal import Journal
from archiver.archive.store.journal_lines import verify_chain
from archiver.archive.store.layout import relative_path
from archiver.archive.store.sqlite import reading_engine
from archiver.errors import ArchiveError, IntegrityError, ObjectError


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "archive"


@pytest.fixture
def archive(folder: Path) -> Iterator[Archive]:
    with Archive.open(folder, clock=Clock(), actor="Haugen^Liv") as opened:
        yield opened


def journal_lines(folder: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in (folder / "journal.jsonl").read_text().splitlines()]


def files_of(folder: Path) -> list[str]:
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


def test_what_is_put_lies_byte_for_byte_under_study_series_and_instance(archive: Archive) -> None:
    one = incoming(1, pixels=os.urandom(5000))
    stored = archive.put([one])[0]
    assert stored.outcome is Outcome.NEW
    d = one.description
    folders = (hashlib.sha256(u.encode()).hexdigest()[:10] for u in (d.study_uid, d.series_uid))
    place = archive.layout.objects.joinpath(*folders, f"{d.sop_instance_uid}.dcm")
    assert stored.path == place
    assert stored.path.read_bytes() == content(one)
    assert archive.has(uid(1)) and archive.path_of(uid(1)) == stored.path


def test_the_journal_says_who_when_what_and_the_source_but_no_name_of_a_patient(
    archive: Archive, folder: Path
) -> None:
    archive.put([incoming(1, source="camera file")])
    line = journal_lines(folder)[-1]
    assert line["who"] == "Haugen^Liv" and line["time"] == "2026-03-04T12:00:02.000+00:00"
    assert line["action"] == "stored" and line["sop"] == uid(1) and line["seq"] == 2
    # SHA-256 of "camera file", computed with coreutils' sha256sum.
    told = subprocess.run(["sha256sum"], input=b"camera file", capture_output=True, check=True)
    assert line["source"] == told.stdout.decode().split()[0]
    text = (folder / "journal.jsonl").read_text()
    assert "Okafor" not in text and "P-0417" not in text


def test_putting_the_same_again_adds_nothing(archive: Archive, folder: Path) -> None:
    batch = [incoming(n, pixels=bytes([n] * 100)) for n in range(5)]
    archive.put(batch)
    before = (journal_lines(folder), files_of(folder), archive.query(Query()))
    assert [s.outcome for s in archive.put(batch)] == [Outcome.SAME] * 5
    assert (journal_lines(folder), files_of(folder), archive.query(Query())) == before


def test_the_same_uid_with_other_content_is_told_and_never_overwritten(archive: Archive) -> None:
    first = archive.put([incoming(1, pixels=b"first")])[0]
    kept = first.path.read_bytes()
    second = archive.put([incoming(1, pixels=b"other"), incoming(2)])
    assert [s.outcome for s in second] == [Outcome.CONFLICT, Outcome.NEW]
    assert second[0].problem is not None and uid(1) in str(second[0].problem)
    assert first.path.read_bytes() == kept and len(archive) == 2


def test_twins_within_one_batch_are_compared_with_each_other(archive: Archive) -> None:
    batch = [incoming(1, pixels=b"a"), incoming(1, pixels=b"a"), incoming(1, pixels=b"b")]
    outcomes = [s.outcome for s in archive.put(batch)]
    assert outcomes == [Outcome.NEW, Outcome.SAME, Outcome.CONFLICT]


@pytest.mark.parametrize("harm", ["deleted", "damaged"])
def test_an_object_that_was_lost_or_damaged_is_brought_back_by_handing_it_in_again(
    archive: Archive, folder: Path, harm: str
) -> None:
    one = incoming(1, pixels=b"precious")
    path = archive.put([one])[0].path
    if harm == "deleted":
        path.unlink()
    else:
        path.write_bytes(path.read_bytes()[:-3] + b"xyz")
    assert archive.put([one])[0].outcome is Outcome.NEW
    assert path.read_bytes() == content(one)
    assert journal_lines(folder)[-1]["action"] == "restored"


def test_a_file_without_a_line_in_the_journal_gives_way_to_a_new_put(
    archive: Archive, folder: Path
) -> None:
    one = incoming(1, pixels=b"new")
    d = one.description
    place = folder / relative_path(d.study_uid, d.series_uid, d.sop_instance_uid)
    place.parent.mkdir(parents=True)
    place.write_bytes(b"left by a run that was killed")
    assert archive.put([one])[0].outcome is Outcome.NEW
    assert place.read_bytes() == content(one)


def test_no_path_of_an_object_is_longer_than_98_characters(archive: Archive) -> None:
    """Windows allows 260 with the archive's own folder in front, unless long paths are on."""
    one = incoming(1)
    longest = {f"{kind}_uid": f"1.{n}.{'9' * 60}" for n, kind in enumerate(("study", "series"), 2)}
    longest["sop_instance_uid"] = f"1.4.{'9' * 60}"
    described = replace(one.description, **longest)
    stored = archive.put([replace(one, description=described)])[0]
    assert len(str(stored.path.relative_to(archive.layout.root))) == 98
    assert archive.path_of(longest["sop_instance_uid"]) == stored.path


@pytest.mark.parametrize("bad", ["../../etc/passwd", "", "1.2/3", "1" * 65, "a.b"])
def test_a_uid_that_is_none_is_refused_before_anything_is_written(
    archive: Archive, folder: Path, bad: str
) -> None:
    one = incoming(1)
    before = files_of(folder)
    with pytest.raises(ObjectError, match="Study Instance UID"):
        archive.put([Incoming(replace(one.description, study_uid=bad), one.parts)])
    assert files_of(folder) == before


def test_a_second_writer_is_kept_out_and_told_who_writes(archive: Archive, folder: Path) -> None:
    with pytest.raises(ArchiveError, match=f"another process is writing.*{os.getpid()}"):
        Archive.open(folder)
    code = (
        "import sys; from pathlib import Path; from archiver.archive.store.archive import Archive\n"
        "try: Archive.open(Path(sys.argv[1]))\n"
        "except Exception as error: print(type(error).__name__, error)"
    )
    out = subprocess.run([sys.executable, "-c", code, folder], capture_output=True, text=True)
    assert out.stdout.startswith("ArchiveError") and out.stdout.count("\n") == 1
    archive.close()
    with Archive.open(folder):
        pass


def test_readers_see_whole_batches_while_a_writer_goes_on(archive: Archive, folder: Path) -> None:
    archive.put([incoming(0)])
    counts: list[int] = []
    faults: list[BaseException] = []
    done = threading.Event()

    def read() -> None:
        try:
            with Archive.open(folder, read_only=True) as reader:
                while not done.is_set():
                    records = reader.query(Query())
                    assert all(Path(r.path).is_file() for r in records)
                    counts.append(len(records))
        except BaseException as fault:
            faults.append(fault)

    readers = [threading.Thread(target=read) for _ in range(2)]
    for thread in readers:
        thread.start()
    for begin in range(1, 100, 3):
        archive.put([incoming(n, pixels=bytes(2000)) for n in range(begin, begin + 3)])
    done.set()
    for thread in readers:
        thread.join()
    assert not faults
    assert counts and all((count - 1) % 3 == 0 for count in counts)


def test_a_reader_takes_no_lock_and_may_not_put(archive: Archive, folder: Path) -> None:
    archive.put([incoming(1)])
    with Archive.open(folder, read_only=True) as reader:
        assert reader.has(uid(1))
        with pytest.raises(ArchiveError, match="not open for writing"):
            reader.put([incoming(2)])


def test_a_folder_with_other_things_in_it_is_refused(tmp_path: Path) -> None:
    (tmp_path / "holiday.jpg").write_bytes(b"")
    with pytest.raises(ArchiveError, match="holds other things"):
        Archive.open(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["holiday.jpg"]


@pytest.mark.parametrize("read_only", [True, False])
def test_a_folder_that_is_not_there_is_not_made_unless_asked(
    tmp_path: Path, read_only: bool
) -> None:
    with pytest.raises(ArchiveError, match="no archive is here"):
        Archive.open(tmp_path / "none", create=False, read_only=read_only)
    assert not (tmp_path / "none").exists()


def test_a_layout_of_another_version_is_refused(archive: Archive, folder: Path) -> None:
    archive.close()
    (folder / "FORMAT").write_text("archiver archive, format 99\n")
    with pytest.raises(ArchiveError, match="another version"):
        Archive.open(folder)


def test_files_aside_are_removed_when_the_next_writer_opens(archive: Archive, folder: Path) -> None:
    archive.close()
    (folder / "tmp" / "0.part").write_bytes(b"half a photograph")
    with Archive.open(folder) as again:
        assert again.recovery.aside_removed == 1
    assert not list((folder / "tmp").iterdir())


def test_an_index_that_is_lost_is_made_again_on_opening(archive: Archive, folder: Path) -> None:
    archive.put([incoming(n, teeth=("36",), view="occlusal", source=str(n)) for n in range(20)])
    before = archive.query(Query())
    archive.close()
    (folder / "index.sqlite").unlink()
    with Archive.open(folder) as again:
        assert again.recovery.taken_in == 20 and not again.recovery.problems
        assert again.query(Query()) == before


def test_what_the_index_missed_is_taken_in_on_opening(archive: Archive, folder: Path) -> None:
    archive.put([incoming(1)])
    archive.close()
    old = (folder / "index.sqlite").read_bytes()
    with Archive.open(folder) as again:
        again.put([incoming(2), incoming(3)])
    (folder / "index.sqlite").write_bytes(old)
    with Archive.open(folder) as again:
        assert again.recovery.taken_in == 2 and not again.recovery.torn_line_cut
        assert {r.sop_instance_uid for r in again.query(Query())} == {uid(1), uid(2), uid(3)}


def test_an_index_ahead_of_the_journal_is_no_archive_to_write_to(
    archive: Archive, folder: Path
) -> None:
    archive.put([incoming(1)])
    archive.put([incoming(2)])
    archive.close()
    lines = (folder / "journal.jsonl").read_bytes().splitlines(keepends=True)
    (folder / "journal.jsonl").write_bytes(b"".join(lines[:-1]))
    with pytest.raises(IntegrityError, match="remembers lines that the journal lacks"):
        Archive.open(folder)
    report = rebuild(folder, clock=Clock())
    assert any("gone or changed" in str(p) for p in report.chain) and report.indexed == 2
    with Archive.open(folder) as again:
        assert len(again) == 2


def test_an_index_that_is_no_database_is_told_in_one_line(archive: Archive, folder: Path) -> None:
    archive.put([incoming(1)])
    archive.close()
    (folder / "index.sqlite").write_bytes(b"not a database at all" * 500)
    for read_only in (True, False):
        with pytest.raises(ArchiveError, match=r"archiver rebuild") as caught:
            Archive.open(folder, read_only=read_only)
        assert "\n" not in str(caught.value)
    assert rebuild(folder, clock=Clock()).indexed == 1
    with Archive.open(folder, read_only=True) as again:
        assert len(again) == 1


@pytest.mark.parametrize("read_only", [True, False])
def test_a_connection_to_what_is_no_database_is_closed(
    archive: Archive, folder: Path, monkeypatch: pytest.MonkeyPatch, read_only: bool
) -> None:
    archive.close()
    (folder / "index.sqlite").write_bytes(b"not a database at all" * 500)
    made: list[sqlite3.Connection] = []

    class Noted(sqlite3.Connection):
        def __init__(self, *args: Any, **options: Any) -> None:
            super().__init__(*args, **options)
            made.append(self)

    connect = partial(sqlite3.connect, factory=Noted)
    for module in (sqlite3, sqlite3.dbapi2):
        monkeypatch.setattr(module, "connect", connect)
    with pytest.raises(ArchiveError):
        Archive.open(folder, read_only=read_only)
    assert made
    for connection in made:
        with pytest.raises(sqlite3.ProgrammingError, match="closed"):
            connection.execute("SELECT 1")


def test_a_torn_last_line_is_cut_off_and_that_is_journalled(archive: Archive, folder: Path) -> None:
    archive.put([incoming(1)])
    archive.close()
    journal = folder / "journal.jsonl"
    with journal.open("ab") as file:
        file.write(b'{"action":"stored","dig')
    with Archive.open(folder) as again:
        assert again.recovery.torn_line_cut
        again.put([incoming(2)])
    assert [line["action"] for line in journal_lines(folder)] == [
        "created",
        "stored",
        "cut",
        "stored",
    ]
    assert verify_chain(journal) == []


def test_a_whole_last_line_that_lacks_only_its_end_is_kept(archive: Archive, folder: Path) -> None:
    archive.put([incoming(1)])
    archive.close()
    old = (folder / "index.sqlite").read_bytes()
    with Archive.open(folder) as again:
        again.put([incoming(2)])
    journal = folder / "journal.jsonl"
    journal.write_bytes(journal.read_bytes()[:-1])
    (folder / "index.sqlite").write_bytes(old)
    with Archive.open(folder) as again:
        assert again.has(uid(2))
    assert [line["action"] for line in journal_lines(folder)][-2:] == ["stored", "completed"]
    assert verify_chain(journal) == []


def test_an_error_in_the_middle_of_a_batch_leaves_nothing_of_it(
    archive: Archive, folder: Path
) -> None:
    def breaking() -> Iterator[bytes]:
        yield b"begun"
        raise RuntimeError("the decoder gave up")

    class Breaking:
        def __iter__(self) -> Iterator[bytes]:
            return breaking()

    before = files_of(folder)
    with pytest.raises(RuntimeError, match="gave up"):
        archive.put([incoming(1), Incoming(incoming(2).description, Breaking())])
    assert files_of(folder) == before
    assert len(archive.put([incoming(1)])) == 1


def test_parts_are_neither_joined_nor_copied(archive: Archive) -> None:
    import tracemalloc

    one = incoming(1)
    big = bytes(24_000_000)
    parts = [*one.parts, big]
    tracemalloc.start()
    try:
        archive.put([Incoming(one.description, parts)])
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 4_000_000


def test_a_description_from_the_file_indexes_the_same_as_the_one_handed_in(
    archive: Archive, folder: Path
) -> None:
    ds = dataset(
        1, teeth=("14", "15"), view="buccal", confirmed_by="Haugen^Liv", name="Ødegård^Åse"
    )
    from archiver.objects.description import describe

    archive.put([Incoming(describe(ds), [as_bytes(ds)])])
    before = archive.query(Query())
    archive.close()
    rebuild(folder, clock=Clock())
    with Archive.open(folder, read_only=True) as again:
        assert again.query(Query()) == before


def test_a_batch_interrupted_before_the_index_is_taken_in_by_the_next_one(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patched:

        def interrupted(*_: object) -> None:
            raise KeyboardInterrupt

        patched.setattr(archive._index, "add", interrupted)
        with pytest.raises(KeyboardInterrupt):
            archive.put([incoming(1)])
    assert not archive.has(uid(1))
    assert archive.put([incoming(2)])[0].outcome is Outcome.NEW
    assert {r.sop_instance_uid for r in archive.query(Query())} == {uid(1), uid(2)}
    assert archive.put([incoming(1)])[0].outcome is Outcome.SAME


def test_a_reader_of_the_index_sees_what_a_writer_adds_later(tmp_path: Path) -> None:
    path = tmp_path / "index.sqlite"
    with closing(sqlite3.connect(path)) as writer:
        writer.execute("PRAGMA journal_mode=WAL")
        writer.execute("CREATE TABLE kept (uid TEXT)")
    engine = reading_engine(path)
    asked = text("SELECT count(*) FROM kept")
    with engine.connect() as reader:
        assert reader.execute(asked).scalar() == 0
    with closing(sqlite3.connect(path)) as writer:
        writer.execute("INSERT INTO kept VALUES ('1.2')")
        writer.commit()
        with engine.connect() as reader:
            assert reader.execute(asked).scalar() == 1
    engine.dispose()


def test_what_the_journal_refuses_leaves_no_folders_and_can_be_put_again(
    archive: Archive, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refusing(*_: object, **__: object) -> None:
        raise OSError("no room")

    before = sorted(folder.rglob("*"))
    with monkeypatch.context() as broken:
        broken.setattr(Journal, "append", refusing)
        with pytest.raises(ArchiveError, match="nothing was stored"):
            archive.put([incoming(1)])
    assert sorted(folder.rglob("*")) == before
    assert archive.put([incoming(1)])[0].outcome is Outcome.NEW
