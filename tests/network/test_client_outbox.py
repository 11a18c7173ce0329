"""The outbox: what is sent, committed, tried again, dropped, and never lost."""

from __future__ import annotations

import json
import threading
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydicom import Dataset
from pydicom.uid import generate_uid
from pynetdicom import AE, evt

from archiver.archive.index_rebuild import rebuild
from archiver.archive.query import Query
from archiver.archive.statements import ConsentScope, RejectionRequest, note, reject
from archiver.archive.store.archive import Archive
from archiver.archive.store.journal_lines import read_lines
from archiver.errors import (
    ArchiveError,
    IntegrityError,
    NetworkError,
    Problem,
    RefusedForGood,
    packed,
    unpacked,
)
from archiver.network.client.dimse.commitment import report_of
from archiver.network.outbox import delivery_state
from archiver.network.outbox.card import standing_of
from archiver.network.outbox.delivery_state import Delivery, State
from archiver.network.outbox.outbox import Goods, Outbox
from archiver.network.outbox.outbox_worker import OutboxContext, take_late_report, work
from archiver.network.outgoing_object import Sent
from archiver.network.peers import TimeLimits
from archiver.network.statuses import Service, rows, status_of
from archiver.objects import Purpose, concepts
from tests.cli.sessions import archiver
from tests.network import client_objects as objects
from tests.network import client_peers as peers
from tests.new_archive import new_archive

START = datetime(2026, 3, 4, 12, tzinfo=timezone.utc)


class Time:
    """A clock that the test moves."""

    def __init__(self) -> None:
        self.now = START

    def world(self) -> OutboxContext:
        return OutboxContext(lambda: self.now, lambda: 0.0, lambda: str(generate_uid(prefix=None)))


class Clinic:
    """An imaging archive that stores, and takes charge as the test tells it."""

    def __init__(self, way: str = "same", *, back: int = 0) -> None:
        self.way, self.back = way, back
        self.kept: dict[str, bytes] = {}
        self.stored: Counter[str] = Counter()
        self.transactions: list[str] = []
        self.refused: set[str] = set()
        self.status = 0x0000

    @property
    def handlers(self) -> list[Any]:
        return [
            (evt.EVT_C_STORE, self._store),
            (evt.EVT_N_ACTION, self._action),
            (evt.EVT_RELEASED, lambda _event: None),
        ]

    def _store(self, event: Any) -> int:
        uid = str(event.request.AffectedSOPInstanceUID)
        if self.status == 0:
            self.kept[uid] = event.encoded_dataset(include_meta=False)
            self.stored[uid] += 1
        return self.status

    def report(self, asked: Dataset) -> Dataset:
        told = Dataset()
        told.TransactionUID = asked.TransactionUID
        told.ReferencedSOPSequence, failed = [], []
        for item in asked.ReferencedSOPSequence:
            uid = str(item.ReferencedSOPInstanceUID)
            if uid in self.refused or uid not in self.kept:
                bad = Dataset()
                bad.ReferencedSOPClassUID = item.ReferencedSOPClassUID
                bad.ReferencedSOPInstanceUID = uid
                bad.FailureReason = 0x0110 if uid in self.refused else 0x0112
                failed.append(bad)
            else:
                told.ReferencedSOPSequence.append(item)
        if failed:
            told.FailedSOPSequence = failed
        return told

    def _action(self, event: Any) -> tuple[int, None]:
        asked = event.action_information
        self.transactions.append(str(asked.TransactionUID))
        if self.way == "refuse":
            return 0x0213, None
        if self.way == "lost":
            event.assoc.abort()
            return 0x0000, None
        told = self.report(asked)
        kind = 2 if "FailedSOPSequence" in told else 1
        if self.way == "same":
            # After the answer: the report is sent when the association is idle again.
            threading.Thread(target=self._on_same, args=(event.assoc, told, kind)).start()
        elif self.way == "new":
            threading.Thread(target=self._on_new, args=(told, kind)).start()
        return 0x0000, None

    def _on_same(self, association: Any, told: Dataset, kind: int) -> None:
        association.send_n_event_report(told, kind, peers.COMMITMENT, peers.COMMITMENT + ".1")

    def _on_new(self, told: Dataset, kind: int) -> None:
        from pynetdicom import build_role

        entity = AE("CLINIC")
        association = entity.associate(
            "127.0.0.1",
            self.back,
            contexts=peers.report_contexts(),
            ae_title="ARCHIVER",
            ext_neg=[build_role(peers.COMMITMENT, scp_role=True)],
        )
        assert association.is_established
        association.send_n_event_report(told, kind, peers.COMMITMENT, peers.COMMITMENT + ".1")
        association.release()


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """Five small objects."""
    return objects.small_objects(tmp_path, 5)


