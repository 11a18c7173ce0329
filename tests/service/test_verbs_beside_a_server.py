"""While an archive is served, every verb does, and says, what it does and says without."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from archiver.archive import Query
from archiver.archive.index_rebuild import rebuild
from archiver.archive.statements.confirmations import looked_at
from archiver.archive.store.archive import Archive
from archiver.errors import ArchiveError
from tests.cli.in_process import archiver
from tests.cli.sessions import camera_jpeg, photo, write_sheet
from tests.cli.terminal import on_a_terminal
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, Served
from tests.new_archive import new_archive

Words = tuple[object, ...]
#: An archive, and the folder of what is used with it.
Step = Callable[[Path, Path], Words]


def shot(archive: Path, role: str = "original", tooth: str = "25") -> str:
    """The newest instance of a role and tooth."""
    with Archive.open(archive, read_only=True) as opened:
        found = [r for r in opened.query(Query(role=role)) if tooth in r.teeth]
        return found[-1].sop_instance_uid


def gone(archive: Path) -> str:
    """A photograph that was rejected for its quality."""
    with Archive.open(archive, read_only=True) as opened:
        found = opened.query(Query(role="original", include_rejected=True))
        return [r for r in found if r.rejected and "16" in r.teeth][-1].sop_instance_uid


def code(archive: Path, tooth: str) -> str:
    """What stands under the newest picture of a tooth."""
    with Archive.open(archive, read_only=True) as opened:
        return looked_at(opened, shot(archive, tooth=tooth)).examined.code


PATIENT = ("--patient-id", "P-0417")
CONSENT = (*PATIENT, "--purpose", "laboratory", "--noted-by", "Haugen^Liv")
BY = ("--by", "Haugen^Liv")
HANDOVER = (*PATIENT, "--case", "1187", "--to", "North", "--without-doubtful")
TIME = re.compile(r"\d\d:\d\d:\d\d(\.\d+)?|\d+\.\d+ s")
#: What is done one after the other, and the exit status.
STEPS: dict[str, tuple[int, Step]] = {
    "wrap": (0, lambda a, w: ("wrap", w / "card" / "sheet.toml", "--archive", a)),
    "wrap again": (0, lambda a, w: ("wrap", w / "card" / "sheet.toml", "--archive", a, "--json")),
    "wrap a bad file": (1, lambda a, w: ("wrap", w / "bad" / "sheet.toml", "--archive", a)),
    "wrap a wrong sheet": (2, lambda a, w: ("wrap", w / "wrong.toml", "--archive", a)),
    "add": (1, lambda a, w: ("add", w / "in", "--archive", a)),
    "add one in conflict": (1, lambda a, w: ("add", w / "other", "--archive", a)),
    "consent": (0, lambda a, w: ("consent", *CONSENT, "--archive", a)),
    "consent of nobody": (1, lambda a, w: ("consent", "--patient-id", "X", *CONSENT[2:],
                                           "--archive", a)),
    "amend, dry run": (0, lambda a, w: ("amend", shot(a), "--tooth", "iso:26", "--dry-run",
                                        "--archive", a)),
    "amend": (0, lambda a, w: ("amend", shot(a), "--tooth", "iso:26", "--by", "Haugen^Liv",
                               "--archive", a)),
    "confirm": (0, lambda a, w: ("confirm", code(a, "26"), "--by", "Haugen^Liv", "--archive", a)),
    "confirm by amending": (0, lambda a, w: (
        "amend", shot(a, tooth="26"), "--confirmed-by", "Berg^Anna", "--shown", code(a, "26"),
        "--archive", a, "--json")),
    "amend nothing": (1, lambda a, w: ("amend", "2.25.404", "--mirror", "no", "--archive", a)),
    "handover": (0, lambda a, w: ("handover", *HANDOVER, "--out", w / a.name / "1187",
                                  "--archive", a)),
    "handover again": (1, lambda a, w: ("handover", *HANDOVER, "--out", w / a.name / "1187",
                                        "--archive", a)),
    "reject": (0, lambda a, w: ("reject", shot(a, tooth="16"), "--reason", "quality", *BY,
                                "--archive", a)),
    "reject again": (1, lambda a, w: ("reject", gone(a), "--reason", "safety", *BY,
                                      "--archive", a)),
    "revoke": (0, lambda a, w: ("reject", gone(a), "--revoke", *BY, "--archive", a)),
    "withdrawal": (0, lambda a, w: ("consent", *CONSENT, "--withdrawn", "--archive", a)),
    "retrieve": (0, lambda a, w: ("retrieve", "--at", "other", *PATIENT, "--archive", a)),
    "send": (0, lambda a, w: ("send", "--to", "other", *PATIENT, "--queue-only", "--archive", a)),
    "outbox": (0, lambda a, w: ("outbox", "--archive", a)),
    "outbox drop": (0, lambda a, w: ("outbox", "drop", "--to", "other", "--state", "queued",
                                     "--archive", a)),
    "compare": (1, lambda a, w: ("compare", *PATIENT, "--tooth", "iso:16", "--view", "buccal",
                                 "--archive", a, "--json")),
    "audit": (1, lambda a, w: ("audit", "--rules", "five-intraoral", "--out",
                               w / a.name / "report", "--archive", a)),
    "query": (0, lambda a, w: ("query", "--include-rejected", "--archive", a)),
    "rebuild, verify": (0, lambda a, w: ("rebuild", "--verify", "--archive", a)),
    "rebuild": (0, lambda a, w: ("rebuild", "--archive", a)),
    "query afterwards": (0, lambda a, w: ("query", "--include-rejected", "--archive", a)),
}  # fmt: skip


def told(done: subprocess.CompletedProcess[str], archive: Path) -> tuple[int, str, str]:
    """What a verb said, but for the archive's name, times of day and identifiers of chance."""
    texts = []
    for text in (done.stdout, done.stderr):
        text = text.replace(f"/{archive.name}", "/ARCHIVE")
        texts.append(TIME.sub("TIME", text))
    return done.returncode, texts[0], texts[1]


