"""Unique identifiers that follow from what an instance is.

UUID-derived (PS3.5 B.2: ``2.25.`` and the UUID as a decimal number), with name-based UUIDs
(RFC 9562, version 5): the same photograph, meaning and correction give the same identifier, so a
second run adds nothing; a changed meaning gives another, so nothing is overwritten.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Mapping
from typing import Protocol

#: Names of this program's identifiers are made below this one (a random UUID, fixed for good).
NAMESPACE = uuid.UUID("6f0e7c0c-3c5a-4c39-9d5f-5b1d9f2a7e41")


class UidPolicy(Protocol):
    """How identifiers are made; injected, so that a site can use its own root."""

    def uid(self, kind: str, identity: Mapping[str, object]) -> str:
        """Return the identifier of a thing.

        Parameters
        ----------
        kind
            ``study``, ``series`` or ``instance``.
        identity
            All that makes the thing what it is, as values that JSON can hold.
        """


class DerivedUids:
    """The policy described in this module."""

    def uid(self, kind: str, identity: Mapping[str, object]) -> str:
        """Return ``2.25.`` and the name-based UUID of kind and identity."""
        name = json.dumps([kind, identity], sort_keys=True, ensure_ascii=False)
        return f"2.25.{uuid.uuid5(NAMESPACE, name).int}"
