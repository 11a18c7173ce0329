"""Audit events reach the clinic's repository, a real one, whatever breaks on the way."""

from __future__ import annotations

import contextlib
import re
import shutil
import socket
import ssl
import subprocess
import time
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree

import httpx
import pytest
from pydicom.sr._concepts_dict import concepts

from archiver.archive.store import DELETED, Archive, Deed
from archiver.errors import UsageError
from archiver.network.node import AuditForwarding, Event, Happening
from archiver.network.node.audit import AUDIT, STARTED, event_of
from archiver.network.node.audit_message import (
    MEANINGS,
    AuditedPatient,
    audit_message,
    framed,
    syslog_message,
)
from archiver.network.node.audit_settings import AuditSettings
from archiver.network.node.free_space import Reserve
from archiver.network.node.health import NodeHealth, Wellness
from archiver.network.node.settings import NodeSettings, settings_of
from tests.archive.archive_samples import NOON, ROOT, Clock, incoming
from tests.network.client_peers import Certificates, certificates
from tests.network.node_serving import Served

SCHEMA = Path(__file__).with_name("audit_message.rng")
STUDY = f"{ROOT}.1.1"
CONFIGURED = """
global(workDirectory="{folder}" maxMessageSize="64k" parser.escapeControlCharactersOnReceive="off"
       defaultNetstreamDriver="ossl" defaultNetstreamDriverCAFile="{authority}"
       defaultNetstreamDriverCertFile="{certificate}" defaultNetstreamDriverKeyFile="{key}")
module(load="imtcp" streamDriver.name="ossl" streamDriver.mode="1" streamDriver.authMode="anon")
input(type="imtcp" address="127.0.0.1" port="{port}" listenPortFileName="{folder}/port")
template(name="whole" type="string" string="%pri% %protocol-version% %timestamp:::date-rfc3339% \
%app-name% %msgid% %msg%\\n")
action(type="omfile" file="{folder}/received" template="whole")
"""


class Repository:
    """rsyslog as the clinic's audit repository."""

    def __init__(self, folder: Path, files: Certificates) -> None:
        self.folder, self.files, self.port = folder, files, 0
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        configured = self.folder / "rsyslog.conf"
        files = {"authority": self.files.authority, "certificate": self.files.server}
        files |= {"key": self.files.server_key, "folder": self.folder}
        text = CONFIGURED.format(port=self.port, **files)
        configured.write_text(text, "ascii")
        for left in ("port", "pid"):
            (self.folder / left).unlink(missing_ok=True)
        program = shutil.which("rsyslogd") or "/usr/sbin/rsyslogd"
        command = [program, "-n", "-f", str(configured), "-i", str(self.folder / "pid")]
        self._process = subprocess.Popen(command)
        wait_for(self._listens)

    def _listens(self) -> bool:
        if not self.port:
            with contextlib.suppress(FileNotFoundError, ValueError):
                self.port = int((self.folder / "port").read_text())
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", self.port)).close()
            return True
        return False

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def lines(self) -> list[str]:
        try:
            return (self.folder / "received").read_text("utf-8").splitlines()
        except FileNotFoundError:
            return []

    def details(self) -> list[str]:
        return [
            found
            for line in self.lines()
            for found in re.findall(r"<EventOutcomeDescription>(.*?)<", line)
        ]


def wait_for(true: Callable[[], object], seconds: float = 60.0) -> None:
    until = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < until, "it did not come"
        time.sleep(0.02)


@pytest.fixture
def repository(tmp_path: Path) -> Iterator[Repository]:
    folder = tmp_path / "repository"
    folder.mkdir()
    made = Repository(folder, certificates(tmp_path))
    made.start()
    yield made
    made.stop()


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    with Archive.open(tmp_path / "archive", clock=Clock(), actor="tests") as opened:
        opened.put([incoming(1, name="Jørgensen^Åse")])
        yield opened


def settings(repository: Repository) -> AuditSettings:
    return AuditSettings("localhost", repository.port, repository.files.authority, site="RIVERBEND")


def looked(detail: str, event: Event = Event.ACCESSED) -> list[Deed]:
    studies = {STUDY: 2}
    happening = Happening(event, "NODE@192.0.2.1", "liv@192.0.2.7", studies=studies, detail=detail)
    return list(happening.deeds())


def forwarding(
    archive: Archive, repository: Repository, told: list[dict[str, object]] | None = None
) -> AuditForwarding:
    def tell(event: str, **said: object) -> None:
        if told is not None:
            told.append({"event": event, **said})

    return AuditForwarding(archive, settings(repository), "PHOTOARCHIVE", tell, every=0.05)