def _states(outbox: Outbox) -> Counter[str]:
    return Counter(one.state.value for one in outbox.shipments())


def test_nothing_goes_to_a_peer_without_the_consent_that_its_settings_ask_for(
    archive: Path,
) -> None:
    clinic, time = Clinic(), Time()
    with Archive.open(archive, clock=lambda: START) as opened:
        one, *others = opened.query(Query())
        patient = (one.patient_id, one.issuer)
        uids = [record.sop_instance_uid for record in others]
        by, purpose = "Haugen^Liv", Purpose.REFERRAL
        request = RejectionRequest((uids.pop(),), concepts.REJECTED_FOR_SAFETY, by=by)
        (noted,) = reject(opened, request, START)
        scope = ConsentScope(recipient="clinic", pictures=(one.sop_instance_uid,))
        note(opened, patient, purpose, by=by, now=START, scope=scope)
        with peers.pynetdicom_server(clinic.handlers) as port, Outbox.open(archive) as outbox:
            peer = replace(peers.peer_at(port), consent=purpose)
            outbox.queue("clinic", objects.goods(archive), time.now)
            list(work(outbox, peer, time.world()))
            # Of the note, who has what is rejected has to know, consent or not.
            assert set(clinic.stored) == {one.sop_instance_uid, noted.uid}
            failed = outbox.shipments(states=[State.FAILED])
            assert len(failed) == 3 and "consent for the purpose referral" in str(failed[0].reason)
            note(opened, patient, purpose, by=by, now=START)
            outbox.save(failed, [delivery_state.tried_again(o, time.now) for o in failed])
            list(work(outbox, peer, time.world()))
            assert len(clinic.stored) == 5
            edited = (archive / "consents.jsonl").read_bytes()[:-9]
            (archive / "consents.jsonl").write_bytes(edited)
            outbox.queue("north", objects.goods(archive), time.now)
            with pytest.raises(IntegrityError, match=r"consents.jsonl"):
                list(work(outbox, replace(peer, name="north"), time.world()))
    assert len(clinic.stored) == 5


def test_what_the_peer_takes_charge_of_on_the_same_association_is_committed(archive: Path) -> None:
    clinic, time = Clinic(), Time()
    with peers.pynetdicom_server(clinic.handlers) as port, Outbox.open(archive) as outbox:
        assert outbox.queue("clinic", objects.goods(archive), time.now).new == 5
        list(work(outbox, peers.peer_at(port), time.world()))
        assert _states(outbox) == {"committed": 5}
        again = outbox.queue("clinic", objects.goods(archive), time.now)
        assert (again.new, again.committed) == (0, 5)
        time.now += timedelta(days=9)
        assert list(work(outbox, peers.peer_at(port), time.world())) == []
    assert set(clinic.stored.values()) == {1}
    assert len(clinic.transactions) == 1
    for record in objects.records(archive):
        assert clinic.kept[record.sop_instance_uid] == objects.data_set(Path(record.path))


def test_a_report_on_an_association_of_its_own_counts(archive: Path) -> None:
    back = peers.free_port()
    clinic, time = Clinic("new", back=back), Time()
    with peers.pynetdicom_server(clinic.handlers) as port, Outbox.open(archive) as outbox:
        outbox.queue("clinic", objects.goods(archive), time.now)
        peer = peers.peer_at(port, listen_port=back, listen_host="127.0.0.1")
        list(work(outbox, peer, time.world()))
        assert _states(outbox) == {"committed": 5}


