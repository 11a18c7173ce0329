"""What bombs cost: memory and descriptors of a node in a process of its own, a bystander's wait."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psutil
from pynetdicom import AE

from tests.network.bombs import Request

#: Another address of this machine: what one guest takes, another must not miss (Linux).
BYSTANDER = "127.0.0.2"
_TAKT = 0.02


@dataclass
class Cost:
    """What was seen while a bomb went off.

    Parameters
    ----------
    node, workers
        Megabytes above idle at most: the node's own process, and its workers together.
    descriptors
        Open at most.
    seconds
        From the first byte to the last answer.
    health, echo
        Longest wait of a bystander, in seconds.
    statuses
        Of the answers, 0 where none came.
    """

    node: float = 0.0
    workers: float = 0.0
    descriptors: int = 0
    seconds: float = 0.0
    health: float = 0.0
    echo: float = 0.0
    statuses: list[int] = field(default_factory=list)


class Watch:
    """Looks at a node while something happens to it; use it as a context.

    Parameters
    ----------
    pid, web_port, dimse_port, title
        The node.
    """

    def __init__(self, pid: int, web_port: int, dimse_port: int, title: str) -> None:
        self._process = psutil.Process(pid)
        self._web, self._dimse, self._title = web_port, dimse_port, title
        self.cost = Cost()
        self._over = threading.Event()

    def __enter__(self) -> Watch:
        self._idle = self._memory()
        self._threads = [
            threading.Thread(target=one) for one in (self._sample, self._healths, self._echoes)
        ]
        for one in self._threads:
            one.start()
        time.sleep(0.1)
        return self

    def __exit__(self, *_: object) -> None:
        time.sleep(0.1)
        self._over.set()
        for one in self._threads:
            one.join()

    def _memory(self) -> tuple[float, float]:
        children = 0
        for one in self._process.children(recursive=True):
            with contextlib.suppress(psutil.Error):
                children += one.memory_info().rss
        return self._process.memory_info().rss / 1e6, children / 1e6

    def _sample(self) -> None:
        while not self._over.wait(_TAKT):
            with contextlib.suppress(psutil.Error):
                node, workers = self._memory()
                self.cost.node = max(self.cost.node, node - self._idle[0])
                self.cost.workers = max(self.cost.workers, workers - self._idle[1])
                self.cost.descriptors = max(self.cost.descriptors, self._process.num_fds())

    def _healths(self) -> None:
        while not self._over.wait(_TAKT):
            began = time.monotonic()
            exchange(self._web, Request("GET", "/health"), source=BYSTANDER, root="", patience=120)
            self.cost.health = max(self.cost.health, time.monotonic() - began)

    def _echoes(self) -> None:
        entity = AE("BYSTANDER")
        entity.add_requested_context("1.2.840.10008.1.1")
        entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = 120
        while not self._over.wait(_TAKT):
            began = time.monotonic()
            link = entity.associate(
                "127.0.0.1", self._dimse, ae_title=self._title, bind_address=(BYSTANDER, 0)
            )
            if link.is_established:
                link.send_c_echo()
                link.release()
            self.cost.echo = max(self.cost.echo, time.monotonic() - began)


def exchange(
    port: int,
    request: Request,
    *,
    source: str = "127.0.0.1",
    root: str = "/dicomweb",
    patience: float = 30,
    keep: list[socket.socket] | None = None,
) -> int:
    """Send one request and return its status, 0 where no answer comes."""
    head = f"{request.method} {root}{request.path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n"
    if request.body:
        length = len(request.body) + request.held
        head += f"Content-Type: {request.kind}\r\nContent-Length: {length}\r\n"
    if not request.held:
        head += "Connection: close\r\n"
    try:
        peer = socket.create_connection(("127.0.0.1", port), patience, (source, 0))
    except OSError:
        return 0
    answer = b""
    try:
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            peer.sendall(head.encode() + b"\r\n" + request.body)
        if request.held:
            peer.settimeout(1.0)
        while piece := peer.recv(1 << 16):
            answer = (answer + piece)[:4096]
    except OSError:
        pass
    if keep is not None:
        keep.append(peer)
    else:
        peer.close()
    return int(answer[9:12]) if answer.startswith(b"HTTP/1.1 ") else 0


def set_off(watch: Watch, port: int, requests: Any, patience: float = 30) -> Cost:
    """Send the requests of a bomb one after the other while a watch is kept."""
    kept: list[socket.socket] = []
    with watch:
        began = time.monotonic()
        for one in requests:
            watch.cost.statuses.append(exchange(port, one, patience=patience, keep=kept))
        watch.cost.seconds = time.monotonic() - began
    for one in kept:
        one.close()
    return watch.cost


def folder_for(base: Path, name: str) -> Path:
    """Return a folder named after a bomb."""
    return base / "".join(c if c.isalnum() else "-" for c in name)
