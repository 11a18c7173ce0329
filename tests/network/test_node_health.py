"""What /health and /metrics say of a node, and that receiving stops before the disk is full."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import httpx
import pytest
import trustme
from pydicom import Dataset
from pydicom.uid import JPEGBaseline8Bit
from pynetdicom import AE
from pynetdicom.sop_class import VLPhotographicImageStorage

from archiver.archive.backup import back_up
from archiver.archive.statements import Operation, OperationKind, note_operation
from archiver.errors import UsageError
from archiver.network.certificates import valid_until
from archiver.network.node import free_space, health
from archiver.network.node.health import NodeHealth
from archiver.network.node.node import Node
from archiver.network.node.reports.pending_reports import Debts, PendingReport
from archiver.network.node.settings import NodeWatch, settings_of
from archiver.network.outbox import Goods, Outbox
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, run, serving

MEGABYTE = 1 << 20


@pytest.fixture
def node(tmp_path: Path) -> Iterator[Node]:
    with serving(tmp_path / "archive") as made:
        yield made


def url(node: Node, path: str = "/health") -> str:
    assert node.web is not None
    return f"http://127.0.0.1:{node.web.port}{path}"


def told(node: Node, status: int = 200) -> dict[str, Any]:
    answer = httpx.get(url(node))
    assert answer.status_code == status, answer.text
    found: dict[str, Any] = answer.json()
    return found


def degraded(node: Node) -> dict[str, Any]:
    """The checks that are not ok; the whole says so, too."""
    found = told(node)
    wrong = {k: v for k, v in found["checks"].items() if v["status"] != "ok"}
    assert found["status"] == ("degraded" if wrong else "ok")
    return wrong


def figures(node: Node) -> dict[str, float]:
    lines = [line for line in httpx.get(url(node, "/metrics")).text.splitlines() if line[0] != "#"]
    return {line.rpartition(" ")[0]: float(line.rpartition(" ")[2]) for line in lines}


def later(node: Node, monkeypatch: pytest.MonkeyPatch, **time: float) -> None:
    """Let the time be later for what watches."""
    when = datetime.now(timezone.utc) + timedelta(**time)
    monkeypatch.setattr(node.health, "_clock", lambda: when)
    monkeypatch.setattr(node.health, "_grown_at", None)


def test_a_new_archive_is_well_and_no_patient_is_named(node: Node, tmp_path: Path) -> None:
    samples.save(samples.photograph(1), tmp_path)
    found = told(node)
    assert found["status"] == "ok" and set(found["checks"]) == {
        *("archive", "writer", "space", "outbox", "reports", "audit_repository"),
        *("worklist", "certificates", "backup", "audit"),
    }
    shown = figures(node)
    assert shown["archiver_writer_alive"] == 1 and shown["archiver_free_bytes"] > 0
    assert shown['archiver_well{check="space"}'] == 0


def stored(node: Node, number: int) -> int:
    """Store by DIMSE as pynetdicom does; return the status."""
    entity = AE()
    entity.add_requested_context(VLPhotographicImageStorage, JPEGBaseline8Bit)
    association = entity.associate("127.0.0.1", node.dimse.port, ae_title=TITLE)
    assert association.is_established
    path = samples.save(samples.photograph(number), node.archive.layout.root.parent)
    status: Dataset = association.send_c_store(path)
    association.release()
    return int(status.Status)


def stow(node: Node, number: int) -> httpx.Response:
    path = samples.save(samples.photograph(number), node.archive.layout.root.parent)
    head = b"--edge\r\nContent-Type: application/dicom\r\n\r\n"
    kind = 'multipart/related; type="application/dicom"; boundary=edge'
    body = head + path.read_bytes() + b"\r\n--edge--\r\n"
    return httpx.post(url(node, "/dicomweb/studies"), content=body, headers={"Content-Type": kind})


def test_receiving_stops_before_the_disk_is_full_and_goes_on_when_there_is_room(
    node: Node, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A700 is "Refused: Out of Resources" (PS3.4 table B.2-1): who sends keeps its object."""
    free = [1024 * MEGABYTE]
    monkeypatch.setattr(free_space, "free_bytes", lambda _: free[0])
    monkeypatch.setattr(health, "free_bytes", lambda _: free[0])
    assert stored(node, 1) == 0x0000 and stow(node, 2).status_code == 200
    free[0] -= 1
    assert stored(node, 3) == 0xA700
    assert stow(node, 4).status_code == 503
    found = told(node, 503)
    assert found["status"] == "failing" and found["checks"]["space"]["status"] == "failing"
    assert figures(node)['archiver_well{check="space"}'] == 2
    # What is small, and what people say, still finds room.
    when = datetime.now(timezone.utc).isoformat()
    note_operation(node.archive, Operation(OperationKind.AUDIT, when, True, ""))
    free[0] += 1
    assert stored(node, 3) == 0x0000 and stow(node, 4).status_code == 200
    assert told(node)["status"] == "ok"


