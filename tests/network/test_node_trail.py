"""Who was answered is in the journal, on the disk, before the answer leaves; else nobody is."""

from __future__ import annotations

import errno
import json
import os
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path

import httpx
import pytest

from archiver.archive.store.journal import Journal
from archiver.archive.store.journal_lines import Deed
from archiver.network.node import audit_trail
from archiver.network.node.audit import DONE, AuditEvent, Event, Happening, event_of
from archiver.network.node.node import Node
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, Served, run, serving, store
from tests.network.test_node_audit import trail

STUDY = f"/dicomweb/studies/{samples.study_uid(1)}"
FIND = ("findscu", "-S", "-aec", TITLE, "-k", "QueryRetrieveLevel=STUDY", "-k", "PatientName")
GET = ("getscu", "-S", "+xy", "-aec", TITLE, "-k", "QueryRetrieveLevel=STUDY")
GET += ("-k", f"StudyInstanceUID={samples.study_uid(1)}")


def told(archive: Path, what: str) -> list[AuditEvent]:
    return [one for one in trail(archive / "journal.jsonl") if what in one.detail]


@pytest.mark.parametrize(
    ("path", "detail"),
    [
        ("/dicomweb/studies?PatientID=P-0417", "QIDO-RS"),
        (STUDY + "/metadata", "WADO-RS metadata"),
        (STUDY + "/rendered", "WADO-RS rendered"),
        (STUDY, "WADO-RS objects"),
        ("/record", "pages: record"),
    ],
)
def test_an_answer_is_in_the_journal_though_the_node_dies_at_once(
    tmp_path: Path, path: str, detail: str
) -> None:
    archive = tmp_path / "archive"
    with Served(archive) as served:
        store(served.port, samples.save(samples.photograph(1), tmp_path))
        answer = httpx.get(served.web + path, headers={"Accept": "*/*"}, timeout=60)
        assert answer.status_code == 200
        served.kill()
    assert len(told(archive, detail)) == 1


@pytest.mark.parametrize(("words", "detail"), [(FIND, "C-FIND"), (GET, "C-GET")])
def test_a_dimse_answer_is_in_the_journal_before_it_leaves(
    tmp_path: Path, words: tuple[str, ...], detail: str
) -> None:
    archive = tmp_path / "archive"
    with Served(archive) as served:
        store(served.port, samples.save(samples.photograph(1), tmp_path))
        where = ("-od", tmp_path) if words is GET else ()
        assert run(*words, *where, "127.0.0.1", served.port).returncode == 0
        served.kill()
    found = told(archive, detail)
    assert found and found[0].event in ("110102", "110112")


class FullDisk:
    """A journal that can be written, or not."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.is_full = False
        append = Journal._write

        def write(journal: Journal, text: bytes) -> None:
            if self.is_full:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            append(journal, text)

        patch.setattr(Journal, "_write", write)


def test_on_a_full_disk_nothing_is_answered_and_that_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = FullDisk(monkeypatch)
    with serving(tmp_path / "archive") as one:
        assert one.web is not None
        store(one.dimse.port, samples.save(samples.photograph(1), tmp_path))
        base = f"http://127.0.0.1:{one.web.port}"
        disk.is_full = True
        for path in ("/dicomweb/studies", STUDY, STUDY + "/metadata", STUDY + "/rendered"):
            answer = httpx.get(base + path)
            assert (answer.status_code, answer.text.count("\n")) == (503, 1), path
            assert "Okafor" not in answer.text
        found = run("findscu", "-v", *FIND[1:], "127.0.0.1", one.dimse.port).stdout
        assert "Okafor" not in found and "OutOfResources" in found.replace(" ", "")
        fetched = tmp_path / "fetched"
        fetched.mkdir()
        run(*GET, "-od", fetched, "127.0.0.1", one.dimse.port)
        assert not list(fetched.iterdir())
        health = httpx.get(base + "/health").json()
        assert health["status"] == "degraded"
        disk.is_full = False
        assert httpx.get(base + "/dicomweb/studies").status_code == 200
        assert httpx.get(base + "/health").json()["checks"]["writer"]["status"] == "ok"


def test_answers_that_wait_together_share_a_flush(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flushes: list[int] = []
    write = Journal._write

    def slow(journal: Journal, text: bytes) -> None:
        time.sleep(0.05)
        flushes.append(text.count(b"\n"))
        write(journal, text)

    with serving(tmp_path / "archive") as one:
        monkeypatch.setattr(Journal, "_write", slow)
        written: list[Future[None]] = [
            one.archive.writer.recording([Deed("audit", note=f"{n}")]) for n in range(40)
        ]
        for each in written:
            each.result(30)
    assert sum(flushes) >= 40 and len(flushes) < 10


def test_lines_that_fail_together_fail_each_and_the_next_are_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = FullDisk(monkeypatch)
    with serving(tmp_path / "archive") as one:
        disk.is_full = True
        written = [one.archive.writer.recording([Deed("audit")]) for _ in range(3)]
        assert all(each.exception(30) is not None for each in written)
        assert one.archive.writer.health.journal_refused
        disk.is_full = False
        assert one.archive.writer.recording([Deed("audit")]).exception(30) is None
        assert not one.archive.writer.health.journal_refused


def test_refusals_of_a_stranger_are_one_line_and_then_one_a_minute(tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    with serving(archive) as one:
        assert one.web is not None
        base = f"http://127.0.0.1:{one.web.port}"
        before = (archive / "journal.jsonl").stat().st_size
        with httpx.Client(headers={"Host": "elsewhere.example"}) as client:
            for _ in range(200):
                assert client.get(base + "/dicomweb/studies").status_code == 421
    lines = [e for e in trail(archive / "journal.jsonl") if e.event == "110113"]
    assert len(lines) == 2
    assert "199 more refused" in lines[1].detail and "HTTP 421" in lines[1].detail
    assert (archive / "journal.jsonl").stat().st_size - before < 4000


def test_the_count_is_written_after_a_minute_and_is_bounded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(audit_trail, "_WINDOW", 0.2)
    monkeypatch.setattr(audit_trail, "_ADDRESSES", 3)
    archive = tmp_path / "archive"
    with serving(archive) as one:
        for number in range(9):
            one.dimse._turned_away(f"192.0.2.{number}", "address not allowed")
        until(lambda: len(told(archive, "more refused")) == 1)
    assert "5 more refused" in told(archive, "more refused")[0].detail


def until(holds: Callable[[], bool]) -> None:
    end = time.monotonic() + 30
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.05)


def test_who_tells_outside_of_a_request_waits_until_it_is_written(tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    with serving(archive) as one:
        _told_in_a_thread(one)
        assert len(told(archive, "from a thread")) == 1


def _told_in_a_thread(one: Node) -> None:
    happening = Happening(Event.QUERY, "X@127.0.0.1", TITLE, DONE, detail="from a thread")
    thread = threading.Thread(target=one._trail, args=(happening,))
    thread.start()
    thread.join(30)


def test_every_line_is_one_event(tmp_path: Path) -> None:
    with serving(tmp_path / "archive") as one:
        _told_in_a_thread(one)
        lines = one.archive.layout.journal.read_text().splitlines()
    assert [event_of(x) for x in map(json.loads, lines) if x["action"] == "audit"]
