"""Keeping what a peer sends us because we asked for it."""

from __future__ import annotations

import os
import re
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from pynetdicom import evt
from pynetdicom.presentation import PresentationContext

from archiver.errors import NetworkError, Place, Problem
from archiver.network.client.dimse.link import Bound, application_entity
from archiver.network.peers import DimsePeer
from archiver.network.tls import listening_context

_UID = re.compile(r"[0-9][0-9.]{0,63}")
_OUT_OF_RESOURCES = 0xA700
_CANNOT_UNDERSTAND = 0xC000
#: How long a peer may take to end its associations with us (seconds).
_PARTING = 1.0


class Basket:
    """A folder into which objects are put as they come, each a file of its own.

    Parameters
    ----------
    folder
        Where; it is there already.
    each
        Told how many have come, after each.
    """

    def __init__(self, folder: Path, each: Callable[[int], None] | None = None) -> None:
        self.folder = folder
        self._each = each
        self.files: dict[str, Path] = {}
        #: UIDs of everything that came; what comes again is not kept again.
        self.came: set[str] = set()
        self.problems: list[Problem] = []
        self._guard = threading.Lock()

    def take(self, event: Any) -> int:
        """Keep the object of a C-STORE as it came and return the status of the answer."""
        uid = str(event.request.AffectedSOPInstanceUID)
        if not _UID.fullmatch(uid):
            self.problems.append(Problem("network.dimse.no_uid"))
            return _CANNOT_UNDERSTAND
        if uid in self.came:
            return 0
        path = self.folder / f"{uid}.dcm"
        try:
            self._write(path, event.encoded_dataset(include_meta=True))
        except OSError as error:
            said = (error.strerror or str(error)).lower()
            problem = Problem("network.dimse.not_kept", reason=said)
            self.problems.append(problem.at(file=str(path)))
            return _OUT_OF_RESOURCES
        with self._guard:
            self.files[uid] = path
            self.came.add(uid)
            count = len(self.came)
        if self._each is not None:
            self._each(count)
        return 0

    def _write(self, path: Path, whole: bytes) -> None:
        part = path.with_suffix(".part")
        try:
            with part.open("wb") as file:
                file.write(whole)
                file.flush()
                os.fsync(file.fileno())
            part.replace(path)
        except OSError:
            with suppress(OSError):
                part.unlink()
            raise


@contextmanager
def listening(
    peer: DimsePeer, contexts: list[PresentationContext], bound: list[Bound]
) -> Iterator[int]:
    """Listen for associations that this peer opens to us.

    Yields
    ------
    int
        The port.

    Raises
    ------
    NetworkError
        If the port cannot be had.
    """
    entity = application_entity(peer)
    entity.supported_contexts = contexts
    entity.require_called_aet = True
    entity.require_calling_aet = [peer.title]
    context = None
    if peer.tls is not None:
        context = listening_context(peer.tls, Place(peer=peer.place))
        _limit_handshakes(context, peer.limits.connect)
    try:
        server = entity.start_server(
            (peer.listen_host, peer.listen_port),
            block=False,
            ssl_context=context,
            evt_handlers=bound,
        )
    except OSError as error:
        said = (error.strerror or str(error)).lower()
        place = f"{peer.listen_host}:{peer.listen_port}"
        problem = Problem("network.dimse.cannot_listen", reason=said)
        raise NetworkError(problem.at(subject=place)) from None
    assert server is not None
    try:
        yield int(server.server_address[1])
    finally:
        # What was asked for has come; its sender may still wait for the answer to it.
        until = time.monotonic() + _PARTING
        while server.active_associations and time.monotonic() < until:
            time.sleep(0.01)
        server.shutdown()


def _limit_handshakes(context: ssl.SSLContext, seconds: float) -> None:
    """Let nobody who connects and stays silent hold up the others, nor our own end."""
    wrap = context.wrap_socket

    def limited(client: socket.socket, **named: Any) -> ssl.SSLSocket:
        client.settimeout(seconds)
        try:
            wrapped = wrap(client, **named)
        except OSError:
            client.close()
            raise
        wrapped.settimeout(None)
        return wrapped

    context.wrap_socket = limited  # type: ignore[method-assign,assignment]


def storing(basket: Basket) -> Bound:
    """Return what is bound so that objects go into a basket."""
    return (evt.EVT_C_STORE, basket.take)
