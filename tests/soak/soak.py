"""A server under everything that a clinic does at once."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timezone
from itertools import count
from pathlib import Path
from statistics import median

import httpx

from archiver.archive import Query, verify
from archiver.archive.backup import restore
from archiver.archive.store.archive import Archive
from tests.cli.sessions import camera_jpeg, photo, write_sheet
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, Served

#: How much more memory of its own the last third may take than the second (share), and how many
#: more files. What is resident of the index's file grows with the archive, in each connection.
MEMORY, FILES = 0.03, 24
PATIENT = ("--patient-id", "P-0417")


@dataclass(frozen=True)
class Sample:
    """What the server takes after some seconds: MB of its own, MB of mapped files, open files."""

    when: float
    own: float
    mapped: float
    files: int


@dataclass
class SoakReport:
    """What a soak has found.

    Parameters
    ----------
    done
        How often each thing was done.
    samples
        Of the server.
    stores
        Seconds that each sender took for its object, with its association and its own start.
    confirmed
        How many objects senders were told are kept.
    faults
        Everything that is not as it has to be.
    """

    done: Counter[str] = field(default_factory=Counter)
    samples: list[Sample] = field(default_factory=list)
    stores: list[float] = field(default_factory=list)
    confirmed: int = 0
    faults: list[str] = field(default_factory=list)

    def third(self, number: int) -> list[Sample]:
        """Return the samples of one of the thirds, from 0."""
        size = max(1, len(self.samples) // 3)
        return self.samples[number * size : (number + 1) * size] or self.samples[-1:]

    def memory(self, number: int) -> float:
        """Return the median of the server's own memory in a third, in MB."""
        return median(one.own for one in self.third(number))

    def mapped(self, number: int) -> float:
        """Return the median of what is resident of files in a third, in MB."""
        return median(one.mapped for one in self.third(number))

    def files(self, number: int) -> float:
        """Return the median of open files in a third."""
        return median(one.files for one in self.third(number))

    def lines(self) -> list[str]:
        """Return all of it for people."""
        thirds = range(3)
        start, end = self.samples[0], self.samples[-1]
        took = sorted(self.stores) or [0.0]
        stores = median(took), took[int(0.99 * (len(took) - 1))], took[-1]
        return [
            ", ".join(f"{what}: {times}" for what, times in sorted(self.done.items())),
            f"confirmed: {self.confirmed}",
            f"C-STORE, median, 99 of 100, longest (s): {', '.join(map('{:.2f}'.format, stores))}",
            f"memory, open files at the start: {start.own:.0f} MB, {start.files}; "
            f"at the end: {end.own:.0f} MB, {end.files}",
            "memory of its own, median of each third (MB): "
            + ", ".join(f"{self.memory(one):.1f}" for one in thirds),
            "resident of mapped files, median of each third (MB): "
            + ", ".join(f"{self.mapped(one):.1f}" for one in thirds),
            "open files, median of each third: "
            + ", ".join(f"{self.files(one):.0f}" for one in thirds),
            *(f"FAULT: {fault}" for fault in self.faults),
            "all well" if not self.faults else f"{len(self.faults)} faults",
        ]


