"""What the validator finds of what came in, looked at in the background and kept."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from archive_samples import Clock, incoming, uid

from archiver.archive.ingest import validation
from archiver.archive.ingest.service import Ingest
from archiver.archive.store.archive import Archive
from archiver.standard import Finding, Severity, validate_file
from tests.pseudo_language import plain_words, pseudo_language


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    with Archive.open(tmp_path / "archive", clock=Clock()) as opened:
        yield opened


def unreadable(path: Path) -> list[Finding]:
    raise AssertionError(f"{path} was looked at")


def test_findings_are_kept_as_the_validator_made_them(archive: Archive) -> None:
    ingest = Ingest.of(archive)
    ingest.accept([incoming(1, teeth=("25",), view="occlusal")])
    assert ingest.validation.wait(30)
    path = archive.path_of(uid(1))
    assert path is not None
    expected = [replace(f, path="") for f in validate_file(path)]
    kept = ingest.validation.findings(uid(1))
    assert kept is not None and len(expected) > 3
    assert kept == expected
    assert ingest.validation.findings(uid(2)) is None


def test_findings_of_an_earlier_version_are_made_anew(archive: Archive) -> None:
    with closing(sqlite3.connect(archive.layout.root / validation.FILE)) as database, database:
        database.execute(
            "CREATE TABLE validated (sop_instance_uid, journal_seq, digest, errors, warnings)"
        )
        database.execute("CREATE TABLE findings (sop_instance_uid, severity, found)")
        database.execute("INSERT INTO validated VALUES ('1.2', 9999, '', 1, 0)")
        database.execute("INSERT INTO findings VALUES ('1.2', 'error', 'a sentence')")
    ingest = Ingest.of(archive)
    ingest.accept([incoming(1, teeth=("25",), view="occlusal")])
    assert ingest.validation.wait(30)
    assert ingest.validation.findings("1.2") is None
    assert ingest.validation.findings(uid(1))


def test_findings_are_kept_in_no_language(archive: Archive) -> None:
    ingest = Ingest.of(archive)
    ingest.accept([incoming(1, teeth=("25",), view="occlusal")])
    assert ingest.validation.wait(30)
    kept = ingest.validation.findings(uid(1))
    with pseudo_language():
        told = [f.as_json() for f in kept or ()]
    words = {word for f in told for word in plain_words(f["found"] + f["expected"])}
    assert len(told) > 3 and not [word for word in words if word.islower()]


def test_errors_and_warnings_of_each_object_are_counted(archive: Archive) -> None:
    ingest = Ingest.of(archive)
    counted = []
    ingest.validation.done = lambda errors, warnings: counted.append((errors, warnings))
    found = [
        Finding("", severity, f"rule {n}", "", "", "", "", "")
        for n, severity in enumerate([Severity.ERROR, Severity.WARNING, Severity.WARNING])
    ]
    ingest.accept([incoming(1), incoming(2)], [found, []])
    assert ingest.validation.wait(30)
    assert counted == [(1, 2), (0, 0)]
    kept = ingest.validation.findings(uid(1))
    assert kept is not None and [f.rule for f in kept] == ["rule 0", "rule 1", "rule 2"]
    assert ingest.validation.findings(uid(2)) == []


def test_what_was_found_before_it_was_kept_is_not_looked_at_again(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(validation, "validate_file", unreadable)
    ingest = Ingest.of(archive)
    found = [Finding("", Severity.WARNING, "some-rule", "", "this", "that", "PS3.3", "")]
    ingest.accept([incoming(1)], [found])
    assert ingest.validation.wait(30)
    assert ingest.validation.findings(uid(1)) == found


def test_the_next_writer_looks_only_at_what_the_last_one_left(
    tmp_path: Path, archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    ingest = Ingest.of(archive)
    ingest.accept([incoming(1)])
    assert ingest.validation.wait(30)
    archive.close()
    looked = []

    def looking(path: Path) -> list[Finding]:
        looked.append(path.stem)
        return []

    monkeypatch.setattr(validation, "validate_file", looking)
    with Archive.open(tmp_path / "archive", clock=Clock()) as again:
        Ingest.of(again).accept([incoming(3), incoming(2)])
        assert Ingest.of(again).validation.wait(30)
    assert looked == [uid(3), uid(2)]


def test_more_objects_than_are_looked_at_at_once_are_all_looked_at(archive: Archive) -> None:
    ingest = Ingest.of(archive)
    many = [incoming(n) for n in range(45)]
    ingest.accept(many, [[]] * len(many))
    assert ingest.validation.wait(30)
    assert all(ingest.validation.findings(uid(n)) == [] for n in range(45))


def test_those_who_store_or_ask_come_first(archive: Archive) -> None:
    ingest = Ingest.of(archive)
    asked: list[bool] = []
    before: list[int] = []

    def busy() -> bool:
        asked.append(len(asked) < 2)
        return asked[-1]

    ingest.validation.busy = busy
    ingest.validation.done = lambda errors, warnings: before.append(len(asked))
    ingest.accept([incoming(1)], [[]])
    assert ingest.validation.wait(30)
    assert before == [3]


def test_they_come_before_each_object_of_many(archive: Archive) -> None:
    ingest = Ingest.of(archive)
    asked: list[bool] = []
    before: list[int] = []

    def busy() -> bool:
        asked.append(not asked or not asked[-1])
        return asked[-1]

    ingest.validation.busy = busy
    ingest.validation.done = lambda errors, warnings: before.append(len(asked))
    ingest.accept([incoming(1), incoming(2), incoming(3)], [[]] * 3)
    assert ingest.validation.wait(30)
    assert before == [2, 4, 6]


def test_however_busy_it_is_an_object_that_comes_is_looked_at(archive: Archive) -> None:
    ingest = Ingest.of(archive)
    ingest.validation.busy = lambda: True
    ingest.accept([incoming(1)], [[]])
    assert ingest.validation.wait(30)
    assert ingest.validation.findings(uid(1)) == []


def test_a_disk_that_fails_is_told_and_does_not_end_it(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[str] = []
    ingest = Ingest.of(archive)
    ingest.validation.failed = told.append
    with monkeypatch.context() as broken:

        def failing(path: Path) -> list[Finding]:
            raise OSError("the disk is gone")

        broken.setattr(validation, "validate_file", failing)
        ingest.accept([incoming(1)])
        assert ingest.validation.wait(30)
    assert told == ["validation stopped: OSError"]
    assert ingest.validation.findings(uid(1)) is None
    ingest.validation.stir()
    assert ingest.validation.wait(30)
    assert ingest.validation.findings(uid(1))


def test_findings_are_those_of_the_object_asked_for(archive: Archive) -> None:
    ingest = Ingest.of(archive)
    found = [
        [Finding("", Severity.WARNING, rule, "", "", "", "", "")]
        for rule in ("one", "two", "three")
    ]
    ingest.accept([incoming(1), incoming(2), incoming(3)], found)
    assert ingest.validation.wait(30)
    assert [ingest.validation.findings(uid(n)) for n in (1, 2, 3)] == found