def test_without_a_report_nothing_is_safe_and_it_is_asked_again_without_sending_again(
    archive: Path,
) -> None:
    clinic, time = Clinic("never"), Time()
    limits = TimeLimits(connect=5, answer=5, commitment=0.2)
    with peers.pynetdicom_server(clinic.handlers) as port, Outbox.open(archive) as outbox:
        peer = peers.peer_at(port, limits=limits)
        outbox.queue("clinic", objects.goods(archive), time.now)
        list(work(outbox, peer, time.world()))
        assert _states(outbox) == {"sent": 5}
        assert list(work(outbox, peer, time.world())) == []  # its next attempt is later
        clinic.way = "same"
        time.now += timedelta(hours=1)
        list(work(outbox, replace(peer, limits=peers.QUICK), time.world()))
        assert _states(outbox) == {"committed": 5}
    assert set(clinic.stored.values()) == {1}
    assert len(set(clinic.transactions)) == len(clinic.transactions) == 2


def test_a_report_that_comes_when_nobody_waits_any_more_is_taken(archive: Path) -> None:
    clinic, time = Clinic("never"), Time()
    limits = TimeLimits(connect=5, answer=5, commitment=0.2)
    with peers.pynetdicom_server(clinic.handlers) as port, Outbox.open(archive) as outbox:
        outbox.queue("clinic", objects.goods(archive), time.now)
        list(work(outbox, peers.peer_at(port, limits=limits), time.world()))
        one, *others = outbox.shipments()
        told = Dataset()
        told.TransactionUID = one.transaction
        item = Dataset()
        item.ReferencedSOPInstanceUID = one.sop_instance
        told.ReferencedSOPSequence = [item]
        take_late_report(outbox, report_of(told), time.world(), {"another"})
        assert _states(outbox) == {"sent": 5}
        take_late_report(outbox, report_of(told), time.world(), {"clinic"})
        assert _states(outbox) == {"committed": 1, "sent": len(others)}


def test_a_link_lost_once_the_request_arrived_leaves_its_transaction(archive: Path) -> None:
    clinic, time = Clinic("never"), Time()
    limits = TimeLimits(connect=5, answer=5, commitment=0.2)
    with peers.pynetdicom_server(clinic.handlers) as port, Outbox.open(archive) as outbox:
        outbox.queue("clinic", objects.goods(archive), time.now)
        peer = peers.peer_at(port, limits=limits)
        list(work(outbox, peer, time.world()))
        clinic.way = "lost"
        time.now += timedelta(hours=1)
        list(work(outbox, peer, time.world()))
        earlier, latest = clinic.transactions
        assert earlier != latest
        assert {one.transaction for one in outbox.shipments()} == {latest}
        assert {one.attempts for one in outbox.shipments()} == {3}


def test_who_wants_all_tried_again_changes_no_transaction_asked_for_meanwhile(
    archive: Path,
) -> None:
    clinic, time = Clinic("never"), Time()
    limits = TimeLimits(connect=5, answer=5, commitment=0.2)
    with peers.pynetdicom_server(clinic.handlers) as port, Outbox.open(archive) as outbox:
        outbox.queue("clinic", objects.goods(archive), time.now)
        peer = peers.peer_at(port, limits=limits)
        list(work(outbox, peer, time.world()))
        shown = outbox.shipments()
        time.now += timedelta(hours=1)
        list(work(outbox, peer, time.world()))
        outbox.save(shown, [delivery_state.tried_again(one, time.now) for one in shown])
        _, latest = clinic.transactions
        assert {(one.transaction, one.attempts) for one in outbox.shipments()} == {(latest, 0)}


