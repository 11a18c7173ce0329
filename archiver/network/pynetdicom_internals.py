"""What of pynetdicom 3.0 is used or replaced here although its names are private.

Another release may rename any of it: `pyproject.toml` keeps to 3.0, and a test goes through
`PRIVATE` and fails where a name is gone, or where one is used that is not listed. What is only
read or set stands in functions here; the classes that replace methods are named beside them.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from pynetdicom import _config

if TYPE_CHECKING:
    from pynetdicom.association import Association
    from pynetdicom.presentation import PresentationContext
    from pynetdicom.transport import AssociationServer

#: By class: its names that are read, set or replaced by `node.dimse` and `client.dimse`.
PRIVATE: Final[Mapping[str, tuple[str, ...]]] = {
    # Replaced: node.dimse.association and client.dimse.link.
    "Association": (
        "_accepted_cx",
        "_is_paused",
        "_kill",
        "_reactor_checkpoint",
        "_run_reactor",
        "_serve_request",
        "_server",
    ),
    # Replaced: node.dimse.upper_layer.
    "DULServiceProvider": (
        "_decode_pdu",
        "_idle_timer",
        "_read_pdu_data",
        "_recv_pdu",
        "_run_loop_delay",
    ),
    # Replaced: client.dimse.link; read by node.dimse.upper_layer.
    "AssociationSocket": ("_is_connected", "_shutdown_socket"),
    # Replaced: client.dimse.link.
    "ApplicationEntity": ("_create_socket",),
    "ServiceUser": ("_contexts",),
    # The last is of Python's socketserver.BaseServer.
    "AssociationServer": ("_handlers", "_BaseServer__shutdown_request"),
}


def accepted(association: Association) -> Mapping[int, PresentationContext]:
    """Return the accepted presentation contexts by their identifiers."""
    return association._accepted_cx


def offer(association: Association, contexts: Sequence[PresentationContext]) -> None:
    """Set what negotiation takes as supported; it reads them and makes contexts of its own."""
    association.acceptor._contexts = list(contexts)


def belong(association: Association, server: AssociationServer) -> None:
    """Count an association among those of a server."""
    association._server = server


def handlers_of(server: AssociationServer) -> Mapping[Any, Any]:
    """Return what is called on each event of a server's associations."""
    return server._handlers


def stop_accepting(server: AssociationServer) -> None:
    """Let `serve_forever` end by itself, without waiting for it as ``shutdown`` does."""
    server._BaseServer__shutdown_request = True  # type: ignore[attr-defined]


def log_nothing() -> None:
    """Bind no handlers that format every message for a log."""
    _config.LOG_HANDLER_LEVEL = "none"


def restart_idle_timer(association: Association) -> None:
    """Note that something went to the peer, or came, past pynetdicom's loop."""
    association.dul._idle_timer.restart()


@contextmanager
def undisturbed(association: Association, goes_on: Callable[[], bool]) -> Iterator[None]:
    """Keep the association's own thread from taking an answer that its user waits for.

    Parameters
    ----------
    goes_on
        False once there is no use in waiting for that thread.
    """
    association._reactor_checkpoint.clear()
    try:
        while not association._is_paused and goes_on():
            time.sleep(0.0001)
        yield
    finally:
        association._reactor_checkpoint.set()
