"""What is sent on by itself, as ``[[forward]]`` tables of the settings say::

    [[forward]]
    to = "clinic"                                    # a peer
    sources = ["CAMERA1", "here"]                    # left out: any
    classes = ["1.2.840.10008.5.1.4.1.1.77.1.4"]     # SOP class UIDs; left out: any
    confirmed = true                                 # only where a person has confirmed the side

A source is the title of who stored it, the name of its token or user, or ``here`` for what was
wrapped, taken in, added, fetched or amended. What a peer stored is never sent back to it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from archiver.errors import Problem, UsageError
from archiver.network.peers import DimsePeer, Peer, find_peer

HERE = "here"
_ORIGIN = re.compile(r"(?:C-STORE|STOW-RS) from (.*)@[^@]*")


@dataclass(frozen=True)
class ForwardingRule:
    """One rule; all that it says has to be so."""

    to: str
    sources: tuple[str, ...] = ()
    classes: tuple[str, ...] = ()
    confirmed: bool = False

    def wants(self, source: str, sop_class: str, *, confirmed: bool) -> bool:
        """Return whether an instance is to be sent."""
        return (
            (not self.sources or source in self.sources)
            and (not self.classes or sop_class in self.classes)
            and (confirmed or not self.confirmed)
        )


def source_of(note: str) -> str:
    """Return whom an instance came from, by what the journal notes of its storing."""
    found = _ORIGIN.fullmatch(note)
    return found.group(1) if found else HERE


def comes_from(peer: Peer, source: str) -> bool:
    """Return whether a peer itself is the source."""
    return isinstance(peer, DimsePeer) and peer.title == source


def rules_of(tables: object, peers: tuple[Peer, ...], file: str) -> tuple[ForwardingRule, ...]:
    """Read the tables ``[[forward]]``.

    Raises
    ------
    UsageError
        With a problem for everything that cannot be understood.
    """
    if not isinstance(tables, list) or not all(isinstance(one, dict) for one in tables):
        raise UsageError(Problem("network.forwarding.no_list").at(file=file))
    problems: list[Problem] = []
    for number, table in enumerate(tables, start=1):
        found = _problems(table, peers)
        problems += [one.at(file=file, table=f"forward {number}") for one in found]
    if problems:
        raise UsageError(*problems)
    return tuple(
        ForwardingRule(
            table["to"],
            tuple(table.get("sources", ())),
            tuple(table.get("classes", ())),
            table.get("confirmed", False),
        )
        for table in tables
    )


def _problems(table: Mapping[str, Any], peers: tuple[Peer, ...]) -> list[Problem]:
    known = tuple(one.name for one in fields(ForwardingRule))
    found = [
        Problem("network.forwarding.unknown_key", key=key, known=known)
        for key in table
        if key not in known
    ]
    try:
        find_peer(peers, str(table.get("to", "")))
    except UsageError as error:
        found += error.problems
    for key in ("sources", "classes"):
        value = table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(one, str) and one for one in value):
            found.append(Problem("network.forwarding.texts", key=key))
    if not isinstance(table.get("confirmed", False), bool):
        found.append(Problem("network.forwarding.flag"))
    return found
