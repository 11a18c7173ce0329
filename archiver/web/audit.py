"""Events of the pages in the audit trail (PS3.15 A.5), beside those of the node."""

from __future__ import annotations

from archiver.network.node import DONE, MINOR, SERIOUS, Event

#: What a page can tell: somebody logged in or out, asked, looked, sent, changed, was refused.
LOGGED = Event.AUTHENTICATION
QUERY = Event.QUERY
ACCESSED = Event.ACCESSED
EXPORTED = Event.EXPORTED
RECEIVED = Event.RECEIVED
CHANGED = Event.CHANGED
ALERT = Event.ALERT

__all__ = [
    "ACCESSED",
    "ALERT",
    "CHANGED",
    "DONE",
    "EXPORTED",
    "LOGGED",
    "MINOR",
    "QUERY",
    "RECEIVED",
    "SERIOUS",
]
