"""What the rules choose goes to other archives by itself, whatever ends in between."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from datetime import datetime, timezone
from pathlib import Path

import pytest

from archiver.archive.store.archive import Archive
from archiver.errors import UsageError
from archiver.network.outbox import ForwardingRule, Outbox, State, rules_of, tried_again
from archiver.network.outbox.forwarding import FILE, Follower
from archiver.network.peers import Peer
from tests.archive.archive_samples import NOON, incoming, uid
from tests.cli.in_process import archiver
from tests.network import client_peers as peers
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, Served, serving, store

PHOTOGRAPH = "1.2.840.10008.5.1.4.1.1.77.1.4"


def wait_for(holds: Callable[[], bool], seconds: float = 60) -> None:
    until = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < until
        time.sleep(0.1)


def settings(port: int, rule: str = "") -> str:
    return (
        f'[[peer]]\nname = "clinic"\nhost = "127.0.0.1"\nport = {port}\ntitle = "{TITLE}"\n'
        f'[[forward]]\nto = "clinic"\n{rule}'
    )


def test_what_arrives_and_what_is_archived_beside_goes_on_without_a_cron_job(
    tmp_path: Path,
) -> None:
    with (
        serving(tmp_path / "clinic") as clinic,
        Served(tmp_path / "archive", settings(clinic.dimse.port)) as served,
    ):
        wait_for((tmp_path / "archive" / FILE).exists)
        store(served.port, samples.save(samples.photograph(1), tmp_path))
        added = samples.save(samples.radiograph(2), tmp_path)
        assert archiver("add", added, "--archive", tmp_path / "archive").returncode == 0
        wait_for(lambda: len(clinic.archive) == 2)

        def committed() -> bool:
            with Outbox.open(tmp_path / "archive") as outbox:
                return len(outbox.shipments("clinic", [State.COMMITTED])) == 2

        wait_for(committed)
        status, log = served.stop()
        assert status == 0
        lines = [json.loads(line) for line in log.splitlines() if line.startswith("{")]
        assert sum(one["instances"] for one in lines if one["event"] == "forwarding") == 2
        assert not [one for one in lines if one["event"] == "failure"]


def test_what_was_confirmed_before_a_kill_goes_on_after_the_next_start(tmp_path: Path) -> None:
    """The peer is away at first; nothing that was queued or not yet looked at is lost."""
    port = peers.free_port()
    archive = tmp_path / "archive"
    with Served(archive, settings(port)) as served:
        wait_for((archive / FILE).exists)
        store(served.port, samples.save(samples.photograph(1), tmp_path))
        served.kill()
    with Archive.open(archive) as opened:
        opened.put([incoming(7)])
    with serving(tmp_path / "clinic", dimse_port=port) as clinic, Served(archive, settings(port)):

        def arrived() -> bool:
            # Where the peer was tried while it was away, its next turn is in minutes.
            with Outbox.open(archive) as outbox:
                waiting = outbox.shipments("clinic", [State.QUEUED])
                now = datetime.now(timezone.utc)
                outbox.save(waiting, [tried_again(one, now) for one in waiting])
            return len(clinic.archive) == 2

        wait_for(arrived, 120)


RULES: dict[str, tuple[ForwardingRule, set[int]]] = {
    "everything": (ForwardingRule("clinic"), {1, 2, 3, 4}),
    "what a camera stored": (ForwardingRule("clinic", sources=("CAMERA1",)), {2}),
    "what was made here": (ForwardingRule("clinic", sources=("here",)), {1, 4}),
    "of a class": (ForwardingRule("clinic", classes=("1.2.3",)), set()),
    "photographs": (ForwardingRule("clinic", classes=(PHOTOGRAPH,)), {1, 2, 3, 4}),
    "of a confirmed side": (ForwardingRule("clinic", confirmed=True), set()),
}


@pytest.mark.parametrize("kind", RULES)
def test_a_rule_chooses_by_source_class_and_confirmed_side(tmp_path: Path, kind: str) -> None:
    rule, wanted = RULES[kind]
    clinic: Peer = peers.peer_at(104, title="CLINIC")
    with Archive.open(tmp_path / "archive") as archive:
        archive.put([incoming(9)])
        follower = Follower(archive, [clinic], [rule])
        follower.follow(world())  # rules count from now on
        for number, origin in enumerate(
            ["", "C-STORE from CAMERA1@192.0.2.7", "STOW-RS from viewer@192.0.2.8", "a note"], 1
        ):
            one = incoming(number)
            archive.put([type(one)(one.description, one.parts, origin=origin)])
        assert follower.follow(world()) == len(wanted)
        assert follower.follow(world()) == 0
        if wanted:
            with Outbox.open(tmp_path / "archive") as outbox:
                found = {row.sop_instance for row in outbox.shipments("clinic")}
            assert found == {uid(number) for number in wanted}


def world() -> peers.Any:
    from archiver.network.outbox import OutboxContext

    return OutboxContext(lambda: NOON, lambda: 0.5, lambda: "2.25.1")


def test_what_a_peer_stored_is_not_sent_back_to_it(tmp_path: Path) -> None:
    with Archive.open(tmp_path / "archive") as archive:
        clinic: Peer = peers.peer_at(104, title="CLINIC")
        follower = Follower(archive, [clinic], [ForwardingRule("clinic")])
        follower.follow(world())
        one = incoming(1)
        archive.put([type(one)(one.description, one.parts, origin="C-STORE from CLINIC@192.0.2.9")])
        assert follower.follow(world()) == 0


def test_without_rules_nothing_goes_and_later_rules_begin_anew(tmp_path: Path) -> None:
    with Archive.open(tmp_path / "archive") as archive:
        clinic: Peer = peers.peer_at(104)
        for rules, count in (([ForwardingRule("clinic")], 0), ([], 0)):
            assert Follower(archive, [clinic], rules).follow(world()) == count
        archive.put([incoming(1)])
        following = Follower(archive, [clinic], [ForwardingRule("clinic")])
        assert following.follow(world()) == 0
        archive.put([incoming(2)])
        assert following.follow(world()) == 1


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"to": "nobody"}, "nobody"),
        ({"to": "clinic", "confirmed": "yes"}, "confirmed is neither true nor false"),
        ({"to": "clinic", "classes": "1.2"}, "classes is no list of texts"),
        ({"to": "clinic", "when": 1}, 'unknown key "when"'),
    ],
)
def test_a_rule_that_cannot_be_understood_is_told(table: dict[str, object], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        rules_of([table], (peers.peer_at(104),), "archiver.toml")
    with pytest.raises(UsageError, match="no list of tables"):
        rules_of("clinic", (), "archiver.toml")
