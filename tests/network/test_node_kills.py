"""The node is killed at random moments while it receives: what it confirmed is there, once, whole.

For a soak set ``ARCHIVER_KILL_ROUNDS``, such as 50.
"""

from __future__ import annotations

import os
import random
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

from archiver.archive.index_rebuild import rebuild
from archiver.archive.store.archive import Archive
from archiver.network.client.dimse.commitment import request_commitment
from archiver.network.peers import DimsePeer
from archiver.objects.uids import DerivedUids
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, Served

ROUNDS = int(os.environ.get("ARCHIVER_KILL_ROUNDS", "4"))
OBJECTS = 200
_FIRST = 1_000_000


def made(folder: Path) -> Iterator[Path]:
    """Files of small photographs, each of its own instance; made from one by its number alone."""
    folder.mkdir()
    model = samples.file_bytes(samples.photograph(_FIRST))
    old = samples.instance_uid(_FIRST).encode()
    number = _FIRST
    while True:
        number += 1
        path = folder / f"{samples.instance_uid(number)}.dcm"
        path.write_bytes(model.replace(old, samples.instance_uid(number).encode()))
        yield path


def send_and_kill(served: Served, files: list[Path], moment: float) -> set[str]:
    """Send until the node is killed; return the UIDs that it confirmed."""
    words = ["storescu", "-v", "-xy", "-aec", TITLE, "127.0.0.1", str(served.port)]
    sender = subprocess.Popen(
        [*words, *map(str, files)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    killing = threading.Timer(moment, served.process.kill)
    killing.start()
    said, _ = sender.communicate(timeout=120)
    killing.cancel()
    served.kill()
    confirmed: set[str] = set()
    current = ""
    for line in said.splitlines():
        if "Sending file: " in line:
            current = Path(line.partition("Sending file: ")[2]).stem
        elif "Received Store Response (Success)" in line:
            confirmed.add(current)
    return confirmed


def committed(served: Served, uids: list[str], number: int) -> set[str]:
    """Ask the node which instances it takes charge of."""
    peer = DimsePeer("node", "127.0.0.1", served.port, TITLE)
    found: set[str] = set()
    for begin in range(0, len(uids), 500):
        some = [(samples.PHOTOGRAPH, uid) for uid in uids[begin : begin + 500]]
        transaction = DerivedUids().uid("transaction", {"round": number, "begin": begin})
        report = request_commitment(peer, some, transaction)
        assert report is not None
        assert report.committed | set(report.failed) == {uid for _, uid in some}
        found |= report.committed
    return found


def on_disk(archive: Path) -> list[str]:
    return [path.stem for path in (archive / "objects").rglob("*.dcm")]


def test_a_node_killed_while_it_receives_has_everything_that_it_confirmed(tmp_path: Path) -> None:
    chance = random.Random(20260304)
    archive, coming = tmp_path / "archive", made(tmp_path / "sent")
    sent: list[Path] = []
    confirmed: set[str] = set()
    longest = 2.5
    for number in range(ROUNDS):
        open_ones = [path for path in sent if path.stem not in confirmed]
        new = [next(coming) for _ in range(OBJECTS - len(open_ones))]
        sent += new
        with Served(archive, "", "--web-port", "-1") as served:
            # It takes charge of all that it confirmed, and of nothing that is not on its disk.
            safe = committed(served, [path.stem for path in sent], number)
            assert confirmed <= safe <= set(on_disk(archive))
            got = send_and_kill(served, open_ones + new, chance.uniform(0.0, longest))
        if len(got) == OBJECTS:
            longest *= 0.7
        confirmed |= got
    print(f"{ROUNDS} kills, {len(sent)} sent, {len(confirmed)} confirmed before the last start")
    assert 0 < len(confirmed) < len(sent)
    with Served(archive, "", "--web-port", "-1") as served:
        # Whatever a kill left half done, sending again brings it to a whole.
        again = [path for path in sent if path.stem not in confirmed]
        assert len(send_and_kill(served, again, 600)) == len(again)
    check(archive, tmp_path / "sent", {path.stem for path in sent})


def check(archive: Path, sent: Path, confirmed: set[str]) -> None:
    """Everything confirmed is there exactly once, byte for byte, and in the index."""
    with Archive.open(archive) as found:
        assert not list(found.layout.temporary.iterdir())
        uids = on_disk(archive)
        assert len(set(uids)) == len(uids)
        assert confirmed == set(uids)
        assert len(found) == len(uids)
        for uid in uids:
            path = found.path_of(uid)
            assert path is not None
            whole = samples.dataset_bytes(sent / f"{uid}.dcm")
            assert samples.dataset_bytes(path) == whole
    # Every digest, the chain of the journal, and the index made anew say the same.
    report = rebuild(archive)
    assert report.is_sound, report.problems
    assert report.objects == report.indexed == len(uids)
