"""A sender that is killed at any moment loses no object, and promises none that is not safe.

Two hundred small objects, fewer in a short run; rounds by ARCHIVER_KILLS.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from archiver.archive.store.archive import Archive
from archiver.network.outbox import delivery_state
from archiver.network.outbox.delivery_state import State
from archiver.network.outbox.outbox import Outbox
from tests.network import client_objects as objects
from tests.network import client_peers as peers
from tests.network.node_serving import TITLE, Served
from tests.network.test_client_outbox import START, Clinic

ROUNDS = int(os.environ.get("ARCHIVER_KILLS", "2"))
OBJECTS = 200 if "ARCHIVER_KILLS" in os.environ else 40
#: Returns UIDs of what the peer has.
There = Callable[[], set[str]]


class Sender:
    """Sends, is killed, and is held to what it noted.

    Parameters
    ----------
    archive
        Of the objects.
    words
        The peer.
    there
        What the peer has.
    """

    def __init__(self, archive: Path, words: list[str], there: There) -> None:
        self.archive, self.there = archive, there
        module = "tests.network.client_killed_sender"
        self.command = [sys.executable, "-m", module, str(archive), *words]
        self.said: set[str] = set()
        with Outbox.open(archive) as outbox:
            outbox.queue("clinic", objects.goods(archive), START)

    def killed(self, moment: int) -> set[str]:
        """Run until it has said so many lines; return what is noted as stored after the kill."""
        process = subprocess.Popen(self.command, stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        with process, process.stdout as lines:
            for number, line in enumerate(lines):
                if line.startswith("committed"):
                    self.said.add(line.split()[1])
                if number == moment:
                    process.kill()
        return self.checked()

    def finish(self) -> None:
        """Try everything again at once, until the end."""
        with Outbox.open(self.archive) as outbox:
            rows = outbox.shipments()
            outbox.save(rows, [delivery_state.tried_again(one, START) for one in rows])
        last = subprocess.run(self.command, capture_output=True, text=True, timeout=240)
        assert last.returncode == 0, last.stderr
        self.checked()
        with Outbox.open(self.archive) as outbox:
            assert {one.state for one in outbox.shipments()} == {State.COMMITTED}

    def checked(self) -> set[str]:
        """Hold the outbox against the peer; return what is noted as stored there."""
        with Outbox.open(self.archive) as outbox:
            rows = outbox.shipments()
        assert len(rows) == OBJECTS
        safe = {one.sop_instance for one in rows if one.state is State.COMMITTED}
        stored = {one.sop_instance for one in rows if one.state is State.SENT} | safe
        there = self.there()
        assert self.said <= safe <= there
        assert stored <= there
        return stored


def moments() -> list[int]:
    """After how many lines each round ends; few where there are many rounds."""
    chance = random.Random(7)
    return [chance.randrange(1, max(3, 2 * OBJECTS // ROUNDS)) for _ in range(ROUNDS)]


def test_a_clinic_gets_every_object_and_what_is_noted_only_once(tmp_path: Path) -> None:
    archive, clinic = objects.small_objects(tmp_path, OBJECTS), Clinic()
    with peers.pynetdicom_server(clinic.handlers) as port:
        sender = Sender(archive, ["CLINIC", str(port)], lambda: set(clinic.kept))
        noted: dict[str, int] = {}
        for moment in moments():
            for one in sender.killed(moment):
                noted.setdefault(one, clinic.stored[one])
        sender.finish()
    assert len(clinic.kept) == OBJECTS
    # A kill can fall between the peer's answers and our notes of them; what is noted is not
    # sent again, whether it was committed by then or not.
    assert {one: clinic.stored[one] for one in noted} == noted
    for record in objects.records(archive):
        assert clinic.kept[record.sop_instance_uid] == objects.data_set(Path(record.path))
    again = sum(times > 1 for times in clinic.stored.values())
    print(f"{ROUNDS} kills: {OBJECTS} objects at the clinic, {again} of them sent more than once")


@pytest.mark.parametrize("way", ["dimse", "web"])
def test_a_node_has_every_object_exactly_once(tmp_path: Path, way: str) -> None:
    archive, theirs = objects.small_objects(tmp_path, OBJECTS), tmp_path / "theirs"

    def there() -> set[str]:
        with Archive.open(theirs, create=False, read_only=True) as opened:
            return {uid for uid in uids if opened.has(uid)}

    uids = {record.sop_instance_uid for record in objects.records(archive)}
    with Served(theirs) as served:
        words = [TITLE, str(served.port)] if way == "dimse" else [served.where["dicomweb"]]
        sender = Sender(archive, words, there)
        for moment in moments():
            sender.killed(moment)
        sender.finish()
        assert served.stop()[0] == 0
    kept = {path.stem: path for path in (theirs / "objects").rglob("*.dcm")}
    assert set(kept) == uids and len(list((theirs / "objects").rglob("*.dcm"))) == OBJECTS
    for record in objects.records(archive):
        theirs_bytes = objects.data_set(kept[record.sop_instance_uid])
        assert theirs_bytes == objects.data_set(Path(record.path))
    print(f"{ROUNDS} kills: {OBJECTS} objects in the node's archive, each once")
