"""Whether what a person wrote speaks of a tooth that has begun to dry, or is prepared."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

#: Words, in stage or retraction, of a tooth that has begun to dry or is isolated.
_DRYING: Final = ("dry", "dried", "isolat", "dam", "cotton", "prep", "bleach", "etch")
#: States of a tooth that has been isolated and dried.
_DRIED_STATES: Final = ("prepared", "stump")
#: Words before one of them that turn it into its opposite.
_NOT_YET: Final = ("before", "no ", "not ", "without", "prior to", "un")


def speaks_of_drying(words: Iterable[str], state: str) -> bool:
    """Return whether a tooth is dried, isolated or prepared.

    Parameters
    ----------
    words
        Of stage and retraction.
    state
        Of the tooth, as the sheet has it.
    """
    if state in _DRIED_STATES:
        return True
    for said in (one.casefold() for one in words):
        for word in _DRYING:
            before, found, _ = said.partition(word)
            if found and not before.rstrip().endswith(tuple(w.strip() for w in _NOT_YET)):
                return True
    return False
