"""The catalogue of words: every text that a page, a verb or a problem shows, by its key."""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

#: A value's place in a text; after a colon, what stands between several values.
_FIELD = re.compile(r"\{(\w+)(?::([^{}]*))?\}")
#: What is said of one and of any other number, by a value: ``{n} {n|picture|pictures}``.
_FORM = r"((?:[^{}|]|\{\w+\})*)"
PLURAL = re.compile(rf"\{{(\w+)\|{_FORM}\|{_FORM}\}}")
#: The language that is complete; others fall back to it key by key.
FIRST = "en"


@cache
def chapter(language: str, name: str) -> Mapping[str, str]:
    """Return a file of a language: key such as ``pages.find.title`` to its text.

    Empty where there is none of that name. Reading all of them takes a twentieth of a second.
    """
    # Imported here, since every room imports this module and the help needs no word of it.
    if sys.version_info >= (3, 11):
        import tomllib
    else:
        import tomli as tomllib
    file = _shelf(language).joinpath(f"{name}.toml")
    return dict(_flat(tomllib.loads(file.read_text("utf-8")), f"{name}.")) if file.is_file() else {}


def _shelf(language: str) -> Traversable:
    from importlib.resources import files

    return files("archiver.wording").joinpath("words", language)


def _flat(table: Mapping[str, Any], before: str) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    for key, value in table.items():
        if isinstance(value, dict):
            found += _flat(value, f"{before}{key}.")
        else:
            found.append((before + key, value))
    return found


class Words:
    """Gives texts in one language.

    Parameters
    ----------
    language
        Name of the folder below ``words``.
    table
        Where given, keys are those of this file, without its name.
    """

    def __init__(self, language: str = FIRST, table: str = "") -> None:
        self.language = language
        self._table = table
        self._texts: dict[str, str] = {}
        self._read: set[str] = set()

    def _open(self, name: str) -> None:
        """Read a file once one of its texts is wanted."""
        if name not in self._read:
            texts = {**chapter(FIRST, name), **chapter(self.language, name)}
            self._texts.update((k.removeprefix(f"{self._table}."), v) for k, v in texts.items())
            self._read.add(name)

    def __call__(self, key: str, /, **values: object) -> str:
        """Return a text with its values put in.

        A value may be a `Text`, which is put into the same language, or a tuple of values.

        Raises
        ------
        KeyError
            If the catalogue has no such key.
        """
        if not self.has(key):
            if self._table:  # of another file: a `Text` that came as a value
                return words_of(self.language)(key, **values)
            raise KeyError(key)
        text = self._texts[key]
        if "|" in text:
            text = PLURAL.sub(lambda p: p[2 if str(values.get(p[1])) == "1" else 3], text)
        *pieces, (end, *_) = _pieces(text)
        # In one pass, so that braces within a value stay what they are.
        filled = ""
        for literal, field, name, between in pieces:
            filled += literal + self._shown(values.get(name, field), between)
        return filled + end

    def _shown(self, value: object, between: str) -> str:
        if type(value) is str:
            return value
        if isinstance(value, tuple):
            return between.join(self._shown(one, between) for one in value)
        in_words = getattr(value, "in_words", None)
        return in_words(self) if callable(in_words) else str(value)

    def clause(self, code: str, part: str, values: Mapping[str, object]) -> str:
        """Return a part of what the catalogue says of a code.

        Empty where the code has no such part, or where a value of it is None; what was found is
        always told.

        Raises
        ------
        KeyError
            If the catalogue does not know the code.
        """
        key = f"{code}.{part}"
        if self.has(code):
            key = code if part == "found" else key
        elif not self.has(f"{code}.found"):
            raise KeyError(code)
        if not self.has(key):
            return ""
        left_out = part != "found" and any(
            values[n] is None for n in named_values(self._texts[key])
        )
        return "" if left_out else self(key, **values)

    def has(self, key: str) -> bool:
        """Return whether there is such a key."""
        if key not in self._texts:
            self._open(self._table or key.partition(".")[0])
        return key in self._texts

    def all(self) -> dict[str, str]:
        """Return every text, for the modules of the browser."""
        for file in _shelf(FIRST).iterdir():
            name, _, ending = file.name.partition(".")
            if ending == "toml" and self._table in ("", name):
                self._open(name)
        return dict(self._texts)


def named_values(text: str) -> set[str]:
    """Return the names of the values that a text takes."""
    return {found[1] for pattern in (_FIELD, PLURAL) for found in pattern.finditer(text)}


@cache
def _pieces(text: str) -> tuple[tuple[str, str, str, str], ...]:
    """Return a text in pieces: what stands before a field, the field, its name, what is between."""
    pieces, end = [], 0
    for field in _FIELD.finditer(text):
        pieces.append((text[end : field.start()], field[0], field[1], field[2] or ", "))
        end = field.end()
    return (*pieces, (text[end:], "", "", ""))


@cache
def words_of(language: str = FIRST) -> Words:
    """Return the words of a language, made once."""
    return Words(language)