def test_what_happened_reaches_the_repository_with_its_patient(
    archive: Archive, repository: Repository
) -> None:
    archive.record(looked("before there was a repository"))
    following = forwarding(archive, repository)
    wait_for((archive.layout.root / "audit-forwarded.json").exists)
    archive.record(looked("shown in Find"))
    digest = archive.held([f"{ROOT}.3.1"])[f"{ROOT}.3.1"].digest
    buried = Deed(DELETED, STUDY, f"{ROOT}.2.1", f"{ROOT}.3.1", digest, note="order; by Haugen^Liv")
    archive.record(looked("asked for it", Event.QUERY))
    wait_for(lambda: len(repository.lines()) == 2)
    archive.delete([buried])
    wait_for(lambda: len(repository.lines()) == 3)
    following.close()
    shown, asked, deleted = repository.lines()
    # PRI of facility 10 and severity 5 (RFC 5424 6.2.1), version 1, the time of the event.
    assert re.match(r"85 1 2026-03-04T12:00:\d\d\S* archiver DICOM\+RFC3881 ", shown)
    root = ElementTree.fromstring(shown[shown.index("<?xml") :].encode())
    named = [one.get("ParticipantObjectID") for one in root.iter("ParticipantObjectIdentification")]
    assert named == [STUDY, "P-0417^^^RIVERBEND"]
    assert "Jørgensen^Åse" in shown and "RIVERBEND" in shown
    assert 'csd-code="110112"' in asked
    assert 'EventActionCode="D"' in deleted and "by Haugen^Liv" in deleted
    assert "before there was" not in "".join(repository.lines())


def test_what_happens_in_an_outage_is_told_after_it(
    archive: Archive, repository: Repository
) -> None:
    told: list[dict[str, object]] = []
    following = forwarding(archive, repository, told)
    wait_for((archive.layout.root / "audit-forwarded.json").exists)
    archive.record(looked("one"))
    wait_for(lambda: repository.details() == ["one"])
    repository.stop()
    for number in range(300):
        archive.record(looked(f"in the outage {number}"))
    wait_for(lambda: any("why" in one for one in told))
    repository.start()
    wanted = {"one", *(f"in the outage {number}" for number in range(300))}
    wait_for(lambda: set(repository.details()) == wanted)
    following.close()
    assert sum("why" in one for one in told) <= 3


def test_a_process_that_ends_in_an_outage_leaves_it_to_the_next(
    archive: Archive, repository: Repository
) -> None:
    following = forwarding(archive, repository)
    wait_for((archive.layout.root / "audit-forwarded.json").exists)
    repository.stop()
    archive.record(looked("one"))
    following.close()
    repository.start()
    following = forwarding(archive, repository)
    wait_for(lambda: repository.details() == ["one"])
    following.close()


def test_what_a_connection_took_that_broke_is_told_again(archive: Archive, tmp_path: Path) -> None:
    """A listener takes events and is gone before it has read them: none is lost."""
    files = certificates(tmp_path)
    door = socket.create_server(("127.0.0.1", 0))
    port = door.getsockname()[1]
    given = AuditSettings("localhost", port, files.authority)
    following = AuditForwarding(archive, given, "PHOTOARCHIVE", lambda *_, **__: None, every=0.05)
    wait_for((archive.layout.root / "audit-forwarded.json").exists)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(files.server, files.server_key)
    archive.record(looked("one"))
    taken = []
    for _ in range(2):
        plain, _ = door.accept()
        with context.wrap_socket(plain, server_side=True) as line:
            data = b""
            while b"</AuditMessage>" not in data:
                data += line.recv(65536)
            taken.append(data)
    following.close()
    door.close()
    assert taken[0] == taken[1] and b"one" in taken[0]


def test_a_repository_of_a_strange_authority_is_told_nothing(
    archive: Archive, repository: Repository, tmp_path: Path
) -> None:
    strange = tmp_path / "strange"
    strange.mkdir()
    told: list[dict[str, object]] = []
    given = AuditSettings("localhost", repository.port, certificates(strange).authority)
    following = AuditForwarding(
        archive, given, "PHOTOARCHIVE", lambda event, **said: told.append(said), every=0.05
    )
    wait_for((archive.layout.root / "audit-forwarded.json").exists)
    archive.record(looked("one"))
    wait_for(lambda: told)
    following.close()
    assert told[0] == {"why": "network.audit_repository.failed"} and repository.lines() == []