def test_a_partial_report_commits_a_part(archive: Path) -> None:
    clinic, time = Clinic(), Time()
    uids = sorted(r.sop_instance_uid for r in objects.records(archive))
    clinic.refused = set(uids[:2])
    with peers.pynetdicom_server(clinic.handlers) as port, Outbox.open(archive) as outbox:
        outbox.queue("clinic", objects.goods(archive), time.now)
        list(work(outbox, peers.peer_at(port), time.world()))
        by_uid = {one.sop_instance: one for one in outbox.shipments()}
        for uid in uids[2:]:
            assert by_uid[uid].state is State.COMMITTED
        for uid in uids[:2]:
            assert by_uid[uid].state is State.QUEUED
            assert "not taken charge of" in str(by_uid[uid].reason)
        clinic.refused = set()
        time.now += timedelta(hours=1)
        list(work(outbox, peers.peer_at(port), time.world()))
        assert _states(outbox) == {"committed": 5}
    assert {uid: clinic.stored[uid] for uid in uids[2:]} == dict.fromkeys(uids[2:], 1)


def test_a_peer_that_vanishes_between_store_and_commitment_leaves_all_sent(archive: Path) -> None:
    clinic, time = Clinic(), Time()
    with Outbox.open(archive) as outbox:
        outbox.queue("clinic", objects.goods(archive), time.now)
        with peers.pynetdicom_server(clinic.handlers) as port:
            peer = peers.peer_at(port)
            with outbox.sole_sender("clinic"):
                from archiver.network.outbox.outbox_worker import _send_due

                list(_send_due(outbox, peer, time.world()))
        list(work(outbox, peer, time.world()))
        assert _states(outbox) == {"sent": 5}
        assert all("cannot be reached" in str(one.reason) for one in outbox.shipments())


@pytest.mark.parametrize("commitment", [True, False])
def test_a_peer_without_commitment_makes_nothing_safe(archive: Path, commitment: bool) -> None:
    clinic, time = Clinic(), Time()
    with (
        peers.pynetdicom_server(clinic.handlers, commitment=False) as port,
        Outbox.open(archive) as outbox,
    ):
        outbox.queue("clinic", objects.goods(archive), time.now)
        list(work(outbox, peers.peer_at(port, commitment=commitment), time.world()))
        assert _states(outbox) == {"sent": 5}
        told = {str(one.reason) for one in outbox.shipments()}
        assert all(
            one.startswith("stored; the peer has no storage commitment, so keep the picture")
            for one in told
        ), told


def test_storescp_stores_and_makes_nothing_safe(archive: Path, tmp_path: Path) -> None:
    time = Time()
    with peers.storescp(tmp_path / "got") as port, Outbox.open(archive) as outbox:
        outbox.queue("clinic", objects.goods(archive), time.now)
        list(work(outbox, peers.peer_at(port), time.world()))
        assert _states(outbox) == {"sent": 5}
        assert {str(one.reason) for one in outbox.shipments()} == {
            "stored; the peer has no storage commitment, so keep the picture on the card "
            "(the peer accepts none of the services asked for)"
        }
    assert len(list((tmp_path / "got").iterdir())) == 5


def test_what_passes_is_tried_again_later_and_what_does_not_has_failed(archive: Path) -> None:
    clinic, time = Clinic(), Time()
    with peers.pynetdicom_server(clinic.handlers) as port, Outbox.open(archive) as outbox:
        outbox.queue("clinic", objects.goods(archive), time.now)
        clinic.status = 0xA700
        list(work(outbox, peers.peer_at(port), time.world()))
        assert _states(outbox) == {"queued": 5}
        assert {one.next_attempt for one in outbox.shipments()} == {
            START + delivery_state.FIRST_WAIT
        }
        assert list(work(outbox, peers.peer_at(port), time.world())) == []
        time.now += delivery_state.FIRST_WAIT
        clinic.status = 0xA900
        list(work(outbox, peers.peer_at(port), time.world()))
        assert _states(outbox) == {"failed": 5}
        rows = outbox.shipments()
        outbox.save(rows, [delivery_state.tried_again(one, time.now) for one in rows])
        clinic.status = 0
        list(work(outbox, peers.peer_at(port), time.world()))
        assert _states(outbox) == {"committed": 5}


HAS_IT = "the peer has an instance of this UID already (status 0111)"


