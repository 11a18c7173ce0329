"""Taking things out of the outbox, while nobody or somebody else has the archive open."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from archiver.archive.store.archive import Archive
from archiver.archive.store.journal_lines import read_lines
from archiver.network.node import outbox_drops
from archiver.network.outbox.drop_journal import journal_drops
from archiver.network.outbox.outbox import Outbox
from tests.cli.sessions import archiver
from tests.network import client_objects as objects
from tests.network.node_serving import Served, serving
from tests.network.test_client_outbox import START


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """Three small objects, queued for a peer."""
    folder = objects.small_objects(tmp_path, 3)
    with Outbox.open(folder) as outbox:
        outbox.queue("clinic", objects.goods(folder), START)
    return folder


def told(archive: Path) -> list[str]:
    """What the journal says of drops."""
    entries = [line.entry for line in read_lines(archive / "journal.jsonl")]
    return [entry.note for entry in entries if entry is not None and entry.action == "dropped"]


def drop(archive: Path) -> tuple[int, str]:
    done = archiver("outbox", "drop", "--to", "clinic", "--state", "queued", "--archive", archive)
    assert "3 dropped" in done.stdout
    return done.returncode, done.stderr


def test_a_drop_is_told_to_the_journal_with_who_did_it(archive: Path) -> None:
    status, errors = drop(archive)
    assert (status, errors) == (0, "")
    lines = told(archive)
    assert len(lines) == 3
    assert all(line.startswith("not sent to clinic any more; was queued; by ") for line in lines)
    with Outbox.open(archive) as outbox:
        assert not outbox.shipments() and not outbox.drops()


def test_while_the_archive_is_served_the_node_tells_the_journal(archive: Path) -> None:
    with Served(archive, "", "--web-port", "-1") as served:
        status, errors = drop(archive)
        assert (status, errors) == (0, "")
        with Outbox.open(archive) as outbox:
            assert not outbox.shipments()
        served.stop()
    assert len(told(archive)) == 3
    with Outbox.open(archive) as outbox:
        assert not outbox.drops()


def test_a_node_looks_without_being_stopped(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outbox_drops, "_EVERY", 0.05)
    with serving(archive):
        with Outbox.open(archive) as outbox:
            outbox.drop_noting(outbox.shipments(), "Haugen", START)
            for _ in range(400):
                if not outbox.drops():
                    break
                threading.Event().wait(0.02)
        assert len(told(archive)) == 3


def test_a_drop_that_the_journal_was_not_told_of_is_told_by_the_next_who_writes(
    archive: Path,
) -> None:
    """As after a kill between the drop and the journal."""
    with Outbox.open(archive) as outbox:
        assert outbox.drop_noting(outbox.shipments(), "Haugen", START) == 3
        assert outbox.drop_noting([], "Haugen", START) == 0
    with Archive.open(archive) as opened:
        assert journal_drops(opened) == 3
        assert journal_drops(opened) == 0
    assert len(told(archive)) == 3
