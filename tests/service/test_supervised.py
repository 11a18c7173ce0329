"""The archive as a service: units, sockets that are handed over, and what systemd is told."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from archiver.service import Supervisor, given_sockets
from tests.cli.in_process import archiver
from tests.network.client_peers import free_port
from tests.network.node_serving import Served, run
from tests.network.test_forwarding import wait_for
from tests.new_archive import new_archive


def test_systemd_finds_nothing_wrong_with_the_units(tmp_path: Path) -> None:
    said = archiver("service", "--print", "systemd", "--into", tmp_path)
    assert said.returncode == 0 and said.stdout.count("written") == 3
    service = tmp_path / "archiver.service"
    # The user is made by who installs it.
    service.write_text(service.read_text().replace("=archiver\n", "=root\n"))
    found = run("systemd-analyze", "verify", "--man=no", *sorted(tmp_path.iterdir()))
    assert found.returncode == 0, found.stdout
    assert not [line for line in found.stdout.splitlines() if "archiver" in line], found.stdout
    again = archiver("service", "--print", "systemd", "--into", tmp_path)
    assert again.returncode == 2 and again.stderr.count("is there already") == 3


def test_the_container_is_not_of_root_and_has_one_volume() -> None:
    said = archiver("service", "--print", "container").stdout
    words = [line.split() for line in said.splitlines() if line and line[0] not in "# "]
    by_word = [word for word, *_ in words]
    assert by_word.count("VOLUME") == by_word.count("USER") == 1
    assert ["USER", "10001"] in words and by_word.index("USER") < by_word.index("ENTRYPOINT")


@contextmanager
def told(folder: Path) -> Iterator[socket.socket]:
    """A socket at which a supervisor listens."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
        one.bind(str(folder / "notify"))
        one.settimeout(60)
        yield one


def test_systemd_is_told_when_it_is_ready_reloads_is_alive_and_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with told(tmp_path) as supervisor:
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        monkeypatch.setenv("WATCHDOG_USEC", "1000000")
        with Served(tmp_path / "archive", "", "--web-port", "-1") as served:
            assert supervisor.recv(100) == b"READY=1"
            assert supervisor.recv(100) == b"WATCHDOG=1"
            served.process.send_signal(signal.SIGHUP)
            heard = supervisor.recv(100)
            while heard == b"WATCHDOG=1":
                heard = supervisor.recv(100)
            assert heard.startswith(b"RELOADING=1\nMONOTONIC_USEC=")
            while (heard := supervisor.recv(100)) == b"WATCHDOG=1":
                pass
            assert heard == b"READY=1"
            served.stop()
            while heard != b"STOPPING=1":
                heard = supervisor.recv(100)


def test_a_writer_that_stands_still_is_not_said_to_be_alive(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with told(tmp_path) as listening:
        environment = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "100000"}
        alive = True
        supervisor = Supervisor(environment)
        supervisor.watch(lambda: alive)
        assert listening.recv(100) == b"WATCHDOG=1"
        alive = False
        listening.settimeout(0.5)
        with pytest.raises(TimeoutError):
            for _ in range(10):
                listening.recv(100)
        supervisor.stopping()


def test_sockets_that_systemd_listens_at_are_served(tmp_path: Path) -> None:
    """systemd-socket-activate starts the service with the first who calls, as the units would."""
    archive = new_archive(tmp_path / "archive")
    dimse, web = free_port(), free_port()
    (tmp_path / "archiver.toml").write_text('[node]\ntitle = "SOCKETS"\nhost = "127.0.0.1"\n')
    settings = f"ARCHIVER_SETTINGS={tmp_path / 'archiver.toml'}"
    command = ["systemd-socket-activate", "-l", f"127.0.0.1:{dimse}", "-l", f"127.0.0.1:{web}"]
    command += ["--fdname=dimse:web", "-E", settings, "-E", f"PYTHONPATH={Path.cwd()}"]
    command += [sys.executable, "-m", "archiver", "serve", "--archive", str(archive)]
    credentials = tmp_path / "secrets"
    credentials.write_text("token viewer opensesame1\n")
    with (tmp_path / "archiver.toml").open("a") as file:
        file.write(f'credentials = "{credentials}"\n')
    process = subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        wait_for(lambda: run("echoscu", "-aec", "SOCKETS", "127.0.0.1", dimse).returncode == 0)
        url = f"http://127.0.0.1:{web}/health"
        wait_for(lambda: '"status":"ok"' in run("curl", "-s", url).stdout)
    finally:
        process.terminate()
        process.communicate(timeout=60)


def test_sockets_of_another_process_are_not_ours() -> None:
    names = {"LISTEN_FDS": "2", "LISTEN_FDNAMES": "dimse:web"}
    assert given_sockets({**names, "LISTEN_PID": "1"}) == {}
    assert given_sockets({}) == {}