def test_what_the_peer_has_already_counts_as_sent_and_is_safe_once_it_took_charge(
    archive: Path,
) -> None:
    clinic, time = Clinic("none"), Time()
    with peers.pynetdicom_server(clinic.handlers) as port, Outbox.open(archive) as outbox:
        peer = peers.peer_at(port, limits=TimeLimits(connect=5, answer=5, commitment=0.2))
        goods = objects.goods(archive)
        # It has four of the five, from a sender that noted nothing of it.
        clinic.kept = {one.sop_instance: b"" for one in goods[:4]}
        clinic.status = 0x0111
        outbox.queue("clinic", goods, time.now)
        list(work(outbox, peer, time.world()))
        assert _states(outbox) == {"sent": 5}
        note = f"{HAS_IT}; the peer has not yet reported that it took charge"
        assert {str(one.reason) for one in outbox.shipments()} == {note}
        clinic.way = "same"
        time.now += timedelta(hours=1)
        list(work(outbox, peers.peer_at(port), time.world()))
        assert _states(outbox) == {"committed": 4, "queued": 1}
        # Whoever clears a card is told that the peer had it from elsewhere.
        kept = outbox.shipments(states=[State.COMMITTED])
        assert {str(one.reason) for one in kept} == {HAS_IT}
        (left,) = outbox.shipments(states=[State.QUEUED])
        assert left.sop_instance == goods[4].sop_instance
        assert str(left.reason).startswith(f"{HAS_IT}, but not taken charge of: ")
        assert left.attempts == 3 and left.next_attempt > time.now


def test_a_warning_of_the_store_stays_beside_what_follows(archive: Path) -> None:
    clinic, time = Clinic(), Time()
    clinic.status = 0xB000
    with (
        peers.pynetdicom_server(clinic.handlers, commitment=False) as port,
        Outbox.open(archive) as outbox,
    ):
        outbox.queue("clinic", objects.goods(archive), time.now)
        for _ in range(2):
            list(work(outbox, peers.peer_at(port), time.world()))
            time.now += timedelta(hours=12)
        (told,) = {str(one.reason) for one in outbox.shipments()}
    assert told.startswith(
        "stored but the peer changed elements (status B000); the peer has no storage commitment"
    )
    assert told.count("; ") == 1


def test_nothing_that_a_store_is_answered_with_could_be_taken_for_what_follows() -> None:
    meanings = [str(row.meaning) for row in rows() if row.service.value != "find"]
    assert not [words for words in meanings if "; " in words]


@pytest.mark.parametrize(
    "fault",
    [["--refuse"], ["--abort-after"], ["--abort-during"], ["--sleep-during", 2]],
    ids=["refuses", "aborts after", "aborts within", "hangs"],
)
def test_what_a_peer_breaks_off_is_queued_and_arrives_once_it_behaves(
    archive: Path, tmp_path: Path, fault: list[object]
) -> None:
    time, limits = Time(), TimeLimits(connect=5, answer=0.5)
    with Outbox.open(archive) as outbox:
        outbox.queue("clinic", objects.goods(archive), time.now)
        with peers.storescp(tmp_path / "bad", *fault) as port:
            list(work(outbox, peers.peer_at(port, limits=limits), time.world()))
        assert _states(outbox) == {"queued": 5}
        assert all(one.reason and one.attempts == 1 for one in outbox.shipments())
        time.now += timedelta(hours=1)
        with peers.storescp(tmp_path / "good") as port:
            list(work(outbox, peers.peer_at(port), time.world()))
        assert _states(outbox) == {"sent": 5}
    whole = {objects.data_set(path) for path in (tmp_path / "good").iterdir()}
    assert whole == {objects.data_set(Path(r.path)) for r in objects.records(archive)}


def test_only_one_process_sends_to_a_peer(archive: Path) -> None:
    with (
        Outbox.open(archive) as outbox,
        outbox.sole_sender("clinic"),
        pytest.raises(ArchiveError, match="another process sends"),
        outbox.sole_sender("clinic"),
    ):
        raise AssertionError


def test_a_rebuilt_index_leaves_the_outbox(archive: Path) -> None:
    with Outbox.open(archive) as outbox:
        outbox.queue("clinic", objects.goods(archive), START)
        before = outbox.shipments()
    assert rebuild(archive).is_sound
    with Outbox.open(archive) as outbox:
        assert outbox.shipments() == before


