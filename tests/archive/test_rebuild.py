from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from archive_samples import Clock, as_bytes, content, dataset, incoming, uid

from archiver.archive.index_rebuild import rebuild, rebuild_open
from archiver.archive.kept_objects import RebuildReport, verify
from archiver.archive.query import Query
from archiver.archive.store import sqlite, tables
from archiver.archive.store.archive import Archive
from archiver.archive.store.index import Index
from archiver.archive.store.journal_lines import verify_chain
from archiver.errors import ArchiveError

COUNT = 12


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "archive"
    with Archive.open(folder, clock=Clock()) as archive:
        archive.put(
            [
                incoming(n, pixels=os.urandom(500), teeth=("36",), view="occlusal", source=str(n))
                for n in range(COUNT)
            ]
        )
    return folder


def path_of(folder: Path, number: int) -> Path:
    return next((folder / "objects").rglob(f"{uid(number)}.dcm"))


def objects(folder: Path) -> dict[str, bytes]:
    return {p.as_posix(): p.read_bytes() for p in (folder / "objects").rglob("*.dcm")}


def test_an_index_made_again_answers_as_before(folder: Path) -> None:
    with Archive.open(folder, read_only=True) as archive:
        before = archive.query(Query())
    report = rebuild(folder, clock=Clock(), actor="Haugen^Liv")
    assert report.is_sound and report.problems == ()
    assert report.objects == report.indexed == COUNT
    with Archive.open(folder, read_only=True) as archive:
        assert archive.query(Query()) == before
    last = json.loads((folder / "journal.jsonl").read_text().splitlines()[-1])
    assert (last["action"], last["who"]) == ("rebuilt", "Haugen^Liv")


def test_a_changed_object_is_told_left_alone_and_mended_by_handing_it_in_again(
    folder: Path,
) -> None:
    path = path_of(folder, 3)
    good = path.read_bytes()
    path.write_bytes(good[:-1] + bytes([good[-1] ^ 1]))
    bad = objects(folder)
    report = rebuild(folder, clock=Clock())
    assert not report.is_sound and report.indexed == COUNT - 1
    assert [p.where for p in report.damaged] == [path.relative_to(folder).as_posix()]
    assert objects(folder) == bad
    with Archive.open(folder, clock=Clock()) as archive:
        assert not archive.has(uid(3))
        one = incoming(3, pixels=b"")
        archive.put([type(one)(one.description, [good])])
    assert path.read_bytes() == good
    assert rebuild(folder, clock=Clock()).is_sound


def test_a_lost_object_is_told(folder: Path) -> None:
    path_of(folder, 5).unlink()
    report = rebuild(folder, clock=Clock())
    assert len(report.missing) == 1 and uid(5) in str(report.missing[0])
    assert report.objects == report.indexed == COUNT - 1


def test_an_object_that_the_journal_does_not_know_is_taken_in_and_told(folder: Path) -> None:
    one = incoming(99, pixels=b"laid here by hand")
    place = path_of(folder, 1).with_name(f"{uid(99)}.dcm")
    place.write_bytes(content(one))
    report = rebuild(folder, clock=Clock())
    assert report.is_sound and [p.where for p in report.adopted] == [
        place.relative_to(folder).as_posix()
    ]
    assert verify_chain(folder / "journal.jsonl") == []
    assert rebuild(folder, clock=Clock()).adopted == ()
    with Archive.open(folder, read_only=True) as archive:
        assert archive.has(uid(99)) and len(archive) == COUNT + 1


def test_files_in_the_wrong_place_and_files_that_are_no_objects_are_told(folder: Path) -> None:
    wrong = folder / "objects" / "1.2" / "1.3" / f"{uid(2)}.dcm"
    wrong.parent.mkdir(parents=True)
    wrong.write_bytes(path_of(folder, 2).read_bytes())
    stray = folder / "objects" / "notes.txt"
    stray.write_text("buy retractors")
    report = rebuild(folder, clock=Clock())
    assert [p.where for p in report.misplaced] == [wrong.relative_to(folder).as_posix()]
    assert [p.where for p in report.damaged] == ["objects/notes.txt"]
    assert report.indexed == COUNT and wrong.exists() and stray.exists()


