"""The power is cut once a verb has ended, or while the node takes objects: nothing is lost that
somebody was told of."""

from __future__ import annotations

import os
import random
import shutil
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from archiver.archive.index_rebuild import rebuild
from archiver.archive.store.journal_lines import verify_chain
from archiver.network.outbox.outbox import Outbox
from tests.cli.in_process import archiver
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, Served, run, serving
from tests.new_archive import new_archive
from tests.service.power_cut import Disk
from tests.service.test_verbs_beside_a_server import STEPS, Step, prepare

#: How often the node's power is cut.
CUTS = int(os.environ.get("ARCHIVER_CUTS", "1"))
#: Made again from what is kept, or of a running process alone.
_DERIVED = ("index.sqlite", "findings.sqlite", "outbox.sqlite", "audit-memory")
_PASSING = ("-wal", "-shm", ".lock", ".part")

_WRITING = (
    *("wrap", "add", "consent", "amend", "confirm", "confirm by amending", "handover", "reject"),
    *("revoke", "withdrawal", "retrieve", "send", "outbox drop", "rebuild"),
)
#: What beside these writes, the last to an archive of its own.
_MORE: dict[str, Step] = {
    "init": lambda a, w: ("init", w / "fresh"),
    "backup": lambda a, w: ("backup", w / "backup", "--archive", a),
    "restore": lambda a, w: ("restore", w / "backup", w / "restored"),
}


def lasting(root: Path) -> dict[str, object]:
    """All that is there, but for what is made again; of the outbox its rows."""
    found: dict[str, object] = {}
    for path in sorted(root.rglob("*")):
        name = str(path.relative_to(root))
        passing = path.name.endswith(_PASSING) or path.name.startswith(_DERIVED)
        if path.is_file() and not passing and path.name not in ("lock", "control"):
            found[name] = path.read_bytes()
        if path.name == "outbox.sqlite" and (path.parent / "FORMAT").exists():
            # Opening it changes it.
            with tempfile.TemporaryDirectory() as folder:
                copy = shutil.copytree(path.parent, Path(folder) / "archive")
                with Outbox.open(copy) as outbox:
                    found[name] = outbox.shipments()
    return found


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    with Disk(tmp_path) as one:
        yield one


def test_what_a_verb_has_told_survives_a_cut(
    disk: Disk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    work = disk.root / "work"
    work.mkdir()
    prepare(work)
    os.sync()  # what a person brings is no business of ours
    archive = new_archive(work / "archive")
    settings = tmp_path / "archiver.toml"
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
    with serving(new_archive(tmp_path / "peer"), web_port=-1) as peer:
        file = samples.save(samples.photograph(5), tmp_path)
        run("storescu", "-xy", "-aec", TITLE, "127.0.0.1", peer.dimse.port, file)
        settings.write_text(
            f'[[peer]]\nname = "other"\nhost = "127.0.0.1"\nport = {peer.dimse.port}\n'
            f'title = "{TITLE}"\n'
        )
        steps = {**{name: STEPS[name][1] for name in _WRITING}, **_MORE}
        for name, words in steps.items():
            said = archiver(*words(archive, work))
            assert said.returncode == (STEPS[name][0] if name in STEPS else 0), (name, said)
            before = lasting(work)
            with disk.cut() as after:
                left = lasting(after / "work")
                lost = sorted(before.keys() ^ left.keys())
                lost += [one for one in before if one in left and before[one] != left[one]]
                assert not lost, (name, lost)
                if name in ("rebuild", "restore"):
                    assert rebuild(after / "work" / "archive").is_sound
                if name == "restore":
                    assert rebuild(after / "work" / "restored").is_sound


@pytest.mark.parametrize("cut", range(CUTS))
def test_what_the_node_has_confirmed_survives_a_cut(disk: Disk, tmp_path: Path, cut: int) -> None:
    archive, confirmed = disk.root / "archive", list[str]()
    files = [samples.save(samples.photograph(n, study=n % 3), tmp_path) for n in range(1, 40)]
    with Served(archive, "[node.watch]\nreserve_megabytes = 0\n") as node:
        enough = threading.Event()

        def send() -> None:
            for file in files:
                words = ("storescu", "-xy", "-aec", TITLE, "127.0.0.1", node.port, file)
                if run(*words).returncode:
                    return
                confirmed.append(file.stem)
                if len(confirmed) == 3 + cut:
                    enough.set()

        sender = threading.Thread(target=send)
        sender.start()
        assert enough.wait(60), confirmed
        assert httpx.get(node.web + "/dicomweb/studies").status_code == 200
        threading.Event().wait(random.Random(cut).random() / 5)
        node.kill()
        told = list(confirmed)
        with disk.cut() as after:
            left = after / "archive"
            assert verify_chain(left / "journal.jsonl") == []
            assert "QIDO-RS STUDY" in (left / "journal.jsonl").read_text()
            found = {path.stem: path for path in (left / "objects").rglob("*.dcm")}
            for uid in told:
                kept = samples.dataset_bytes(found[uid])
                assert kept == samples.dataset_bytes(tmp_path / f"{uid}.dcm")
            report = rebuild(left)
            assert report.is_sound and report.indexed >= len(told)
        sender.join()
