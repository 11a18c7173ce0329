"""Verification: does the peer answer (PS3.4 Annex A)."""

from __future__ import annotations

from pynetdicom.presentation import build_context
from pynetdicom.sop_class import Verification  # type: ignore[attr-defined]

from archiver.errors import NetworkError, Problem
from archiver.network.client.dimse.link import open_link
from archiver.network.peers import DimsePeer
from archiver.network.statuses import Category, DimseStatus, Service, status_of
from archiver.wording import Text


def echo(peer: DimsePeer) -> DimseStatus:
    """Ask the peer whether it is there.

    Raises
    ------
    NetworkError
        If it cannot be reached, refuses, or does not answer with success.
    """
    with open_link(peer, [build_context(Verification)]) as link:
        answer = link.association.send_c_echo(link.next_message())
        if "Status" not in answer:
            raise link.lost(Text("network.lost.verifying"))
        status = status_of(Service.ANY, int(answer.Status))
        if status.category is not Category.SUCCESS:
            raise NetworkError(
                Problem("network.dimse.status", status=status.text).at(peer=peer.place)
            )
        return status