def test_an_object_in_the_wrong_place_that_the_journal_does_not_know_is_not_taken_in(
    folder: Path,
) -> None:
    wrong = folder / "objects" / "1.2" / "1.3" / f"{uid(99)}.dcm"
    wrong.parent.mkdir(parents=True)
    wrong.write_bytes(content(incoming(99)))
    report = rebuild(folder, clock=Clock())
    assert [p.where for p in report.misplaced] == [wrong.relative_to(folder).as_posix()]
    assert report.adopted == () and report.indexed == COUNT
    with Archive.open(folder, read_only=True) as archive:
        assert not archive.has(uid(99))


def drop_end(lines: list[bytes]) -> list[bytes]:
    return lines[:-1]


def change(lines: list[bytes]) -> list[bytes]:
    return [*lines[:4], lines[4].replace(b'"size":', b'"size":1'), *lines[5:]]


def garble(lines: list[bytes]) -> list[bytes]:
    return [*lines[:4], b"garbled\n", *lines[5:]]


def garble_last(lines: list[bytes]) -> list[bytes]:
    return [*lines[:-1], b"garbled\n"]


@pytest.mark.parametrize("harm", [drop_end, change, garble, garble_last])
def test_harm_done_to_the_journal_is_told_and_the_archive_goes_on(
    folder: Path, harm: Callable[[list[bytes]], list[bytes]]
) -> None:
    journal = folder / "journal.jsonl"
    journal.write_bytes(b"".join(harm(journal.read_bytes().splitlines(keepends=True))))
    report = rebuild(folder, clock=Clock())
    assert report.chain and not report.is_sound
    assert report.indexed == COUNT
    with Archive.open(folder, clock=Clock()) as archive:
        archive.put([incoming(50)])
        assert len(archive) == COUNT + 1
    bad_lines = len(verify_chain(journal))
    assert bad_lines == (0 if harm is drop_end else 1)


def test_a_journal_that_is_gone_is_begun_anew(folder: Path) -> None:
    (folder / "journal.jsonl").unlink()
    with pytest.raises(ArchiveError, match="journal is missing"):
        Archive.open(folder)
    report = rebuild(folder, clock=Clock())
    assert report.chain and len(report.adopted) == COUNT == report.indexed
    assert verify_chain(folder / "journal.jsonl") == []


def test_a_reader_that_is_open_goes_on_while_the_index_is_swapped(folder: Path) -> None:
    with Archive.open(folder, read_only=True) as reader:
        assert len(reader) == COUNT
        rebuild(folder, clock=Clock())
        assert len(reader) == COUNT


def test_nothing_is_made_again_while_somebody_writes(folder: Path) -> None:
    before = (folder / "index.sqlite").read_bytes()
    with Archive.open(folder), pytest.raises(ArchiveError, match="another process is writing"):
        rebuild(folder, clock=Clock())
    assert (folder / "index.sqlite").read_bytes() == before


