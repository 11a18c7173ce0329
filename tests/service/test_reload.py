"""A server that reads settings and certificates again, without ending."""

from __future__ import annotations

import json
import signal
import socket
import ssl
from pathlib import Path

import httpx
import pytest
import trustme

from archiver.archive.statements import noted_settings
from tests.cli.in_process import archiver
from tests.network import node_samples as samples
from tests.network.client_peers import free_port
from tests.network.node_serving import TITLE, Served, run
from tests.network.test_forwarding import wait_for


class Certificates:
    """An authority, and files of a node that it renews."""

    def __init__(self, folder: Path) -> None:
        self.authority = trustme.CA()
        self.certificate, self.key = folder / "node.pem", folder / "node.key"
        self.context = ssl.create_default_context()
        self.authority.configure_trust(self.context)
        self.renew()

    def renew(self) -> None:
        made = self.authority.issue_cert("127.0.0.1")
        made.private_key_pem.write_to_path(self.key)
        self.certificate.write_bytes(b"".join(one.bytes() for one in made.cert_chain_pems))

    def connect(self, port: int) -> ssl.SSLSocket:
        plain = socket.create_connection(("127.0.0.1", port), 20)
        return self.context.wrap_socket(plain, server_hostname="127.0.0.1")

    def shown(self, port: int) -> str:
        """Serial number of what a new connection is shown."""
        with self.connect(port) as one:
            told = one.getpeercert()
            assert told is not None
            return str(told["serialNumber"])

    @property
    def settings(self) -> str:
        return f'[node]\ncertificate = "{self.certificate}"\nkey = "{self.key}"\n'


def settings_of(archive: Path) -> Path:
    return archive.parent / f"{archive.name}.toml"


@pytest.fixture
def archive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "archive"
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings_of(folder)))
    return folder


def log_of(served: Served, event: str) -> list[dict[str, object]]:
    status, log = served.stop()
    assert status == 0
    lines = [json.loads(line) for line in log.splitlines() if line.startswith("{")]
    assert not [one for one in lines if one["event"] == "failure"]
    return [one for one in lines if one["event"] == event]


def test_renewed_certificates_are_shown_to_new_connections_and_old_ones_stay(
    archive: Path, tmp_path: Path
) -> None:
    files = Certificates(tmp_path)
    with Served(archive, files.settings) as served:
        web = int(served.web.rpartition(":")[2])
        before = files.shown(web)
        assert files.shown(served.port) == before
        with files.connect(web) as kept:
            files.renew()
            said = archiver("reload", "--archive", archive)
            assert said.returncode == 0 and "certificates are read again" in said.stdout
            after = files.shown(web)
            assert after != before and files.shown(served.port) == after
            kept.sendall(b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            assert kept.recv(12) == b"HTTP/1.1 200"
        # Without being told, too, within a moment.
        files.renew()
        wait_for(lambda: files.shown(web) not in (before, after))
        # A file that is none is refused; what was shown is still shown.
        now = files.shown(web)
        files.certificate.write_text("nonsense")
        said = archiver("reload", "--archive", archive)
        assert said.returncode == 2 and "reload" not in said.stdout
        assert files.shown(web) == files.shown(served.port) == now
        assert [one for one in log_of(served, "reload") if "refused" in one]


def echo(port: int, title: str) -> bool:
    return run("echoscu", "-aec", title, "127.0.0.1", port).returncode == 0


PAGES = "https://pages.example"
OWN_CLASS = f"{samples.ROOT}.9"


def shared_and_kept(port: int) -> tuple[str | None, int]:
    """Whom an answer to another origin's page is shared with; and of an object of no standard."""
    where = f"http://127.0.0.1:{port}/dicomweb/studies"
    shared = httpx.get(where, headers={"Origin": PAGES}).headers.get("access-control-allow-origin")
    data = samples.file_bytes(samples.photograph(1, SOPClassUID=OWN_CLASS))
    body = b"--edge\r\nContent-Type: application/dicom\r\n\r\n" + data + b"\r\n--edge--\r\n"
    kind = 'multipart/related; type="application/dicom"; boundary=edge'
    stored = httpx.post(where, content=body, headers={"Content-Type": kind})
    return shared, stored.status_code


def test_settings_that_cannot_be_used_are_refused_and_the_old_stay(archive: Path) -> None:
    port, web = free_port(), free_port()
    good = f'[node]\ntitle = "{TITLE}"\ndimse_port = {port}\nweb_port = {web}\n'
    with Settled(archive, good) as served:
        assert echo(port, TITLE)
        assert shared_and_kept(web) == (None, 409)
        for bad in ("nonsense", '[node]\ntitle = "A TITLE THAT IS MUCH TOO LONG"\n'):
            settings_of(archive).write_text(bad)
            said = archiver("reload", "--archive", archive)
            assert said.returncode == 2 and said.stderr.count("\n") == 1
            served.process.send_signal(signal.SIGHUP)
            assert echo(port, TITLE)
        settings_of(archive).write_text('archive = "elsewhere"\n' + good)
        served.process.send_signal(signal.SIGHUP)
        assert echo(port, TITLE)
        peer = '[[peer]]\nname = "clinic"\nhost = "127.0.0.1"\nport = 104\ntitle = "CLINIC"\n'
        more = f'origins = ["{PAGES}"]\nstorage_classes = ["{OWN_CLASS}"]\n'
        settings_of(archive).write_text(good + more + peer)
        said = archiver("reload", "--archive", archive)
        assert said.returncode == 0 and "listens anew" in said.stdout
        assert echo(port, TITLE)
        assert shared_and_kept(web) == (PAGES, 200)
        first, then = noted_settings(archive)
        assert "node.title" in first.changed and "peer.clinic.host" in then.changed
        assert [one for one in log_of(served, "reload") if "refused" in one]


def test_a_new_port_that_is_taken_leaves_the_old_one_served(archive: Path) -> None:
    port = free_port()
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        text = '[node]\ntitle = "{0}"\ndimse_port = {1}\nweb_port = -1\n'
        with Settled(archive, text.format(TITLE, port)) as served:
            assert echo(port, TITLE)
            settings_of(archive).write_text(text.format("OTHER", taken.getsockname()[1]))
            said = archiver("reload", "--archive", archive)
            assert said.returncode == 1 and "in use" in said.stderr
            wait_for(lambda: echo(port, TITLE))
            settings_of(archive).write_text(text.format("OTHER", port))
            assert archiver("reload", "--archive", archive).returncode == 0
            assert echo(port, "OTHER") and not echo(port, TITLE)
            assert len(log_of(served, "reload")) == 2


class Settled(Served):
    """A node of which the settings alone say how it listens."""

    def __init__(self, folder: Path, settings: str) -> None:
        import os
        import subprocess
        import sys

        from tests.new_archive import new_archive

        settings_of(folder).write_text(settings)
        new_archive(folder)
        command = [sys.executable, "-m", "archiver", "serve", "--archive", str(folder), "--json"]
        self.process = subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "ARCHIVER_SETTINGS": str(settings_of(folder))},
        )
        assert self.process.stdout is not None
        self.where = json.loads(self.process.stdout.readline())
        self.port, self.web = int(self.where["dimse_port"]), str(self.where.get("web", ""))


def test_nobody_serves(archive: Path, tmp_path: Path) -> None:
    settings_of(archive).write_text("")
    archiver("init", archive)
    said = archiver("reload", "--archive", archive)
    assert said.returncode == 1 and "nobody serves this archive" in said.stderr