def deeds(archive: Path) -> list[tuple[str, ...]]:
    """What the journal says of objects and statements."""
    lines = map(json.loads, (archive / "journal.jsonl").read_text().splitlines())
    kinds = ("stored", "consent", "handed-over", "intended", "amended", "outbox-dropped", "rebuilt")
    return [
        (one["action"], one["sop"], one["source"], TIME.sub("TIME", one["note"]), one["who"])
        for one in lines
        if one["action"] in kinds
    ]


def prepare(folder: Path) -> Path:
    """A card, a card with a bad file, a wrong sheet and files to be added."""
    for name in ("card", "bad", "in", "other"):
        (folder / name).mkdir()
    for name, seed in (("A.JPG", 1), ("B.JPG", 2)):
        camera_jpeg(folder / "card" / name, seed)
    camera_jpeg(folder / "bad" / "C.JPG", 3)
    (folder / "bad" / "D.JPG").write_bytes(b"no picture")
    confirmed = '\nconfirmed_by = "Haugen^Liv"'
    write_sheet(folder / "card", [photo("A.JPG"), photo("B.JPG", 16, "buccal", False) + confirmed])
    write_sheet(folder / "bad", [photo("C.JPG", 11, "labial", False), photo("D.JPG", 21, "labial")])
    (folder / "wrong.toml").write_text("numbering = 7\n")
    samples.save(samples.radiograph(1), folder / "in")
    (folder / "in" / "list.txt").write_text("no object")
    samples.save(samples.radiograph(1, InstanceNumber=77), folder / "other")
    return folder


@pytest.fixture(scope="module")
def twins(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, dict[str, Any]]]:
    """What every step said beside a server, and without one; and what the journals say."""
    folder = prepare(tmp_path_factory.mktemp("twins"))
    alone, beside = new_archive(folder / "a" / "alone"), folder / "a" / "beside"
    peer = new_archive(folder / "peer")
    archiver("add", samples.save(samples.photograph(5), folder), "--archive", peer)
    with Served(peer) as node, Served(beside) as served:
        settings = folder / "archiver.toml"
        settings.write_text(
            f'[[peer]]\nname = "other"\nhost = "127.0.0.1"\nport = {node.port}\ntitle = "{TITLE}"\n'
        )
        with pytest.MonkeyPatch.context() as patched:
            patched.setenv("ARCHIVER_SETTINGS", str(settings))
            said: dict[str, dict[str, Any]] = {
                archive.name: {
                    step: told(archiver(*words(archive, folder)), archive)
                    for step, (_, words) in STEPS.items()
                }
                for archive in (alone, beside)
            }
        assert served.process.poll() is None
        status, log = served.stop()
        assert status == 0 and not [line for line in log.splitlines() if "control" in line], log
    for archive in (alone, beside):
        said[archive.name]["journal"] = deeds(archive)
        assert rebuild(archive).is_sound
        assert not list((archive / "tmp").iterdir())
    assert not (beside / "control").exists()
    yield said


