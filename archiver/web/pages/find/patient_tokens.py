"""Whom a question is about, kept out of addresses.

The address of a page ends up in the browser's history, in bookmarks and in journals of proxies.
So an identifier or a name that was asked for is kept here, in memory only, and the address
carries a random word for it that means something to the person who asked, and only until the
server stops or many others were asked for.
"""

from __future__ import annotations

import hashlib
import secrets
import threading
from dataclasses import dataclass

from cachetools import LRUCache

from archiver.web.asked_person import parts_of_person

_REMEMBERED = 2000
#: Characters of an identifier or a name that are looked at; DICOM's LO has 64, PN 3 x 64.
_LONGEST = 200


@dataclass(frozen=True)
class Whom:
    """A patient as asked for.

    Parameters
    ----------
    patient_id, issuer
        Exactly.
    name
        With wildcards.
    """

    patient_id: str = ""
    name: str = ""
    issuer: str | None = None

    def __bool__(self) -> bool:
        return bool(self.patient_id or self.name)

    @property
    def pattern(self) -> str | None:
        """The name with its wildcards as the index is asked; None for one that has none."""
        words = "^".join(part.strip() for part in self.name.split(",")).strip("^ ")
        return words if "*" in words or "?" in words else None

    @property
    def parts(self) -> tuple[str, ...]:
        """Parts of name or identifier, in any order; none where the name has wildcards."""
        return parts_of_person(self.name) if self.pattern is None else ()


def whom(patient_id: str, name: str, issuer: str | None = None) -> Whom:
    """Return whom somebody asks for, in texts of bounded length without control characters."""
    return Whom(_plain(patient_id), _plain(name), issuer)


def _plain(text: str) -> str:
    return "".join(c for c in text[:_LONGEST] if c.isprintable()).strip()


class PatientTokens:
    """What random words of addresses stand for, by who asked."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._secret = secrets.token_bytes(32)
        self._words: LRUCache[str, tuple[str, Whom]] = LRUCache(_REMEMBERED)

    def word_for(self, visitor: str, asked: Whom) -> str:
        """Return the word for whom a visitor asks for; empty where nobody is."""
        if not asked:
            return ""
        told = repr((visitor, asked)).encode("utf-8", "surrogatepass")
        word = hashlib.blake2b(told, digest_size=12, key=self._secret).hexdigest()
        with self._guard:
            self._words[word] = (visitor, asked)
        return word

    def meant(self, visitor: str, word: str) -> Whom | None:
        """Return whom a word means to a visitor; None where it means nobody, or not to them."""
        with self._guard:
            found = self._words.get(word)
        return found[1] if found is not None and found[0] == visitor else None