class Soak:
    """One run, in a folder of its own.

    Parameters
    ----------
    folder
        Empty.
    senders
        How many store at once.
    every
        Between two turns of each verb (seconds).
    """

    def __init__(self, folder: Path, *, senders: int = 8, every: float = 60.0) -> None:
        self._folder, self._senders, self._every = folder, senders, every
        self._archive, self._target = folder / "archive", folder / "target"
        self._report = SoakReport()
        self._guard = threading.Lock()
        self._over = threading.Event()
        self._kept: dict[str, float] = {}
        self._numbers = count(1)
        self._backup_began: float | None = None

    def run(self, seconds: float) -> SoakReport:
        """Soak for a time; return what was found."""
        peer = f'[[peer]]\nname = "clinic"\nhost = "127.0.0.1"\ntitle = "{TITLE}"\nport = '
        with Served(self._folder / "clinic", "", "--web-port", "-1") as clinic:
            forward = '[[forward]]\nto = "clinic"\nsources = ["here"]\n'
            with Served(self._archive, f"{peer}{clinic.port}\n{forward}") as served:
                # A log that nobody reads would stop the server once its pipe is full.
                logs = [threading.Thread(target=self._hear, args=(s,)) for s in (clinic, served)]
                for one in logs:
                    one.start()
                self._everybody(served, seconds)
                served.process.terminate()
                self._expect(served.process.wait(120) == 0, "the server did not end well")
                clinic.process.terminate()
                clinic.process.wait(120)
                for log, server in zip(logs, (clinic, served), strict=True):
                    log.join()
                    with server.process:  # closes its pipes
                        pass
        self._check()
        return self._report

    def _hear(self, served: Served) -> None:
        assert served.process.stderr is not None
        for line in served.process.stderr:
            self._expect('"event": "failure"' not in line, line.strip())

    def _everybody(self, served: Served, seconds: float) -> None:
        workers: list[Callable[[], None]] = [
            *[lambda: self._send(served.port) for _ in range(self._senders)],
            *[lambda: self._read(served) for _ in range(2)],
            *[lambda: self._browse(served) for _ in range(2)],
            self._verbs,
        ]
        threads = [threading.Thread(target=self._until_over, args=(one,)) for one in workers]
        for thread in threads:
            thread.start()
        began = time.monotonic()
        backed_up = False
        while (now := time.monotonic() - began) < seconds:
            self._sample(served.process.pid, now)
            if not backed_up and now > seconds / 2:
                backed_up = True
                backing = threading.Thread(target=self._back_up)
                backing.start()
                threads.append(backing)
            time.sleep(1)
        self._over.set()
        for thread in threads:
            thread.join()

    def _until_over(self, work: Callable[[], None]) -> None:
        while not self._over.is_set():
            try:
                work()
            except Exception as error:
                self._expect(False, f"{type(error).__name__}: {error}")
                self._over.wait(1)

    def _expect(self, holds: bool, fault: str) -> None:
        if not holds:
            with self._guard:
                self._report.faults.append(fault)

    def _did(self, what: str) -> None:
        with self._guard:
            self._report.done[what] += 1

    def _number(self) -> int:
        with self._guard:
            return next(self._numbers)

    def _sample(self, pid: int, when: float) -> None:
        lines = Path(f"/proc/{pid}/status").read_text("ascii", "replace").splitlines()
        told = dict(one.split(":", 1) for one in lines)
        own, mapped = (int(told[key].split()[0]) / 1024 for key in ("RssAnon", "RssFile"))
        files = len(list(Path(f"/proc/{pid}/fd").iterdir()))
        self._report.samples.append(Sample(when, own, mapped, files))

    # -- who does what

    def _send(self, port: int) -> None:
        number = self._number()
        folder = self._folder / "sent" / str(number)
        file = samples.save(samples.photograph(number), folder)
        words = ["storescu", "-xy", "-aec", TITLE, "127.0.0.1", str(port), str(file)]
        began = time.monotonic()
        done = subprocess.run(words, capture_output=True, text=True, timeout=300)
        if done.returncode == 0:
            with self._guard:
                self._report.stores.append(time.monotonic() - began)
                self._kept[samples.instance_uid(number)] = time.monotonic()
        self._expect(done.returncode == 0, f"storescu: {done.stderr[-200:]}")
        self._did("stored")
        self._over.wait(random.uniform(0.2, 0.6))

    def _read(self, served: Served) -> None:
        with self._guard:
            known = list(self._kept)
        with httpx.Client(base_url=f"{served.web}/dicomweb", timeout=120) as client:
            found = client.get("/instances", params={"PatientID": "P-0417", "limit": "20"})
            self._expect(found.status_code in (200, 204), f"QIDO-RS: {found.status_code}")
            if known:
                uid = random.choice(known)
                (one,) = client.get("/instances", params={"SOPInstanceUID": uid}).json()
                study, series = (one[tag]["Value"][0] for tag in ("0020000D", "0020000E"))
                path = f"/studies/{study}/series/{series}/instances/{uid}"
                got = client.get(path, headers={"Accept": "application/dicom; transfer-syntax=*"})
                self._expect(got.status_code == 200, f"WADO-RS: {got.status_code}")
                shown = client.get(f"{path}/rendered")
                self._expect(shown.status_code == 200, f"rendered: {shown.status_code}")
        self._did("read")
        self._over.wait(0.5)

    def _browse(self, served: Served) -> None:
        with httpx.Client(base_url=served.web, timeout=120, follow_redirects=True) as client:
            for path in ("/", "/find", "/take-in", "/record", "/help", "/health", "/metrics"):
                answer = client.get(path)
                self._expect(answer.status_code in (200, 404), f"{path}: {answer.status_code}")
        self._did("browsed")
        self._over.wait(0.5)

    def _verbs(self) -> None:
        """Each verb that writes, once a turn; what it has to end with stands beside it."""
        began = time.monotonic()
        turn = self._number()
        card = self._folder / f"card {turn}"
        card.mkdir()
        camera_jpeg(card / "A.JPG", turn)
        write_sheet(card, [photo("A.JPG")])
        added = samples.save(samples.radiograph(self._number()), self._folder / f"added {turn}")
        at = ("--archive", self._archive)
        self._verb((0,), "wrap", card / "sheet.toml", *at)
        self._verb((0,), "add", added, *at)
        self._verb((0,), "consent", *PATIENT, "--purpose", "laboratory", "--noted-by", "L", *at)
        shot = self._shot()
        self._verb((0,), "amend", shot, "--tooth", "iso:26", "--by", "L", *at)
        packed = ("--out", self._folder / f"case {turn}", "--insist-by", "L")
        self._verb((0, 1), "handover", *PATIENT, "--case", turn, "--to", "N", *packed, *at)
        self._verb((0,), "send", "--to", "clinic", *PATIENT, "--queue-only", *at)
        self._verb((0,), "retrieve", "--at", "clinic", *PATIENT, *at)
        self._verb((0,), "rebuild", "--verify", *at)
        self._verb((0,), "rebuild", *at)
        self._verb((0,), "reload", *at)
        report = ("--rules", "five-intraoral", "--depth", "index", "--out", self._folder / "report")
        self._verb((0, 1), "audit", *report, *at)
        self._over.wait(max(0.0, self._every - (time.monotonic() - began)))

    def _shot(self) -> str:
        with Archive.open(self._archive, read_only=True) as opened:
            return opened.query(Query(role="original"))[-1].sop_instance_uid

    def _verb(self, wanted: Sequence[int], *words: object) -> None:
        if self._over.is_set():
            return
        command = [sys.executable, "-m", "archiver", *map(str, words)]
        settings = {**os.environ, "ARCHIVER_SETTINGS": str(self._folder / "archive.toml")}
        done = subprocess.run(command, capture_output=True, text=True, env=settings, timeout=600)
        said = (done.stderr or done.stdout).strip().splitlines()[-3:]
        self._expect(done.returncode in wanted, f"{words[0]}: {done.returncode}, {said}")
        self._did(str(words[0]))

    def _back_up(self) -> None:
        self._backup_began = time.monotonic()
        self._verb((0,), "backup", self._target, "--archive", self._archive)

    # -- afterwards

    def _check(self) -> None:
        report = verify(self._archive)
        self._expect(report.is_sound, f"not sound: {[str(one) for one in report.problems[:5]]}")
        kept = self._uids(self._archive)
        self._report.confirmed = len(self._kept)
        gone = set(self._kept) - kept
        self._expect(not gone, f"{len(gone)} confirmed objects are not there")
        if self._backup_began is None:
            self._report.faults.append("there was no backup")
            return
        folder, now = self._folder / "restored", datetime.now(timezone.utc)
        done = restore(self._target, folder, time=now, actor="soak")
        self._expect(not done.problems, f"restored: {[str(one) for one in done.problems[:5]]}")
        before = {uid for uid, when in self._kept.items() if when < self._backup_began}
        gone = before - self._uids(folder)
        self._expect(not gone, f"{len(gone)} objects confirmed before the backup are not in it")

    @staticmethod
    def _uids(folder: Path) -> set[str]:
        with Archive.open(folder, read_only=True) as opened:
            return {one.sop_instance_uid for one in opened.query(Query())}


def demand_flat(report: SoakReport) -> None:
    """Add to the faults what grew from the second third to the last."""
    if report.memory(2) > report.memory(1) * (1 + MEMORY):
        report.faults.append(f"memory grew: {report.memory(1):.1f} to {report.memory(2):.1f} MB")
    if report.files(2) > report.files(1) + FILES:
        report.faults.append(f"open files grew: {report.files(1):.0f} to {report.files(2):.0f}")
