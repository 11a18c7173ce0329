"""Instances that are kept together are all there or none, wherever the writer was stopped."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pytest
from archive_samples import Clock, incoming, uid

from archiver.archive.index_rebuild import rebuild
from archiver.archive.store import file_transaction
from archiver.archive.store.archive import Archive
from archiver.archive.store.journal import Journal
from archiver.archive.store.journal_lines import GIVEN_UP, INTENDED, STORED, Deed, verify_chain
from archiver.archive.store.transactions import Transactions
from archiver.errors import ArchiveError

NOTES = ("in place of 1", "in place of 2", "rejects 1 and 2")


class Stopped(BaseException):
    """What a kill is to a test: nothing behind it is carried out."""


def begin(folder: Path) -> Archive:
    return Archive.open(folder, clock=Clock(), actor="tests")


def batch() -> list[object]:
    return [incoming(11, study=2), incoming(12, study=2), incoming(13)]


def lines_of(folder: Path) -> list[bytes]:
    return (folder / "journal.jsonl").read_bytes().splitlines(keepends=True)


def actions(folder: Path) -> list[str]:
    return [json.loads(line)["action"] for line in lines_of(folder)]


def there(archive: Archive) -> int:
    return sum(archive.has(uid(number)) for number in (11, 12, 13))


def test_all_are_kept_and_the_journal_says_why(tmp_path: Path) -> None:
    with begin(tmp_path / "archive") as archive:
        archive.put([incoming(1), incoming(2)])
        archive.put_together(batch(), NOTES)  # type: ignore[arg-type]
        assert there(archive) == 3
    told = actions(tmp_path / "archive")
    assert told[-9:] == ["intended"] * 3 + ["stored"] * 3 + ["amended"] * 3
    lines = [json.loads(line) for line in lines_of(tmp_path / "archive")]
    assert [line["note"] for line in lines[-3:]] == list(NOTES)
    assert rebuild(tmp_path / "archive", clock=Clock()).is_sound


def test_one_that_is_kept_already_keeps_out_the_others(tmp_path: Path) -> None:
    with begin(tmp_path / "archive") as archive:
        archive.put([incoming(12, study=2)])
        with pytest.raises(ArchiveError, match="kept already; nothing was stored"):
            archive.put_together(batch(), NOTES)  # type: ignore[arg-type]
        assert there(archive) == 1
        assert list(archive.layout.temporary.iterdir()) == []
    assert actions(tmp_path / "archive") == ["created", "stored"]


def stop_when_placing(monkeypatch: pytest.MonkeyPatch, after: int) -> None:
    real, count = Path.replace, [0]

    def replace(self: Path, target: Path) -> Path:
        if target.suffix == ".dcm":
            if count[0] == after:
                raise Stopped
            count[0] += 1
        return real(self, target)

    monkeypatch.setattr(Path, "replace", replace)
    monkeypatch.setattr(file_transaction.Placement, "undo", lambda self: None)
    monkeypatch.setattr(Transactions, "_give_up", lambda *args: None)


def left(folder: Path) -> int:
    return len([p for n in (11, 12, 13) for p in folder.rglob(f"{uid(n)}.dcm")])


@pytest.mark.parametrize("mending", ["open", "rebuild"])
@pytest.mark.parametrize("after", [0, 1, 2])
def test_stopped_while_files_are_placed_it_was_not_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after: int, mending: str
) -> None:
    folder = tmp_path / "archive"
    with begin(folder) as archive:
        archive.put([incoming(1), incoming(2)])
        with monkeypatch.context() as patched, pytest.raises(Stopped):
            stop_when_placing(patched, after)
            archive.put_together(batch(), NOTES)  # type: ignore[arg-type]
    assert left(folder) == after
    if mending == "rebuild":
        assert rebuild(folder, clock=Clock()).problems == ()
    with begin(folder) as archive:
        assert (there(archive), len(archive)) == (0, 2)
        assert left(folder) == 0
        assert actions(folder).count(GIVEN_UP) == 3
        archive.put_together(batch(), NOTES)  # type: ignore[arg-type]
        assert there(archive) == 3
    assert verify_chain(folder / "journal.jsonl") == []
    assert rebuild(folder, clock=Clock()).problems == ()


@pytest.mark.parametrize("gone", [11, 12, 13])
def test_stopped_while_it_was_undone_it_is_undone_by_the_next_writer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, gone: int
) -> None:
    folder = tmp_path / "archive"
    with begin(folder) as archive:
        archive.put([incoming(1)])
        with monkeypatch.context() as patched, pytest.raises(Stopped):
            stop_when_placing(patched, 2)
            archive.put_together([*batch(), incoming(14)], (*NOTES, ""))  # type: ignore[arg-type]
    for path in folder.rglob(f"{uid(gone)}.dcm"):
        path.unlink()
    with begin(folder) as archive:
        assert len(archive) == 1
        assert left(folder) == 0


@pytest.mark.parametrize("mending", ["open", "rebuild"])
@pytest.mark.parametrize("torn", [0, 1, 150])
@pytest.mark.parametrize("cut", range(9))
def test_stopped_while_the_journal_is_written_it_was_not_begun_or_is_done(
    tmp_path: Path, cut: int, torn: int, mending: str
) -> None:
    """The last `cut` lines did not reach the disk, of the first of them some bytes did."""
    folder = tmp_path / "archive"
    with begin(folder) as archive:
        archive.put([incoming(1), incoming(2)])
    index = (folder / "index.sqlite").read_bytes()
    with begin(folder) as archive:
        archive.put_together(batch(), NOTES)  # type: ignore[arg-type]
    lines = lines_of(folder)
    whole, lost = lines[: len(lines) - cut], lines[len(lines) - cut :]
    (folder / "journal.jsonl").write_bytes(b"".join(whole) + b"".join(lost)[:torn])
    if cut > 6:
        # No file comes to its place before every intention is on the disk.
        for number in (11, 12, 13):
            next(folder.rglob(f"{uid(number)}.dcm")).unlink()
    for path in folder.glob("index.sqlite*"):
        path.unlink()
    (folder / "index.sqlite").write_bytes(index)
    if mending == "rebuild":
        assert rebuild(folder, clock=Clock()).is_sound
    done = any(json.loads(line)["action"] == STORED for line in whole[3:])
    with begin(folder) as archive:
        assert archive.recovery.problems == ()
        assert there(archive) == (3 if done or cut == 9 else 0), cut
        assert len(archive) == 2 + there(archive)
    assert verify_chain(folder / "journal.jsonl") == []
    assert rebuild(folder, clock=Clock()).is_sound


def test_a_disk_that_refuses_leaves_nothing_and_the_journal_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "archive"
    real = Journal.append

    def append(self: Journal, deeds: Sequence[Deed], **how: object) -> object:
        if any(deed.action == STORED for deed in deeds):
            raise OSError(28, "No space left on device")
        return real(self, deeds, **how)  # type: ignore[arg-type]

    with begin(folder) as archive:
        with monkeypatch.context() as patched, pytest.raises(ArchiveError, match="nothing was"):
            patched.setattr(Journal, "append", append)
            archive.put_together(batch(), NOTES)  # type: ignore[arg-type]
        assert left(folder) == 0
        assert actions(folder) == ["created", *[INTENDED] * 3, *[GIVEN_UP] * 3]
        archive.put([incoming(1)])
        assert len(archive) == 1
