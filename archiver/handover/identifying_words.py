"""Words that identify: held by attributes that go, looked for in those that stay."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass

from pydicom import Dataset

from archiver.handover.confidentiality import (
    PRIVATE,
    ConfidentialityOption,
    action_of,
    key_of,
    table,
)
from archiver.objects import read_elements

#: Value representations whose texts are names and identifiers, not sentences.
_NAMING = {"PN", "LO", "SH", "AE", "UC", "CS", "DA"}
_SHORTEST, _SHORTEST_NUMBER = 3, 4
#: From this length on a word is looked for inside other words as well.
_INSIDE = 5
_NO_NAMES = {"unknown", "none", "other", "clinic", "dental", "practice", "camera", "photo"}


def folded(text: str) -> str:
    """Return a text without case, width, accents and joining signs, for comparison."""
    apart = unicodedata.normalize("NFKD", text)
    return "".join(c for c in apart if not unicodedata.combining(c)).casefold()


def _words(text: str) -> Iterator[str]:
    for word in re.findall(r"\w+", folded(text).replace("_", " ")):
        alone = not word.isascii() and len(word) >= 2
        if alone or len(word) >= (_SHORTEST_NUMBER if word.isdigit() else _SHORTEST):
            yield word


@dataclass(frozen=True)
class Identifying:
    """The words that may not go out with an object."""

    words: frozenset[str]

    @classmethod
    def of(cls, texts: Iterable[str]) -> Identifying:
        """Take them from texts: each word, and each text without its signs."""
        found: set[str] = set()
        for text in texts:
            found.update(_words(text))
            found.update(_words("".join(re.findall(r"\w+", text))))
        return cls(frozenset(found - _NO_NAMES))

    def is_in(self, text: str) -> bool:
        """Return whether a text holds one of them."""
        if self.words.intersection(_words(text)):
            return True
        closed = "".join(re.findall(r"\w+", folded(text)))
        return any(word in closed for word in self.words if len(word) >= _INSIDE)


def identifying_texts(
    dataset: Dataset, kept: Collection[ConfidentialityOption] = ()
) -> Iterator[str]:
    """Yield the texts, at every depth, of attributes that name or identify.

    Parameters
    ----------
    kept
        Options that apply: what they keep is not looked for elsewhere.
    """
    for element in read_elements(dataset):
        if element.VR == "SQ":
            for item in element.value or ():
                yield from identifying_texts(item, kept)
        elif _identifies(int(element.tag), element.VR, kept):
            try:
                several = list(element.value) if element.VM > 1 else [element.value]
            except TypeError:
                several = [element.value]
            yield from (str(one) for one in several if one not in (None, ""))


def _identifies(tag: int, vr: str, kept: Collection[ConfidentialityOption]) -> bool:
    if vr == "PN":
        return True
    if action_of(tag, kept) == "K":
        return False
    if vr not in _NAMING or key_of(tag) == PRIVATE:
        return False
    if vr in ("DA", "CS") and tag != 0x00100030:  # of dates the birth date alone
        return False
    row = table().get(key_of(tag))
    # Descriptions are sentences: their words are everybody's.
    return bool(row) and not action_of(tag, [ConfidentialityOption.CLEAN_DESCRIPTORS]).startswith(
        "C"
    )