def test_storescu_is_refused_by_a_node_without_room(tmp_path: Path) -> None:
    with serving(tmp_path / "archive", watch=NodeWatch(reserve_megabytes=1 << 40)) as node:
        file = samples.save(samples.photograph(1), tmp_path)
        said = run("storescu", "-v", "-xy", "-aec", TITLE, "127.0.0.1", node.dimse.port, file)
        assert "Refused: OutOfResources" in said.stdout and len(node.archive) == 0
        assert not list(node.archive.layout.temporary.iterdir())


def test_when_the_room_will_be_used_up_is_told_from_what_came_of_late(
    node: Node, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert stored(node, 1) == 0
    with node.archive.reading() as connection:
        (size,) = connection.exec_driver_sql("SELECT sum(size) FROM instances").one()
    free = 1024 * MEGABYTE + 2 * size
    monkeypatch.setattr(health, "free_bytes", lambda _: free)
    assert "days_left" not in told(node)["checks"]["space"]
    later(node, monkeypatch, days=10)
    wrong = degraded(node)
    assert wrong.pop("backup") and set(wrong) == {"space"}
    assert wrong["space"]["window_days"] == 10.0 and wrong["space"]["grown_bytes"] == size
    assert wrong["space"]["days_left"] == pytest.approx(20, abs=0.1)
    assert figures(node)["archiver_space_days_left"] == pytest.approx(20, abs=0.1)
    later(node, monkeypatch, days=45)
    assert told(node)["checks"]["space"]["grown_bytes"] == 0
    assert told(node)["checks"]["space"]["days_left"] is None


def test_what_waits_to_go_out_is_told_and_when_it_is_late(
    node: Node, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = datetime.now(timezone.utc)
    with Outbox.open(node.archive.layout.root) as outbox:
        outbox.queue("clinic", [Goods("1.2", "1.2.3", "1", "objects/1", "")], now)
    Debts(node.archive.layout.root).note(PendingReport("CAMERA1", "1.2.3.4", (), now))
    found = told(node)
    assert found["status"] == "ok"
    assert found["checks"]["outbox"]["queued"] == 1 and found["checks"]["reports"]["owed"] == 1
    later(node, monkeypatch, hours=25)
    assert set(degraded(node)) == {"outbox", "reports"}
    assert figures(node)["archiver_outbox_oldest_hours"] == pytest.approx(25, abs=0.1)


def test_a_backup_and_an_audit_are_missed_when_they_are_due(
    node: Node, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    later(node, monkeypatch, days=8)
    assert set(degraded(node)) == {"backup"}
    when = datetime.now(timezone.utc)
    report = back_up(node.archive.layout.root, tmp_path / "target", time=when)
    note = f"backup {report.number}"
    note_operation(node.archive, Operation(OperationKind.BACKUP, when.isoformat(), True, note))
    later(node, monkeypatch, days=6)
    assert degraded(node) == {}
    assert told(node)["checks"]["backup"]["note"] == "backup 1"
    note_operation(node.archive, Operation(OperationKind.BACKUP, when.isoformat(), False, note))
    assert set(degraded(node)) == {"backup"}
    later(node, monkeypatch, days=101)
    assert set(degraded(node)) == {"backup", "audit"}


def test_a_certificate_is_told_of_before_it_ends(tmp_path: Path) -> None:
    files = tmp_path / "node.pem", tmp_path / "node.key"
    ends = datetime.now(timezone.utc) + timedelta(days=22)
    made = trustme.CA().issue_cert("127.0.0.1", not_after=ends)
    made.private_key_pem.write_to_path(files[1])
    files[0].write_bytes(b"".join(one.bytes() for one in made.cert_chain_pems))
    said = run("openssl", "x509", "-enddate", "-noout", "-dateopt", "iso_8601", "-in", files[0])
    stamp = said.stdout.strip().partition("=")[2].replace("Z", "+00:00")
    assert valid_until(files[0]) == datetime.fromisoformat(stamp)
    with serving(tmp_path / "archive", certificate=files[0], key=files[1]) as node:
        looking: NodeHealth = node.health
        assert looking.checks()["certificates"].wellness.word == "ok"
        now = datetime.now(timezone.utc) + timedelta(days=2)
        looking._clock = lambda: now
        check = looking.checks()["certificates"]
        assert check.wellness.word == "degraded"
        assert check.figures["certificate_days_left:node"] == pytest.approx(20, abs=0.1)


def test_a_file_that_is_no_certificate_has_no_end(tmp_path: Path) -> None:
    for content in (b"", b"-----BEGIN CERTIFICATE-----\nMAA=\n-----END CERTIFICATE-----\n"):
        (tmp_path / "bad.pem").write_bytes(content)
        assert valid_until(tmp_path / "bad.pem") is None
    assert valid_until(tmp_path / "none.pem") is None


def test_settings_say_what_is_expected(tmp_path: Path) -> None:
    found = settings_of({"watch": {"reserve_megabytes": 5, "backup_days": 2}}, tmp_path).watch
    assert found.reserve_bytes == 5 * MEGABYTE and found.backup_days == 2.0
    with pytest.raises(UsageError, match=r"unknown key \"spare\""):
        settings_of({"watch": {"spare": 5}}, tmp_path)
