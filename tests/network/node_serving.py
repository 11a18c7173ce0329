"""A node on free ports, and the programs that talk to it."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from archiver.archive.store.archive import Archive
from archiver.network.node.node import Node
from archiver.network.node.observability import Log
from archiver.network.node.settings import NodeLimits, NodeSettings
from archiver.network.peers import DimsePeer
from tests.new_archive import new_archive

TITLE = "TESTNODE"
#: Examples of each property of malformed requests; more for a soak before a release.
ROUNDS = int(os.environ.get("ARCHIVER_ROUNDS", "25"))


def _now() -> datetime:
    return datetime.now(timezone.utc)


@contextmanager
def serving(
    folder: Path,
    *,
    peers: Sequence[DimsePeer] = (),
    limits: NodeLimits | None = None,
    **settings: Any,
) -> Iterator[Node]:
    """A node in this process."""
    wanted = NodeSettings(title=TITLE, dimse_port=0, web_port=0, limits=limits or NodeLimits())
    wanted = replace(wanted, **settings)
    log = Log(_now, io.StringIO())
    with (
        Archive.open(folder, clock=_now, actor="tests") as archive,
        Node(archive, wanted, peers, log) as node,
    ):
        yield node


class Served:
    """A node in a process of its own."""

    def __init__(self, folder: Path, settings: str = "", *words: str) -> None:
        file = folder.parent / f"{folder.name}.toml"
        file.write_text(settings)
        new_archive(folder)
        command = [sys.executable, "-m", "archiver", "serve", "--archive", str(folder), "--json"]
        defaults = {"--title": TITLE, "--dimse-port": "0", "--web-port": "0"}
        for option, value in defaults.items():
            if option not in words:
                command += [option, value]
        command += words
        self.process = subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "ARCHIVER_SETTINGS": str(file)},
        )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        if not line:
            raise AssertionError(self.process.communicate()[1])
        self.where = json.loads(line)
        self.port = int(self.where["dimse_port"])
        self.web = str(self.where.get("web", ""))

    def stop(self) -> tuple[int, str]:
        """End it as an operator does; return exit status and what it logged."""
        self.process.send_signal(signal.SIGTERM)
        _, log = self.process.communicate(timeout=60)
        return self.process.returncode, log

    def kill(self) -> None:
        """End it as a power failure does."""
        self.process.kill()
        self.process.communicate()

    def __enter__(self) -> Served:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.kill()


def run(*words: object, timeout: float = 60) -> subprocess.CompletedProcess[str]:
    """Run a program; return what it said, standard output and error together."""
    return subprocess.run(
        [str(word) for word in words],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=timeout,
        errors="replace",
    )


def store(port: int, *files: Path, words: Sequence[str] = ("-xy",)) -> str:
    """Send files with DCMTK's storescu; return what it says."""
    result = run("storescu", "-v", *words, "-aec", TITLE, "127.0.0.1", port, *files)
    assert result.returncode == 0, result.stdout
    return result.stdout


def logged(node: Node) -> list[dict[str, Any]]:
    """The structured lines that a node in this process has written."""
    stream = node.log._stream
    assert isinstance(stream, io.StringIO)
    return [json.loads(line) for line in stream.getvalue().splitlines()]


def failures(node: Node) -> list[dict[str, Any]]:
    """What went wrong in it that nobody expected, since this was last asked."""
    stream = node.log._stream
    assert isinstance(stream, io.StringIO)
    found = [line for line in logged(node) if line["event"] == "failure"]
    stream.seek(0)
    stream.truncate()
    return found