def test_an_outage_is_seen_by_who_watches_over_the_archive(
    archive: Archive, repository: Repository, tmp_path: Path
) -> None:
    following = forwarding(archive, repository)
    wait_for((archive.layout.root / "audit-forwarded.json").exists)
    repository.stop()
    archive.record(looked("one"))
    following.close()
    health = NodeHealth(
        archive,
        NodeSettings(audit=settings(repository)),
        Reserve(archive.layout.root, 0),
        clock=later,
    )
    check = health.checks()["audit_repository"]
    assert check.wellness is Wellness.DEGRADED and check.figures["audit_oldest_hours"] > 24


def later() -> datetime:
    return NOON + timedelta(days=30)


def test_a_server_tells_the_repository_that_its_settings_name(
    repository: Repository, tmp_path: Path
) -> None:
    said = f'[node.audit]\nhost = "localhost"\nport = {repository.port}\n'
    said += f'authorities = "{repository.files.authority}"\n'
    with Served(tmp_path / "served", said) as served:
        wait_for((tmp_path / "served" / "audit-forwarded.json").exists)
        assert httpx.get(f"{served.web}/dicomweb/studies").status_code in (200, 204)
        wait_for(lambda: any('csd-code="110112"' in line for line in repository.lines()))
        assert served.stop()[0] == 0
    assert any('csd-code="110121"' in line for line in repository.lines())  # Application Stop


@pytest.mark.parametrize("event", list(Event))
def test_every_kind_of_message_has_the_form_of_the_schema(event: Event, tmp_path: Path) -> None:
    kind = {Event.APPLICATION: STARTED}.get(event, "")
    happening = Happening(
        event,
        "CAMERA@2001:db8::7",
        "PHOTOARCHIVE@node.example",
        studies={STUDY: 3} if event is not Event.QUERY else None,
        detail="level STUDY, <keys> & \x01 more",
        kind=kind,
        requestor="liv@192.0.2.7",
        sop_class="1.2.840.10008.5.1.4.1.2.2.1" if event is Event.QUERY else "",
    )
    (deed,) = happening.deeds()
    assert deed.action == AUDIT
    line = {"time": "2026-03-04T12:00:00.000+01:00", "who": "tests", "study": deed.study}
    told = event_of({**line, "note": deed.note})
    patient = AuditedPatient("P-0417^^^RIVERBEND", "Okafor^Nadia")
    path = tmp_path / "message.xml"
    path.write_bytes(audit_message(told, "RIVERBEND", patient))
    checked = ["xmllint", "--noout", "--relaxng", str(SCHEMA), str(path)]
    done = subprocess.run(checked, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    spoilt = path.read_text("utf-8").replace('UserIsRequestor="', 'UserIsRequestor="x', 1)
    path.write_text(spoilt, "utf-8")
    assert subprocess.run(checked, capture_output=True).returncode != 0


def test_the_meanings_of_codes_are_those_of_the_standard() -> None:
    # PS3.16 as pydicom has it; CID 400 to 404.
    published = {code: said for found in concepts["DCM"].values() for code, said in found.items()}
    assert {code: published[code][0] for code in MEANINGS} == MEANINGS
    assert all({400, 401, 402, 404} & set(published[code][1]) for code in MEANINGS)


def test_a_message_has_the_header_and_the_frame_of_the_rfcs() -> None:
    # RFC 5424 6 (example 1 of 6.5 for the form), RFC 5425 4.3.1: MSG-LEN counts octets.
    made = syslog_message("<a>Å</a>".encode(), "2026-03-04T12:00:00+01:00", "photo graphs", 42)
    head = b"<85>1 2026-03-04T12:00:00.000+01:00 photographs archiver 42 DICOM+RFC3881 - "
    assert made == head + b"\xef\xbb\xbf<a>\xc3\x85</a>"
    length, _, rest = framed(made).partition(b" ")
    assert int(length) == len(made) and rest == made


def test_settings_name_the_repository(tmp_path: Path) -> None:
    (tmp_path / "ca.pem").write_text("")
    found = settings_of({"audit": {"host": "audit.example", "authorities": "ca.pem"}}, tmp_path)
    assert found.audit == AuditSettings("audit.example", 6514, tmp_path / "ca.pem")


@pytest.mark.parametrize(
    "table",
    [{}, {"host": 1}, {"host": "a", "port": 0}, {"host": "a", "port": True}, {"host": "a", "x": 1},
     {"host": "a", "key": "none.pem"}, "audit.example"],
)  # fmt: skip
def test_settings_that_cannot_be_understood_are_refused(table: object, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"node\.audit"):
        settings_of({"audit": table}, tmp_path)
