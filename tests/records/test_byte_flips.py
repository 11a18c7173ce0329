"""Any bit that flips in what an archive keeps is found by a full audit.

What is promised: every byte of every object and of every line of the journal, and every value of
every row of the index. In the file of the index there are bytes that say nothing: room between
cells, counters of changes, the spelling of a type. Of a byte there an audit need not speak; but
as soon as any value, asked for in any way, reads differently, or the database's own check
complains, it must.

``ARCHIVER_FLIPS=1000`` samples that many; a few by default.
"""

from __future__ import annotations

import os
import random
import secrets
import shutil
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from made_up_archive import AUDITED, World, fill

from archiver.archive.store.journal_lines import verify_chain
from archiver.archive.store.layout import Layout
from archiver.records.archive_survey import survey_archive
from archiver.records.audit_memory import Memory
from archiver.records.checks.rejections import check_rejections
from archiver.records.examination import Depth, examine_file
from archiver.records.survey import Survey

FLIPS = int(os.environ.get("ARCHIVER_FLIPS", "48"))
SEED = int(os.environ.get("ARCHIVER_FLIPS_SEED", "0")) or secrets.randbelow(10**6)
#: Values that number rows and say nothing by themselves are flipped too: what hangs on them shows.
SMALL = ("shown", "people", "study_patients")
TABLES = ("applied", "patients", "instances", "instance_teeth", "rejections", "heeded", *SMALL)
Undo = Callable[[], None]


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive of two patients."""
    world = World(20)
    root = tmp_path_factory.mktemp("flips") / "archive"
    shots = [*world.restored().shots, *world.orthodontic().shots[3:6]]
    fill(root, shots, [], [(shots[0], ""), (shots[4], "derived")])
    with closing(sqlite3.connect(root / "index.sqlite")) as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        database.execute("PRAGMA journal_mode=DELETE")
    return root


def full_audit(root: Path) -> Survey:
    return survey_archive(Layout(root), Depth.OBJECTS, Memory(None, ""), AUDITED, full=True)


def flipped(path: Path, place: int, bit: int) -> Undo:
    """Flip a bit of a file, and return how it is undone."""
    before = path.read_bytes()
    data = bytearray(before)
    data[place] ^= 1 << bit
    path.write_bytes(data)
    return lambda: path.write_bytes(before) and None


def places(size: int, count: int, dice: random.Random) -> Iterator[int]:
    """Places all over a file: one in each of `count` equal parts of it."""
    for n in range(count):
        low, high = n * size // count, max(n * size // count + 1, (n + 1) * size // count)
        yield min(size - 1, dice.randrange(low, high))


def test_an_archive_without_a_flip_is_whole(sample: Path) -> None:
    assert full_audit(sample).concerns == []


def test_a_flip_in_any_part_of_an_object_is_found(sample: Path) -> None:
    dice = random.Random(SEED)
    objects = sorted(sample.glob("objects/*/*/*.dcm"))
    for n, place in enumerate(places(1 << 20, max(8, FLIPS * 3 // 10), dice)):
        path = objects[n % len(objects)]
        where = place * path.stat().st_size >> 20
        undo = flipped(path, where, dice.randrange(8))
        told = [c for c in full_audit(sample).concerns if c.kind == "object-changed"]
        undo()
        name = path.relative_to(sample).as_posix()
        assert [c.path for c in told] == [name], (SEED, path, where)


def test_a_flip_of_every_single_byte_of_an_object_changes_its_digest(
    sample: Path, tmp_path: Path
) -> None:
    path = min(sample.glob("objects/*/*/*.dcm"), key=lambda p: p.stat().st_size)
    whole = path.read_bytes()
    copy = tmp_path / "copy.dcm"
    copy.write_bytes(whole)
    right = examine_file(copy, Depth.DIGESTS).facts.digest
    step = 1 if FLIPS >= 1000 else 9
    for place in range(SEED % step, len(whole), step):
        undo = flipped(copy, place, place % 8)
        assert examine_file(copy, Depth.DIGESTS).facts.digest != right, place
        undo()
    assert examine_file(copy, Depth.DIGESTS).facts.digest == right


def test_a_flip_in_any_line_of_the_journal_is_found(sample: Path) -> None:
    dice = random.Random(SEED + 1)
    journal = sample / "journal.jsonl"
    for place in places(journal.stat().st_size, max(8, FLIPS * 3 // 10), dice):
        undo = flipped(journal, place, dice.randrange(8))
        kinds = {c.kind for c in full_audit(sample).concerns}
        undo()
        assert kinds & {"journal-broken", "journal-shortened"}, (SEED, place)


def test_a_flip_of_every_single_byte_of_the_journal_breaks_the_chain(
    sample: Path, tmp_path: Path
) -> None:
    journal = tmp_path / "journal.jsonl"
    shutil.copy(sample / "journal.jsonl", journal)
    whole = journal.read_bytes()
    for place in range(SEED % 5 if FLIPS < 1000 else 0, len(whole), 5 if FLIPS < 1000 else 1):
        undo = flipped(journal, place, place % 8)
        assert verify_chain(journal), place
        undo()
    assert not verify_chain(journal)


def _values(path: Path) -> dict[str, object]:
    """Everything that the database gives, asked for in the order of rows and of each index."""
    seen: dict[str, object] = {}
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as database:
        database.text_factory = bytes
        for table in TABLES:
            seen[table] = database.execute(f"SELECT * FROM {table}").fetchall()
            for row in database.execute(f"PRAGMA index_list({table})").fetchall():
                name = row[1].decode()
                question = f'SELECT count(*) FROM {table} INDEXED BY "{name}" WHERE 1'
                seen[name] = database.execute(question).fetchall()
        seen["check"] = database.execute("PRAGMA integrity_check").fetchall()
    return seen


def test_a_flip_of_any_value_of_any_row_of_the_index_is_found(sample: Path) -> None:
    dice = random.Random(SEED + 2)
    index = sample / "index.sqlite"
    before = index.read_bytes()
    with closing(sqlite3.connect(index)) as database:
        cells = [
            (table, column[1], n)
            for table in TABLES
            for column in database.execute(f"PRAGMA table_info({table})").fetchall()
            for n in range(database.execute(f"SELECT count(*) FROM {table}").fetchone()[0])
        ]
    columns: dict[tuple[str, str], list[int]] = {}
    for table, column, n in cells:
        columns.setdefault((table, column), []).append(n)
    # Each column of each table at least once, where there are flips enough.
    chosen = [(*column, dice.choice(rows)) for column, rows in columns.items()]
    more = FLIPS * 2 // 10 - len(chosen)
    if more > 0:
        chosen += dice.sample(cells, more)
    else:
        small = [one for one in chosen if one[0] in SMALL]
        chosen = small + dice.sample([one for one in chosen if one not in small], 9)
    assert len(columns) > 40
    for table, column, n in chosen:
        if not _flip_value(index, table, column, n, dice):
            index.write_bytes(before)
            continue
        kinds = {c.kind for c in full_audit(sample).concerns}
        index.write_bytes(before)
        assert kinds, (SEED, table, column, n)


def _flip_value(index: Path, table: str, column: str, n: int, dice: random.Random) -> bool:
    """Flip a bit of a value as it is stored; False where the database itself refuses it."""
    with closing(sqlite3.connect(index)) as database:
        rows = database.execute(f'SELECT "{column}" FROM {table}').fetchall()
        keys = [row[1] for row in database.execute(f"PRAGMA table_info({table})") if row[5]]
        key = database.execute(f"SELECT {', '.join(keys)} FROM {table}").fetchall()[n]
        value = rows[n][0]
        if isinstance(value, int):
            new: object = value ^ (1 << dice.randrange(16))
        elif value:
            octets = bytearray(value.encode())
            octets[dice.randrange(len(octets))] ^= 1 << dice.randrange(7)
            new = octets.decode("utf-8", "surrogateescape")
        else:
            new = "0"
        where = " AND ".join(f'"{k}" = ?' for k in keys)
        try:
            database.execute(f'UPDATE {table} SET "{column}" = ? WHERE {where}', (new, *key))
        except (sqlite3.IntegrityError, UnicodeEncodeError):
            return False
        database.commit()
    return True


def test_a_flip_of_any_byte_of_the_index_that_says_something_is_found(sample: Path) -> None:
    dice = random.Random(SEED + 3)
    index = sample / "index.sqlite"
    right = _values(index)
    outcome: Counter[str] = Counter()
    for place in places(index.stat().st_size, max(12, FLIPS * 2 // 10), dice):
        undo = flipped(index, place, dice.randrange(8))
        try:
            says_something = _values(index) != right
        except sqlite3.Error:
            says_something = True
        found = bool(full_audit(sample).concerns)
        undo()
        outcome[f"{'said' if says_something else 'nothing'}, {'found' if found else 'silent'}"] += 1
        assert found or not says_something, (SEED, place)
    print(f"\nbytes of the index's file: {dict(outcome)}")
    assert outcome["said, found"]


def test_a_table_under_a_flipped_name_is_told(sample: Path) -> None:
    index = sample / "index.sqlite"
    before = index.read_bytes()
    with closing(sqlite3.connect(index)) as database:
        database.execute("ALTER TABLE people RENAME TO pfople")
        database.commit()
    kinds = {c.kind for c in full_audit(sample).concerns}
    index.write_bytes(before)
    assert kinds == {"index-differs"}


def test_rejections_of_what_is_no_text_are_told() -> None:
    """A flipped type in a row makes a number of an identifier."""
    said: Any = {(5, "1.2.3"): ("113037", "", 1), ("1.2.4", "1.2.3"): ("113037", "", 1)}
    told = list(check_rejections(said, {}, set()))
    assert sorted(one.uids for one in told) == [("1.2.4", "1.2.3"), ("5", "1.2.3")]


def test_what_was_flipped_is_whole_again(sample: Path) -> None:
    assert full_audit(sample).concerns == []
