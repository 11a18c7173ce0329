"""The web server under the DICOMweb application."""

from __future__ import annotations

import socket
import threading
from functools import partial
from typing import TYPE_CHECKING, Any, cast

import uvicorn

from archiver.network.node.dicomweb.application import Application
from archiver.network.node.dicomweb.connection import Doorway, NodeProtocol
from archiver.network.node.dicomweb.rendering import ready
from archiver.workers import shared_pool

if TYPE_CHECKING:
    from archiver.network.node.settings import NodeSettings


class WebSide:
    """Serves DICOMweb, health and figures.

    Parameters
    ----------
    application
        Answers.
    settings
        Access and limits.

    Raises
    ------
    OSError
        If the port is taken.
    UsageError
        If credentials or certificate cannot be used.
    """

    def __init__(
        self,
        application: Application,
        settings: NodeSettings,
    ) -> None:
        self._listener = _listener(settings.host, settings.web_port)
        doorway = Doorway(settings.limits, application.turned_away)
        config = uvicorn.Config(
            application,
            log_config=None,
            access_log=False,
            server_header=False,
            lifespan="off",
            # What it does at one time is bounded by the doorway.
            http=cast(Any, partial(NodeProtocol, doorway)),
            timeout_keep_alive=int(settings.limits.network_seconds),
        )
        config.load()
        config.ssl = settings.tls_context()
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="web", daemon=True)
        self._thread.start()
        shared_pool().warm(ready)

    @property
    def port(self) -> int:
        """Where it listens."""
        return int(self._listener.getsockname()[1])

    def close(self, seconds: float) -> None:
        """Take no new requests, finish those that were begun, end.

        Parameters
        ----------
        seconds
            How long they may take.
        """
        self._server.config.timeout_graceful_shutdown = max(1, int(seconds))
        self._server.should_exit = True
        self._thread.join()
        self._listener.close()

    def _run(self) -> None:
        self._server.run(sockets=[self._listener])


def _listener(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # With the protocol named, asyncio turns Nagle's algorithm off on what is accepted; an answer
    # of more than one segment would else wait for a delayed acknowledgement.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        # From here on clients may come: the system keeps them until the server takes them.
        listener.listen(128)
    except OSError:
        listener.close()
        raise
    return listener