@pytest.mark.parametrize("step", STEPS)
def test_a_verb_beside_the_server_says_what_it_says_without(
    twins: dict[str, dict[str, Any]], step: str
) -> None:
    alone = twins["alone"][step]
    assert alone[0] == STEPS[step][0], alone
    assert twins["beside"][step] == alone


def test_the_same_is_archived_by_the_same_person_as_without(
    twins: dict[str, dict[str, Any]],
) -> None:
    assert len(twins["alone"]["journal"]) > 20
    assert twins["beside"]["journal"] == twins["alone"]["journal"]


@pytest.fixture
def card(tmp_path: Path) -> Path:
    """A session of eight photographs of a size at which a moment can be met."""
    names = [f"IMG_{n:04}.JPG" for n in range(8)]
    for seed, name in enumerate(names):
        camera_jpeg(tmp_path / name, seed, columns=1600, rows=1200)
    return write_sheet(tmp_path, [photo(name) for name in names])


def begin(*words: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "archiver", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_for(what: Callable[[], bool]) -> None:
    until = time.monotonic() + 30
    while not what():
        assert time.monotonic() < until
        time.sleep(0.01)


def objects(archive: Path) -> int:
    return len(list((archive / "objects").rglob("*.dcm")))


def test_progress_is_shown_on_a_terminal_beside_the_server(card: Path, tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    with Served(archive):
        status, shown = on_a_terminal("wrap", card, "--archive", archive)
        assert status == 0 and b"8/8" in shown
        status, shown = on_a_terminal("rebuild", "--archive", archive)
        assert status == 0 and b"/16" in shown


def test_two_at_once_are_both_served_and_one_that_is_ended_leaves_nothing(
    card: Path, tmp_path: Path
) -> None:
    archive = tmp_path / "archive"
    other = tmp_path / "other"
    other.mkdir()
    camera_jpeg(other / "A.JPG", 77)
    second = write_sheet(other, [photo("A.JPG")], "P-0502")
    with Served(archive) as served:
        first = begin("wrap", card, "--archive", archive)
        wait_for(lambda: objects(archive) > 2)
        done = archiver("wrap", second, "--archive", archive)
        assert done.returncode == 0, done.stderr
        first.send_signal(signal.SIGINT)
        _, said = first.communicate(timeout=30)
        stopped = first.returncode == 1 and said.startswith("archiver: stopped")
        assert stopped or objects(archive) == 18, said
        assert archiver("wrap", card, "--archive", archive).returncode == 0
        assert served.stop()[0] == 0
    assert objects(archive) == 18 and not list((archive / "tmp").iterdir())
    assert rebuild(archive).is_sound


def test_a_server_that_dies_is_told_and_leaves_nothing_in_the_way(
    card: Path, tmp_path: Path
) -> None:
    archive = tmp_path / "archive"
    with Served(archive) as served:
        wrapping = begin("wrap", card, "--archive", archive)
        wait_for(lambda: objects(archive) > 2)
        served.kill()
    _, said = wrapping.communicate(timeout=30)
    assert wrapping.returncode == 1
    (line,) = said.splitlines()
    assert "the server that writes to this archive has ended" in line and str(archive) in line
    assert (archive / "control").exists()
    assert archiver("wrap", card, "--archive", archive).returncode == 0
    assert objects(archive) == 16 and not list((archive / "tmp").iterdir())
    with Served(archive) as again:
        assert archiver("wrap", card, "--archive", archive).returncode == 0
        assert again.stop()[0] == 0


def test_the_library_reads_beside_the_server_and_says_where_the_writer_is(tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    with Served(archive) as served:
        with Archive.open(archive, read_only=True) as opened:
            assert len(opened) == 0
        with pytest.raises(ArchiveError) as caught:
            Archive.open(archive)
        assert f"process {served.process.pid}, archiver serve" in str(caught.value)
        assert str(archive / "control") in str(caught.value)
        second = archiver("serve", "--archive", archive, "--dimse-port", "0", "--web-port", "-1")
        assert second.returncode == 1 and "archiver serve" in second.stderr
