"""The web server under the DICOMweb application."""

from __future__ import annotations

import ssl
import threading
from functools import partial
from typing import TYPE_CHECKING, Any, cast

import uvicorn

from archiver.network.node.dicomweb.application import Application
from archiver.network.node.dicomweb.connection import Doorway, NodeProtocol
from archiver.network.node.dicomweb.cross_origin import CrossOrigin
from archiver.network.node.dicomweb.rendering import ready
from archiver.network.node.listening import Address
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
    address
        Where to listen.
    tls
        None for plain connections.

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
        address: Address,
        tls: ssl.SSLContext | None,
    ) -> None:
        self._listener = address.open()
        doorway = Doorway(settings.limits, application.admission.turned_away)
        config = uvicorn.Config(
            CrossOrigin(application, settings.origins) if settings.origins else application,
            log_config=None,
            access_log=False,
            server_header=False,
            # Whom a request comes from is said by the connection, or by who is believed.
            proxy_headers=bool(settings.proxies),
            forwarded_allow_ips=list(settings.proxies),
            lifespan="off",
            # What it does at one time is bounded by the doorway.
            http=cast(Any, partial(NodeProtocol, doorway)),
            timeout_keep_alive=int(settings.limits.network_seconds),
        )
        config.load()
        config.ssl = tls
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
