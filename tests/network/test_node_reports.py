"""Commitment reports that come late, and those that our node owes: neither a stop nor a kill
loses them."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from pydicom import Dataset
from pydicom.uid import generate_uid
from pynetdicom import AE, build_role, evt

from archiver.access.rights import Scope
from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.network.client.dimse.link import open_link
from archiver.network.node.reports import commitment
from archiver.network.node.reports.commitment import CommitmentReport, ReportDelivery
from archiver.network.node.reports.pending_reports import Debts, PendingReport, Reference
from archiver.network.outbox.delivery_state import State
from archiver.network.outbox.outbox import Outbox
from archiver.network.outbox.outbox_worker import work
from archiver.network.peers import TimeLimits
from tests.network import client_objects as objects
from tests.network import client_peers as peers
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, Served, serving, store
from tests.network.test_client_outbox import Clinic, Time

WELL_KNOWN = peers.COMMITMENT + ".1"


def clinic_at(port: int) -> str:
    return f'[[peer]]\nname = "clinic"\nhost = "127.0.0.1"\nport = {port}\ntitle = "CLINIC"\n'


def report_to(port: int, told: Dataset, *, title: str = "CLINIC", kind: int = 1) -> int:
    """Report as an imaging archive does, on an association of its own; return the answer."""
    association = AE(title).associate(
        "127.0.0.1",
        port,
        contexts=peers.report_contexts(),
        ae_title=TITLE,
        ext_neg=[build_role(peers.COMMITMENT, scp_role=True)],
    )
    assert association.is_established
    status, _ = association.send_n_event_report(told, kind, peers.COMMITMENT, WELL_KNOWN)
    association.release()
    return int(status.Status)


@pytest.fixture
def waiting(tmp_path: Path) -> tuple[Path, Dataset]:
    """An archive whose five objects are stored at the clinic, and the report that is to come."""
    archive = objects.small_objects(tmp_path, 5)
    clinic, time = Clinic("never"), Time()
    limits = TimeLimits(connect=5, answer=5, commitment=0.2)
    with peers.pynetdicom_server(clinic.handlers) as port, Outbox.open(archive) as outbox:
        outbox.queue("clinic", objects.goods(archive), time.now)
        list(work(outbox, peers.peer_at(port, limits=limits), time.world()))
        rows = outbox.shipments()
    told = Dataset()
    told.TransactionUID = rows[0].transaction
    told.ReferencedSOPSequence = []
    for one in rows:
        item = Dataset()
        item.ReferencedSOPClassUID, item.ReferencedSOPInstanceUID = one.sop_class, one.sop_instance
        told.ReferencedSOPSequence.append(item)
    return archive, told


def _states(archive: Path) -> list[State]:
    with Outbox.open(archive) as outbox:
        return [one.state for one in outbox.shipments()]


def test_a_report_that_comes_hours_later_reaches_the_outbox_through_the_node(
    waiting: tuple[Path, Dataset],
) -> None:
    archive, told = waiting
    assert _states(archive) == [State.SENT] * 5
    with Served(archive, clinic_at(1)) as served:
        assert report_to(served.port, told) == 0
        assert _states(archive) == [State.COMMITTED] * 5
        # Told twice, it changes nothing.
        assert report_to(served.port, told) == 0
        status, log = served.stop()
    assert status == 0 and '"committed": 5' in log
    assert _states(archive) == [State.COMMITTED] * 5


def test_a_late_report_of_a_part_commits_a_part(waiting: tuple[Path, Dataset]) -> None:
    archive, told = waiting
    *others, one = told.ReferencedSOPSequence
    told.ReferencedSOPSequence = others
    one.FailureReason = 0x0112
    told.FailedSOPSequence = [one]
    with serving(archive, peers=[peers.peer_at(1)]) as node:
        assert report_to(node.dimse.port, told, kind=2) == 0
    assert sorted(state.value for state in _states(archive)) == ["committed"] * 4 + ["queued"]


def test_nobody_else_can_say_that_an_object_is_safe(waiting: tuple[Path, Dataset]) -> None:
    archive, told = waiting
    with serving(archive, peers=[peers.peer_at(1)]) as node:
        assert report_to(node.dimse.port, told, title="STRANGER") == 0
        assert report_to(node.dimse.port, told, kind=3) == 0x0113
        other = Dataset()
        other.update(told)
        other.TransactionUID = generate_uid()
        assert report_to(node.dimse.port, other) == 0
        nonsense = Dataset()
        nonsense.PatientID = "P"
        assert report_to(node.dimse.port, nonsense) == 0x0115
    assert _states(archive) == [State.SENT] * 5


class Caller:
    """An application that asks our node to take charge, and takes reports when it likes."""

    def __init__(self) -> None:
        self.answer = 0
        self.reports: list[tuple[int, Dataset]] = []
        self.asked, self.came = threading.Event(), threading.Event()

    def take(self, event: Any) -> tuple[int, None]:
        self.asked.set()
        if self.answer == 0:
            self.reports.append((event.event_type, event.event_information))
            self.came.set()
        return self.answer, None

    def ask(self, port: int, uid: str) -> str:
        """Ask for one instance; return the transaction."""
        asked = Dataset()
        asked.TransactionUID = transaction = generate_uid()
        item = Dataset()
        item.ReferencedSOPClassUID, item.ReferencedSOPInstanceUID = samples.PHOTOGRAPH, uid
        asked.ReferencedSOPSequence = [item]
        peer = peers.peer_at(port, title=TITLE, calling="CLINIC")
        bound = [(evt.EVT_N_EVENT_REPORT, self.take)]
        with open_link(peer, peers.report_contexts(), bound=bound) as link:
            status, _ = link.association.send_n_action(asked, 1, peers.COMMITMENT, WELL_KNOWN)
            assert status.Status == 0
            assert self.asked.wait(10)
        return str(transaction)

    @contextlib.contextmanager
    def listening(self, port: int) -> Iterator[None]:
        entity = AE("CLINIC")
        entity.add_supported_context(peers.COMMITMENT, scu_role=True, scp_role=True)
        server = entity.start_server(
            ("127.0.0.1", port),
            block=False,
            evt_handlers=[(evt.EVT_N_EVENT_REPORT, self.take)],
        )
        assert server is not None
        yield
        server.shutdown()


def _until(holds: Callable[[], bool]) -> None:
    for _ in range(1000):
        if holds():
            return
        threading.Event().wait(0.01)
    raise AssertionError


def _owed(archive: Path) -> list[Path]:
    return list((archive / "commitments").glob("*"))


def test_a_report_that_nobody_took_is_delivered_after_a_kill_and_a_restart(tmp_path: Path) -> None:
    archive, back, caller = tmp_path / "archive", peers.free_port(), Caller()
    with Served(archive, clinic_at(back), "--web-port", "-1") as served:
        store(served.port, samples.save(samples.photograph(1), tmp_path))
        caller.answer = 0x0110
        transaction = caller.ask(served.port, samples.instance_uid(1))
        assert len(_owed(archive)) == 1
        served.kill()
    assert len(_owed(archive)) == 1 and not caller.reports
    caller.answer = 0
    with caller.listening(back), Served(archive, clinic_at(back), "--web-port", "-1") as served:
        assert caller.came.wait(20)
        _until(lambda: not _owed(archive))
        assert served.stop()[0] == 0
    ((kind, told),) = caller.reports
    assert (kind, told.TransactionUID) == (1, transaction)
    assert told.ReferencedSOPSequence[0].ReferencedSOPInstanceUID == samples.instance_uid(1)


def test_a_report_that_was_taken_is_owed_no_more(tmp_path: Path) -> None:
    caller = Caller()
    with serving(tmp_path / "archive", peers=[peers.peer_at(1)]) as node:
        caller.ask(node.dimse.port, "1.2.3.4")
        _until(lambda: not _owed(tmp_path / "archive"))
    ((kind, told),) = caller.reports
    assert kind == 2 and told.FailedSOPSequence[0].FailureReason == 0x0112


def test_a_node_that_is_stopped_keeps_what_it_owes(tmp_path: Path) -> None:
    caller = Caller()
    caller.answer = 0x0110
    with serving(tmp_path / "archive", peers=[peers.peer_at(peers.free_port())]) as node:
        caller.ask(node.dimse.port, "1.2.3.4")
    assert len(_owed(tmp_path / "archive")) == 1


def _report(owed: PendingReport) -> CommitmentReport:
    return CommitmentReport(owed.transaction, owed.references, ())


def test_reports_are_tried_again_until_their_peer_takes_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(commitment, "wait_after", lambda *_: timedelta(seconds=0.05))
    debts, back, caller = Debts(tmp_path), peers.free_port(), Caller()
    owed = [
        PendingReport("CLINIC", f"1.2.{n}", (Reference("1.2", "1.3"),), datetime.now(timezone.utc))
        for n in range(3)
    ]
    for one in owed:
        debts.note(one)
    told: list[str] = []
    delivery = ReportDelivery(debts, {"CLINIC": peers.peer_at(back)}, _report, told.append)
    try:
        caller.answer = 0x0110
        with caller.listening(back):
            threading.Event().wait(0.3)
            assert debts.all() == owed
            caller.answer = 0
            _until(lambda: not debts.all())
    finally:
        delivery.close()
    assert {str(d.TransactionUID) for _, d in caller.reports} == {"1.2.0", "1.2.1", "1.2.2"}
    assert not told


def test_what_nobody_took_for_a_week_is_given_up_and_told(tmp_path: Path) -> None:
    debts, told = Debts(tmp_path), list[str]()
    now = datetime.now(timezone.utc)
    references = (Reference("1.2", "1.3"),)
    debts.note(PendingReport("CLINIC", "1.2.1", references, now - timedelta(days=8)))
    debts.note(PendingReport("NOBODY", "1.2.2", references, now))
    (tmp_path / "commitments" / "broken.json").write_text('{"caller": ')
    ReportDelivery(debts, {"CLINIC": peers.peer_at(1)}, _report, told.append).close()
    assert [owed.transaction for owed in debts.all()] == ["1.2.2"]
    assert any("could not be delivered" in line for line in told)
    assert any("nowhere to go" in line for line in told)


def test_who_has_to_do_with_other_studies_is_committed_nothing(tmp_path: Path) -> None:
    with Archive.open(objects.small_objects(tmp_path, 1), read_only=True) as archive:
        (one,) = archive.query(Query())
        asked = [Reference(one.sop_class_uid, one.sop_instance_uid)]
        for study, found in ((one.study_uid, []), ("1.2.3", [(asked[0], 0x0112)])):
            report = commitment.look_at(archive, "1.2", asked, Scope(studies=(study,)))
            assert list(report.missing) == found
