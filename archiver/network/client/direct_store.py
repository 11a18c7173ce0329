"""Files handed to a peer now, past the outbox: what is not kept in the archive."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from archiver.errors import ArchiverError, NetworkError, Problem
from archiver.network.outgoing_object import read_parcel
from archiver.network.peers import DimsePeer, Peer


def hand_to(peer: Peer, paths: Sequence[Path]) -> None:
    """Hand objects to a peer.

    Raises
    ------
    NetworkError
        If the peer is not there, or does not take one of them.
    ObjectError
        If a file is no object.
    """
    parcels = [read_parcel(path) for path in paths]
    if isinstance(peer, DimsePeer):
        from archiver.network.client.dimse import store

        batches = store.send_noting(peer, parcels)
    else:
        from archiver.network.client.dicomweb import store as web_store

        batches = web_store.send_noting(peer, parcels)
    for batch in batches:
        for _, result in batch:
            if isinstance(result, ArchiverError):
                raise result
            if not result.status.is_done:
                problem = Problem("network.direct_store.refused", said=result.status.text)
                raise NetworkError(problem.at(peer=peer.place))
