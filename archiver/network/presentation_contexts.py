"""Presentation contexts for the objects that are to be sent (PS3.8 9.3.2.2).

Each SOP class is proposed once for each transfer syntax that its objects have, by itself, so
that the peer's answer says exactly what it takes; and once uncompressed, as the fallback that
PS3.5 10.1 demands of every peer.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

from pynetdicom.presentation import PresentationContext, build_context

EXPLICIT = "1.2.840.10008.1.2.1"
IMPLICIT = "1.2.840.10008.1.2"
#: In the order in which we prefer them.
UNCOMPRESSED = (EXPLICIT, IMPLICIT)
#: Identifiers are the odd numbers from 1 to 255 (PS3.8 9.3.2.2.1).
MOST_CONTEXTS = 128

#: What an object needs: its SOP class and its transfer syntax.
Need = tuple[str, str]
_T = TypeVar("_T")


def contexts_for(needs: Sequence[Need]) -> list[PresentationContext]:
    """Return what is proposed for objects with these needs."""
    proposed: list[PresentationContext] = []
    for sop_class, syntaxes in _by_class(needs).items():
        proposed += [build_context(sop_class, syntax) for syntax in syntaxes]
        proposed.append(build_context(sop_class, list(UNCOMPRESSED)))
    return proposed


def grouped(objects: Sequence[tuple[Need, _T]]) -> list[list[_T]]:
    """Divide objects so that each group's contexts fit into one association."""
    groups: list[tuple[set[Need], list[_T]]] = []
    for need, item in objects:
        for needs, items in groups:
            if need in needs or _count({*needs, need}) <= MOST_CONTEXTS:
                needs.add(need)
                items.append(item)
                break
        else:
            groups.append(({need}, [item]))
    return [items for _, items in groups]


def _count(needs: set[Need]) -> int:
    return len(needs) + len({sop_class for sop_class, _ in needs})


def _by_class(needs: Sequence[Need]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for sop_class, syntax in needs:
        syntaxes = found.setdefault(sop_class, [])
        if syntax not in syntaxes:
            syntaxes.append(syntax)
    return found
