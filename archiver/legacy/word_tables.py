"""Words in names of folders and files, looked up in tables that rules give."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from typing import TypeVar

V = TypeVar("V")

_WORD = re.compile(r"[^\W_]+")
#: Letters that Unicode does not take apart.
_LETTERS = str.maketrans({"ß": "ss", "æ": "ae", "ø": "o", "ł": "l", "đ": "d", "œ": "oe"})
#: How the same letters are written where a keyboard lacks them.
_WRITTEN_OUT = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ø": "oe", "å": "aa"})


def folded(text: str) -> str:
    """Return a text in small letters without marks on them."""
    parted = unicodedata.normalize("NFKD", text.casefold().translate(_LETTERS))
    return "".join(c for c in parted if not unicodedata.combining(c))


def written_out(text: str) -> str:
    """Return a text in small letters, those with marks written as two."""
    return folded(unicodedata.normalize("NFC", text.casefold()).translate(_WRITTEN_OUT))


def words_in(text: str) -> tuple[str, ...]:
    """Return the words of a text, folded; letters and digits that touch are one word."""
    return tuple(_WORD.findall(folded(text)))


def look_up(text: str, table: Mapping[str, V]) -> tuple[V, ...]:
    """Return what the words of a text mean, each meaning once; the longest words first.

    Parameters
    ----------
    table
        From one or several words to what they mean.
    """
    left: list[str | None] = list(words_in(text))
    found: dict[V, None] = {}
    for key in sorted(table, key=lambda one: (-len(words_in(one)), one)):
        wanted = list(words_in(key))
        place = 0
        while wanted and place + len(wanted) <= len(left):
            if left[place : place + len(wanted)] == wanted:
                # What a longer term has said, a shorter one within it does not say again.
                left[place : place + len(wanted)] = [None] * len(wanted)
                found[table[key]] = None
            place += 1
    return tuple(found)
