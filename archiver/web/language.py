"""In which language a page speaks: what the person has chosen, else what the browser asks for.

Source: RFC 9110, section 12.5.4 (Accept-Language); BCP 47 for how languages are called. What is
kept in the archive, sent to others or written to the journal has no part in this.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from pathlib import Path
from types import MappingProxyType

from archiver.errors import Problem
from archiver.web.kept_json import write_json
from archiver.wording import FIRST, Text, Words, words_of

#: Languages that have every text of the pages.
LANGUAGES = ("en", "de")

_NO_KEY = re.compile(r"[^a-z0-9]")
#: Of the request that is answered, or for which work goes on.
_SPOKEN: ContextVar[str] = ContextVar("language of the pages", default=FIRST)


@cache
def _page_words(language: str) -> Words:
    return Words(language, table="pages")


def spoken() -> str:
    """Return the language of what is answered now."""
    return _SPOKEN.get()


def page_words() -> Words:
    """Return the words of the pages in the language of what is answered now."""
    return _page_words(spoken())


def language_name(language: str) -> str:
    """Return what a language calls itself."""
    return _page_words(language)("site.language")


def in_words(said: Text | Problem) -> str:
    """Return a text or a problem in the language of what is answered now."""
    return said.in_words(words_of(spoken()))


def rule_name(name: str) -> str:
    """Return the name of a set of rules, or of a view that it asks for; as it is if not shipped."""
    key, words = f"rule_names.{_NO_KEY.sub('_', name.lower())}", words_of(spoken())
    return words(key) if words.has(key) else name


def clause(problem: Problem, part: str) -> str:
    """Return what was found, what was expected or what helps, in the language of the answer."""
    return problem.clause(part, words_of(spoken()))


@contextmanager
def speaking(language: str) -> Iterator[None]:
    """Answer in a language meanwhile."""
    token = _SPOKEN.set(language)
    try:
        yield
    finally:
        _SPOKEN.reset(token)


def go_on_in(language: str) -> None:
    """Answer in another language from now on, within `speaking`."""
    _SPOKEN.set(language)


def asked_for(accepted: str) -> str:
    """Return the language that fits an ``Accept-Language`` best; the first where none does."""
    best, weight = FIRST, 0.0
    for part in accepted.split(","):
        tag, _, given = part.partition(";")
        quality = _quality(given)
        language = tag.strip().lower().partition("-")[0]
        if language in LANGUAGES and quality > weight:
            best, weight = language, quality
    return best


def _quality(given: str) -> float:
    name, _, value = given.strip().partition("=")
    if not name:
        return 1.0
    try:
        return min(float(value), 1.0)
    except ValueError:
        return 0.0


class ChosenLanguages:
    """Which person has chosen which language; kept in a file of the pages' own.

    Parameters
    ----------
    file
        Where it is kept.
    """

    def __init__(self, file: Path) -> None:
        self._file, self._guard = file, threading.Lock()
        self._chosen: Mapping[str, str] = MappingProxyType(_read(file))

    def of(self, name: str) -> str:
        """Return what a person has chosen; empty where that is left to the browser."""
        return self._chosen.get(name, "")

    def choose(self, name: str, language: str) -> None:
        """Keep what a person chooses; what is no language of the pages leaves it to the browser.

        Raises
        ------
        ArchiveError
            If the disk refuses.
        """
        with self._guard:
            chosen = {one: kept for one, kept in self._chosen.items() if one != name}
            if language in LANGUAGES:
                chosen[name] = language
            write_json(self._file, chosen)
            self._chosen = MappingProxyType(chosen)


def _read(file: Path) -> dict[str, str]:
    """Return what was chosen; where it cannot be read, browsers decide until people choose anew."""
    try:
        table = json.loads(file.read_bytes())
        return {name: one for name, one in table.items() if one in LANGUAGES}
    except (OSError, ValueError, AttributeError, TypeError):
        return {}