_LOST = Problem("network.outgoing.unreadable", reason="gone")

# What may happen to a shipment, in any order.
_results = st.one_of(
    st.sampled_from([0x0000, 0x0111, 0xB000, 0xA700, 0xA900, 0xC000, 0x0124]).map(
        lambda code: Sent(status_of(Service.STORE, code), peers.EXPLICIT, False)
    ),
    st.sampled_from([NetworkError(_LOST), RefusedForGood(_LOST)]),
)
_events = st.one_of(
    st.tuples(st.just("result"), _results),
    st.tuples(st.just("report"), st.sampled_from([None, 0x0110, 0x0112, 0x0122])),
    st.tuples(st.just("silence"), st.none()),
    st.tuples(st.just("retry"), st.none()),
)


@given(st.lists(_events, max_size=40), st.floats(0, 1))
def test_committed_is_reached_only_by_a_report_after_a_store_and_never_left(
    events: list[tuple[str, Any]], jitter: float
) -> None:
    made = Delivery(
        "clinic",
        "1.2",
        "1.3",
        "1.4",
        "a",
        "",
        State.QUEUED,
        None,
        0,
        START,
        "",
        "",
        False,
        START,
        START,
    )
    one, stored = made, False
    for kind, value in events:
        before = one
        if kind == "result":
            one = delivery_state.after_sending(one, value, START, jitter)
            there = isinstance(value, Sent) and value.status.code == 0x0111
            done = there or (isinstance(value, Sent) and value.status.is_done)
            stored = stored or (done and before.state is State.QUEUED)
        elif kind == "report":
            failure = None if value is None else status_of(Service.COMMITMENT, value)
            one = delivery_state.after_report(one, failure, START, jitter)
        elif kind == "silence":
            one = delivery_state.without_report(one, _LOST, START, jitter)
        else:
            one = delivery_state.tried_again(one, START)
        if before.state is State.COMMITTED:
            assert one == before
        elif one.state is State.COMMITTED:
            assert stored and (kind, value) == ("report", None) and before.state is State.SENT
        if one.state is State.SENT:
            assert stored
        if one.reason is not None:
            assert unpacked(packed(one.reason)) == one.reason
        assert one.next_attempt >= START


@given(st.integers(1, 1000), st.floats(0, 1))
def test_waits_grow_to_a_bound_and_jitter_only_shortens_them(attempts: int, jitter: float) -> None:
    wait, longest = (
        delivery_state.wait_after(attempts, jitter),
        delivery_state.wait_after(attempts, 0),
    )
    assert longest / 2 <= wait <= longest <= delivery_state.LONGEST_WAIT
    assert delivery_state.wait_after(attempts + 1, 0) >= longest


def _settings(folder: Path, port: int) -> Path:
    path = folder / "archiver.toml"
    path.write_text(
        f'[[peer]]\nname = "clinic"\nhost = "127.0.0.1"\nport = {port}\ntitle = "CLINIC"\n'
        "limits = { connect = 5, answer = 20, commitment = 20 }\n"
    )
    return path