def test_a_folder_that_is_no_archive_is_not_made_one(tmp_path: Path) -> None:
    (tmp_path / "x.dcm").write_bytes(as_bytes(dataset(1)))
    with pytest.raises(ArchiveError, match="no archive is here"):
        rebuild(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["x.dcm"]


def test_an_index_made_before_its_first_line_was_written_lacks_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    Archive.open(folder, clock=Clock()).close()
    (folder / "journal.jsonl").unlink()
    index = Index(sqlite.writing_engine(folder / "index.sqlite"), folder / "index.sqlite")
    with index.engine.begin() as connection:
        connection.execute(tables.applied.delete())
    index.close()
    assert not rebuild(folder, clock=Clock()).problems


def _spoil(folder: Path) -> None:
    """One object changed, one gone, one that the journal does not know, one in a wrong place."""
    changed = path_of(folder, 3)
    changed.write_bytes(changed.read_bytes()[:-1] + b"?")
    path_of(folder, 4).unlink()
    strange = incoming(50)
    path_of(folder, 5).with_name(f"{uid(50)}.dcm").write_bytes(content(strange))
    path_of(folder, 6).rename(folder / "objects" / f"{uid(6)}.dcm")


def _places(report: RebuildReport) -> dict[str, list[str]]:
    kinds = ("damaged", "missing", "adopted", "misplaced", "chain")
    return {kind: [p.where for p in getattr(report, kind)] for kind in kinds}


def test_an_index_made_anew_in_use_says_and_holds_what_one_made_alone_does(
    folder: Path, tmp_path: Path
) -> None:
    _spoil(folder)
    shutil.copytree(folder, tmp_path / "alone")
    wanted = rebuild(tmp_path / "alone", clock=Clock())
    with Archive.open(folder, clock=Clock()) as archive:
        report = rebuild_open(archive, clock=Clock(), actor="Haugen^Liv")
        assert _places(report) == _places(wanted)
        assert (report.objects, report.indexed) == (wanted.objects, wanted.indexed)
        with Archive.open(tmp_path / "alone", read_only=True) as alone:
            here = {r.sop_instance_uid for r in archive.query(Query())}
            assert here == {r.sop_instance_uid for r in alone.query(Query())}
    assert verify_chain(folder / "journal.jsonl") == []
    last = json.loads((folder / "journal.jsonl").read_text().splitlines()[-1])
    assert (last["action"], last["who"]) == ("rebuilt", "Haugen^Liv")


def test_what_comes_while_an_index_is_made_anew_is_in_it(folder: Path) -> None:
    with Archive.open(folder, clock=Clock()) as archive:
        with archive.reading() as connection:
            connection.exec_driver_sql("UPDATE instances SET modality='?'")
            connection.commit()

        def come(done: int, total: int) -> None:
            """Before the files are listed, and after."""
            archive.put([incoming(60 + done)])

        report = rebuild_open(archive, clock=Clock(), progress=come)
        assert report.is_sound and not report.adopted
        found = archive.query(Query())
        assert len(found) == report.indexed == 2 * COUNT
        assert "?" not in {record.modality for record in found}
        archive.put([incoming(59)])
        assert len(archive) == 2 * COUNT + 1
    assert rebuild(folder, clock=Clock()).problems == ()
    assert not list(folder.glob("index.sqlite.new*"))


def test_an_index_in_use_stays_where_it_cannot_be_made_anew(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Archive.open(folder, clock=Clock()) as archive:
        before = archive.query(Query())

        def refuse(*_: object) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(sqlite, "settle", refuse)
        with pytest.raises(ArchiveError, match="the disk is full"):
            rebuild_open(archive, clock=Clock())
        assert archive.query(Query()) == before
        archive.put([incoming(60)])
        assert len(archive) == COUNT + 1


def test_verifying_says_what_a_rebuild_says_and_writes_nothing(folder: Path) -> None:
    assert verify(folder).is_sound and verify(folder).indexed == COUNT
    _spoil(folder)
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    report = verify(folder)
    assert {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()} == before
    assert _places(report) == _places(rebuild(folder, clock=Clock()))


def test_what_is_kept_while_all_is_verified_is_not_taken_for_strange(folder: Path) -> None:
    with Archive.open(folder, clock=Clock()) as archive:

        def come(done: int, total: int) -> None:
            archive.put([incoming(60 + done)])

        report = verify(folder, progress=come)
    assert report.problems == ()


def test_several_processes_find_what_one_finds(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = path_of(folder, 3).read_bytes()
    path_of(folder, 3).write_bytes(good[:-1] + bytes([good[-1] ^ 1]))
    path_of(folder, 5).unlink()
    (folder / "objects" / "stray.dcm").write_bytes(b"no object")
    alone = verify(folder)
    monkeypatch.setattr("archiver.archive.object_reader._PAYS", 0)
    monkeypatch.setattr("archiver.archive.object_reader._AT_ONCE", 4)
    assert verify(folder) == alone
    assert len(alone.damaged) == 2 and len(alone.missing) == 1
    assert alone.indexed == COUNT - 2 == rebuild(folder, clock=Clock()).indexed
    with Archive.open(folder, read_only=True) as archive:
        assert len(archive.query(Query(limit=100))) == COUNT - 2


def test_a_journal_whose_last_line_is_damaged_is_told_and_statements_count_once(
    folder: Path,
) -> None:
    journal = folder / "journal.jsonl"
    *lines, last = journal.read_bytes().splitlines()
    journal.write_bytes(b"\n".join([*lines, last[:-2] + b"?}", b""]))
    report = rebuild(folder, clock=Clock())
    assert len(report.chain) == 1 and report.objects == COUNT
