from __future__ import annotations

import errno
import os
import tempfile
from pathlib import Path

import pytest
from archive_samples import NOON
from hypothesis import given, settings
from hypothesis import strategies as st

from archiver.archive.store.journal import open_journal
from archiver.archive.store.journal_lines import (
    START,
    STORED,
    Deed,
    holds_at,
    read_lines,
    verify_chain,
)
from archiver.errors import IntegrityError


def written(path: Path, count: int) -> bytes:
    journal, _ = open_journal(path, START, time=NOON, who="Lindqvist^Åsa")
    for n in range(count):
        journal.append(
            [Deed(STORED, study="1.2", series="1.3", sop=f"1.4.{n}", digest=f"{n:064x}", size=n)],
            time=NOON,
            who="Lindqvist^Åsa",
        )
    journal.close()
    return path.read_bytes()


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return written(tmp_path_factory.mktemp("journal") / "journal.jsonl", 6)


def problems_of(content: bytes) -> list[str]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "journal.jsonl")
        path.write_bytes(content)
        return [str(problem) for problem in verify_chain(path)]


def test_a_journal_as_written_is_a_whole_chain(good: bytes) -> None:
    assert problems_of(good) == []
    assert good.count(b"\n") == 7


@settings(max_examples=400, deadline=None)
@given(st.data())
def test_every_changed_byte_is_found(good: bytes, data: st.DataObject) -> None:
    place = data.draw(st.integers(0, len(good) - 1))
    change = data.draw(st.integers(1, 255))
    bad = bytearray(good)
    bad[place] ^= change
    problems = problems_of(bytes(bad))
    assert problems
    line = good[:place].count(b"\n") + 1
    assert any(f"line {n}:" in problem for problem in problems for n in (line, line + 1))


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_a_line_that_is_dropped_doubled_or_moved_is_found(good: bytes, data: st.DataObject) -> None:
    lines = good.splitlines(keepends=True)
    place = data.draw(st.integers(0, len(lines) - 2))
    kind = data.draw(st.sampled_from(["drop", "double", "swap"]))
    if kind == "drop":
        del lines[place]
    elif kind == "double":
        lines.insert(place, lines[place])
    else:
        lines[place], lines[place + 1] = lines[place + 1], lines[place]
    assert problems_of(b"".join(lines))


def test_a_line_rewritten_with_a_hash_that_fits_breaks_the_link_behind_it(good: bytes) -> None:
    from archiver.archive.store import journal_lines

    lines = good.splitlines()
    fields = journal_lines.json.loads(lines[3])
    fields["who"] = "Nobody"
    fields["hash"] = journal_lines.own_hash(fields)
    lines[3] = journal_lines.canonical(fields)
    problems = problems_of(b"\n".join(lines) + b"\n")
    assert problems == ["journal.jsonl, line 5: the line does not follow from the line before it"]


def test_one_fault_is_told_once(good: bytes) -> None:
    lines = good.splitlines(keepends=True)
    lines[2] = b"\xff\xfe nonsense\n"
    assert problems_of(b"".join(lines)) == ["journal.jsonl, line 3: the line cannot be read"]


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_a_journal_torn_anywhere_is_mended_and_every_whole_line_stays(
    good: bytes, data: st.DataObject
) -> None:
    cut = data.draw(st.integers(0, len(good)))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "journal.jsonl")
        path.write_bytes(good[:cut])
        journal, entries = open_journal(path, START, time=NOON, who="x")
        journal.append([Deed(STORED, sop="1.9")], time=NOON, who="x")
        journal.close()
        assert verify_chain(path) == []
        after = path.read_bytes()
    whole = good[:cut].rpartition(b"\n")[0]
    assert after.startswith(whole)
    stored = [e for e in entries if e.action == STORED]
    assert len(stored) >= max(0, good[:cut].count(b"\n") - 1)


def test_a_write_that_fails_half_way_leaves_the_journal_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "journal.jsonl"
    before = written(path, 2)
    journal, _ = open_journal(path, list(read_lines(path))[-1].after, time=NOON, who="x")
    write, calls = os.write, 0

    def torn(handle: int, text: memoryview) -> int:
        nonlocal calls
        calls += 1
        if calls == 2:
            raise OSError(errno.ENOSPC, "No space left on device")
        return write(handle, text[:40])

    monkeypatch.setattr(os, "write", torn)
    with pytest.raises(OSError, match="No space"):
        journal.append([Deed(STORED, sop="1.9")], time=NOON, who="x")
    assert path.read_bytes() == before
    monkeypatch.undo()
    journal.append([Deed(STORED, sop="1.9")], time=NOON, who="x")
    journal.close()
    assert verify_chain(path) == []


def test_reading_takes_up_from_a_position(good: bytes, tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    path.write_bytes(good)
    lines = list(read_lines(path))
    middle = lines[3].after
    assert holds_at(path, middle)
    assert [line.entry for line in read_lines(path, middle)] == [line.entry for line in lines[4:]]
    path.write_bytes(good.replace(b"1.4.2", b"1.4.7"))
    assert not holds_at(path, middle)


def test_a_damaged_line_behind_the_position_stops_a_writer(good: bytes, tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    path.write_bytes(good.replace(b"1.4.2", b"1.4.7"))
    with pytest.raises(IntegrityError, match=r"line 4: .*own hash says.*archiver rebuild"):
        open_journal(path, START, time=NOON, who="x")
    assert path.read_bytes() == good.replace(b"1.4.2", b"1.4.7")
