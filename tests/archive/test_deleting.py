"""What is deleted leaves a tombstone, is missed by nobody, and does not come back unnoticed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from archive_samples import NOON, Clock, incoming, uid
from killed_writer import delete_two

from archiver.archive.backup import back_up, restore
from archiver.archive.index_rebuild import rebuild, rebuild_open
from archiver.archive.kept_objects import verify
from archiver.archive.query import Query
from archiver.archive.store import Archive, read_lines, tombstones
from archiver.archive.store.journal_lines import DELETED, Deed, verify_chain
from archiver.errors import ArchiveError
from archiver.records import AuditRun
from archiver.records.kinds import kind_of
from archiver.records.rules import find_rules, read_rules
from archiver.workflow import AuditRequest, audit

WRITER = Path(__file__).with_name("killed_writer.py")
PATIENTS = {0: "P-0417", 5: "P-0502", 1: "P-0417"}


@pytest.fixture
def root(tmp_path: Path) -> Path:
    folder = tmp_path / "archive"
    with Archive.open(folder, clock=Clock(), actor="tests") as archive:
        archive.put([_numbered(number) for number in PATIENTS])
    return folder


def _numbered(number: int) -> object:
    return incoming(number, teeth=("36",), study=number // 5, patient=PATIENTS[number])


def deleted(root: Path) -> None:
    with Archive.open(root, clock=Clock(), actor="tests") as archive:
        delete_two(archive)


def found(root: Path) -> set[str]:
    with Archive.open(root, read_only=True) as archive:
        return {one.sop_instance_uid for one in archive.query(Query())}


def buried(root: Path) -> set[str]:
    return set(tombstones(line.entry for line in read_lines(root / "journal.jsonl") if line.entry))


def kinds(root: Path, memory: Path | None = None) -> list[str]:
    """What an audit finds of the storage: by its group, in the order of the names."""
    run = AuditRun(NOON, "tests", "1")
    request = AuditRequest((read_rules(find_rules("good-record")),), run, memory=memory)
    told = audit(root, request)
    return sorted(one.kind for one in told.concerns if kind_of(one).group == "integrity")


def test_what_is_deleted_is_gone_and_has_its_tombstone(root: Path) -> None:
    deleted(root)
    assert found(root) == {uid(0)} and buried(root) == {uid(1), uid(5)}
    assert [path.stem for path in (root / "objects").rglob("*.dcm")] == [uid(0)]
    assert len(list((root / "objects").iterdir())) == 1
    assert verify_chain(root / "journal.jsonl") == []


def test_the_index_is_as_one_made_anew(root: Path) -> None:
    deleted(root)
    before = _rows(root)
    assert rebuild(root, clock=Clock()).is_sound
    assert _rows(root) == before


def _rows(root: Path) -> list[object]:
    from sqlalchemy import select

    from archiver.archive.store import tables as t

    told: list[object] = []
    with Archive.open(root, read_only=True) as archive, archive.reading() as connection:
        for table in (t.patients, t.instances, t.instance_teeth, t.people, t.study_patients):
            columns = [one for one in table.c if one.name not in ("number", "instance", "patient")]
            told.append(sorted(map(str, connection.execute(select(*columns)).all())))
    return told


def test_nothing_is_deleted_that_is_not_kept_as_named(root: Path) -> None:
    with Archive.open(root, clock=Clock()) as archive:
        lines = archive.position().seq
        for sop, digest in ((uid(9), "0" * 64), (uid(1), "0" * 64)):
            with pytest.raises(ArchiveError, match="nothing was deleted"):
                archive.delete([Deed(DELETED, sop=sop, digest=digest)])
        assert archive.position().seq == lines
    assert found(root) == {uid(0), uid(1), uid(5)}


@pytest.mark.parametrize("anew", [rebuild, None])
def test_a_rebuilding_misses_nothing_and_takes_in_nothing_that_was_deleted(
    root: Path, anew: object
) -> None:
    path = next(path for path in (root / "objects").rglob("*.dcm") if path.stem == uid(1))
    whole = path.read_bytes()
    deleted(root)
    assert verify(root).is_sound
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(whole)
    if anew:
        report = rebuild(root, clock=Clock())
    else:
        with Archive.open(root, clock=Clock()) as archive:
            report = rebuild_open(archive, clock=Clock())
    assert not report.is_sound and not report.adopted and not report.missing
    assert [one.place.file for one in report.returned] == [path.relative_to(root).as_posix()]
    assert found(root) == {uid(0)}
    assert kinds(root) == ["deleted-object-back"]


def test_an_audit_misses_nothing_that_was_deleted_since_the_last(
    root: Path, tmp_path: Path
) -> None:
    report = tmp_path / "report"
    assert kinds(root, report) == []
    deleted(root)
    assert kinds(root, report) == []
    assert kinds(root, report) == []


def test_what_was_deleted_and_is_taken_in_again_is_told(root: Path, tmp_path: Path) -> None:
    deleted(root)
    report = tmp_path / "report"
    assert kinds(root, report) == []
    with Archive.open(root, clock=Clock(), actor="liv") as archive:
        archive.put([_numbered(1)])  # type: ignore[list-item]
    assert found(root) == {uid(0), uid(1)}
    assert kinds(root, report) == kinds(root, report) == ["deleted-object-back"]
    assert rebuild(root, clock=Clock()).is_sound
    assert buried(root) == {uid(5)}


def test_a_backup_lets_go_what_was_deleted(root: Path, tmp_path: Path) -> None:
    target = tmp_path / "backup"
    assert back_up(root, target, time=NOON).objects == 3
    deleted(root)
    report = back_up(root, target, time=NOON, verify=True)
    assert (report.objects, report.added, report.problems) == (1, 0, ())
    assert len(list((target / "objects").rglob("*.dcm"))) == 1
    restored = restore(target, tmp_path / "again", time=NOON, actor="tests")
    assert restored.problems == () and found(tmp_path / "again") == {uid(0)}
    assert buried(tmp_path / "again") == {uid(1), uid(5)}
    with Archive.open(root, clock=Clock()) as archive:
        archive.put([_numbered(1)])  # type: ignore[list-item]
    assert back_up(root, target, time=NOON, verify=True).objects == 2


def test_a_file_that_cannot_be_removed_stays_kept(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    unlink = Path.unlink

    def refusing(path: Path, *, missing_ok: bool = False) -> None:
        if path.stem == uid(5):
            raise PermissionError(1, "Operation not permitted")
        unlink(path, missing_ok=missing_ok)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "unlink", refusing)
        with pytest.raises(ArchiveError, match="does not let"):
            deleted(root)
    assert found(root) == {uid(0), uid(5)} and buried(root) == {uid(1)}
    assert kinds(root) == []
    deleted(root)
    assert found(root) == {uid(0)}


def test_a_writer_that_could_not_end_a_deletion_is_followed_by_one_that_does(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from archiver.archive.store import transactions

    append, calls = transactions.Transactions._append, []

    def full(self: object, journal: object, deeds: list[Deed]) -> object:
        calls.append(deeds)
        if any(one.action == DELETED for one in deeds):
            raise OSError(28, "No space left on device")
        return append(self, journal, deeds)  # type: ignore[arg-type]

    with monkeypatch.context() as patched:
        patched.setattr(transactions.Transactions, "_append", full)
        with pytest.raises(ArchiveError, match="the next that writes here ends it"):
            deleted(root)
    assert len(calls) == 2 and buried(root) == set()
    report = rebuild(root, clock=Clock())
    assert report.is_sound and found(root) == {uid(0)} and buried(root) == {uid(1), uid(5)}


def test_a_deletion_killed_at_every_single_step_is_ended_or_never_began(tmp_path: Path) -> None:
    whole = set(map(uid, PATIENTS))
    told = subprocess.run(
        [sys.executable, WRITER, "deletions", tmp_path],
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    steps = [line.split() for line in told.stdout.splitlines()]
    assert len(steps) > 15 and steps[-1][1] == "0"
    counts = []
    for number, (step, _) in enumerate(steps):
        root = tmp_path / f"{int(step):03}"
        if number % 8 == 1:  # index made anew without anybody having opened the archive
            assert rebuild(root, clock=Clock()).is_sound
        with Archive.open(root, clock=Clock()) as archive:
            assert archive.recovery.problems == ()
            gone = buried(root)
            counts.append(len(gone))
            assert {one.sop_instance_uid for one in archive.query(Query())} == whole - gone
            assert {path.stem for path in (root / "objects").rglob("*.dcm")} == whole - gone
            assert verify_chain(root / "journal.jsonl") == []
            if number % 4 == 0:  # it can be done again
                delete_two(archive)
                assert buried(root) == {uid(1), uid(5)}
    assert counts == sorted(counts) and set(counts) >= {0, 2}