def test_the_command_line_sends_shows_drops_and_says_what_may_go_from_the_card(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = objects.photographs(tmp_path)
    clinic = Clinic()
    with peers.pynetdicom_server(clinic.handlers) as port:
        monkeypatch.setenv("ARCHIVER_SETTINGS", str(_settings(tmp_path, port)))
        place = ("--archive", archive)
        card = tmp_path / "card-P-0417"
        sent = archiver("send", "--to", "clinic", "--tooth", "iso:16", *place, "--json")
        assert sent.returncode == 0, sent.stderr
        assert json.loads(sent.stdout)["counts"]["committed"] == 2
        told = json.loads(archiver("outbox", "card", card, *place, "--json").stdout)
        assert {row["file"]: row["safe_to_delete"] for row in told} == {
            "A.JPG": True,
            "B.JPG": False,
            "C.PNG": False,
            "sheet.toml": False,
        }
        queued = archiver(
            "send", "--to", "clinic", "--everything", "--queue-only", *place, "--json"
        )
        assert json.loads(queued.stdout)["put_in"] == 2
        dropped = archiver("outbox", "drop", "--to", "clinic", "--state", "queued", *place)
        assert dropped.returncode == 0 and "2 dropped" in dropped.stdout
    shown = json.loads(archiver("outbox", *place, "--json").stdout)
    assert [row["state"] for row in shown] == ["committed", "committed"]
    lines = [line.entry for line in read_lines(archive / "journal.jsonl") if line.entry]
    assert [entry.action for entry in lines[-2:]] == ["dropped", "dropped"]
    assert set(clinic.stored.values()) == {1} and len(clinic.kept) == 2


def test_what_has_not_changed_since_the_last_sending_is_not_told_of_each_object_again(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with peers.storescp(tmp_path / "got") as port:
        monkeypatch.setenv("ARCHIVER_SETTINGS", str(_settings(tmp_path, port)))
        words = ("send", "--to", "clinic", "--archive", archive)
        first = archiver(*words, "--everything").stdout.splitlines()
        again = archiver(*words).stdout.splitlines()
    assert sum(line.startswith("sent ") for line in first) == 10
    assert len(again) == 2 and first[-2] == again[0]
    assert again[0].startswith("5 sent: stored; the peer has no storage commitment")
    assert again[1] == "0 put into the outbox; for clinic: 0 queued, 5 sent, 0 committed, 0 failed"


def test_who_clears_a_card_is_told_that_the_peer_has_decoded_copies(tmp_path: Path) -> None:
    archive, time, clinic = objects.photographs(tmp_path), Time(), Clinic()
    syntaxes = (peers.EXPLICIT, peers.IMPLICIT)
    with (
        peers.pynetdicom_server(clinic.handlers, syntaxes=syntaxes) as port,
        Outbox.open(archive) as outbox,
        Archive.open(archive, read_only=True) as opened,
    ):
        outbox.queue("clinic", objects.goods(archive), time.now)
        list(work(outbox, peers.peer_at(port), time.world()))
        digest = next(r.source_sha256 for r in objects.records(archive) if "16" in r.teeth)
        assert digest is not None
        standing = standing_of(opened, outbox, digest, None)
    assert standing.safe
    told = "took charge of all 2 instances; decoded copies, the JPEG data are in this archive alone"
    assert standing.why == f"clinic {told}"


def test_a_corrected_picture_that_is_not_committed_keeps_the_camera_file(tmp_path: Path) -> None:
    archive = objects.photographs(tmp_path)
    time = Time()
    clinic = Clinic()
    mirror = [r for r in objects.records(archive) if "16" in r.teeth]
    clinic.refused = {next(r.sop_instance_uid for r in mirror if r.role == "derived")}
    with (
        peers.pynetdicom_server(clinic.handlers) as port,
        Outbox.open(archive) as outbox,
        Archive.open(archive, read_only=True) as opened,
    ):
        outbox.queue("clinic", objects.goods(archive), time.now)
        list(work(outbox, peers.peer_at(port), time.world()))
        digest = mirror[0].source_sha256
        assert digest
        assert not standing_of(opened, outbox, digest, None).safe
        clinic.refused = set()
        time.now += timedelta(hours=1)
        list(work(outbox, peers.peer_at(port), time.world()))
        assert standing_of(opened, outbox, digest, None).safe
        assert not standing_of(opened, outbox, digest, "another").safe


def test_what_two_processes_queue_at_once_is_in_once(tmp_path: Path) -> None:
    new_archive(tmp_path / "archive")
    one, other = (Goods(f"1.2.{n}", "1.2", "1.2", "objects/x.dcm") for n in (1, 2))
    with Outbox.open(tmp_path / "archive") as mine, Outbox.open(tmp_path / "archive") as theirs:

        def between() -> Iterator[Goods]:
            # Read once it was looked what is in already.
            assert theirs.queue("clinic", [one], START).new == 1
            yield from (one, other)

        queued = mine.queue("clinic", between(), START)
        assert (queued.new, queued.waiting, queued.committed) == (1, 1, 0)
        assert sorted(s.sop_instance for s in mine.shipments()) == ["1.2.1", "1.2.2"]
