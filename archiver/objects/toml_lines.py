"""Where each key of a TOML text stands, so that a problem can name its line.

The parser of the standard library gives values without places. This finds the places of tables,
keys and items in a text that the parser has accepted; it reads no values.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

Path = tuple[str | int, ...]

#: A sheet is nowhere nested more deeply; places below are not kept.
DEEPEST = 8

_SPACE = re.compile(r"[ \t]*")
_GAP = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_PLAIN_VALUE = re.compile(r"[^,\]}#\n]*")
# A long string ends with its last three quotes; one or two may stand before them (TOML 1.0).
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}(?!")'
    r"|'''.*?'{3,5}(?!')"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)


def lines_of(text: str) -> dict[Path, int]:
    """Return the line (from 1) of every table, key and item of a list.

    Parameters
    ----------
    text
        A valid TOML text.

    Returns
    -------
    dict
        From the path, such as ``("photo", 0, "teeth")``, to its line; down to `DEEPEST` names.

    Raises
    ------
    RecursionError
        If values are nested more deeply than Python can follow.
    """
    return _Scanner(text).scan()


class _Scanner:
    """Walks a text once."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.place = 0
        self.found: dict[Path, int] = {(): 1}
        self.lists: dict[Path, int] = {}
        self._line, self._counted = 1, 0

    def scan(self) -> dict[Path, int]:
        table: Path = ()
        self._skip(_GAP)
        while self.place < len(self.text):
            table = self._header() if self._at("[") else self._pair(table)
            self._skip(_GAP)
        return self.found

    def _at(self, mark: str) -> bool:
        return self.text.startswith(mark, self.place)

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.place)
        if match is None:
            raise ValueError(f"no TOML at character {self.place}")
        self.place = match.end()
        return match.group()

    def _line_here(self) -> int:
        self._line += self.text.count("\n", self._counted, self.place)
        self._counted = self.place
        return self._line

    def _header(self) -> Path:
        line = self._line_here()
        brackets = 2 if self._at("[[") else 1
        self.place += brackets
        names = self._names()
        self.place += brackets
        table = self._inside(names[:-1])
        if brackets == 2:
            number = self.lists.get((*table, names[-1]), -1) + 1
            self.lists[(*table, names[-1])] = number
            self.found.setdefault((*table, names[-1]), line)
            table = (*table, names[-1], number)
        else:
            table = self._inside(names)
        self._note(table, line)
        return table

    def _inside(self, names: tuple[str, ...]) -> Path:
        """Put the number of the last item behind each name of a list of tables."""
        path: Path = ()
        for name in names:
            path = (*path, name)
            if path in self.lists:
                path = (*path, self.lists[path])
        return path

    def _note(self, path: Path, line: int) -> None:
        for length in range(min(len(path), DEEPEST) + 1):
            self.found.setdefault(path[:length], line)

    def _names(self) -> tuple[str, ...]:
        names = []
        while True:
            self._skip(_SPACE)
            names.append(self._name())
            self._skip(_SPACE)
            if not self._at("."):
                return tuple(names)
            self.place += 1

    def _name(self) -> str:
        if self._at('"'):
            return str(tomllib.loads("name = " + self._skip(_STRING))["name"])
        return self._skip(_STRING)[1:-1] if self._at("'") else self._skip(_BARE_KEY)

    def _pair(self, table: Path) -> Path:
        line = self._line_here()
        path = (*table, *self._names())[:DEEPEST]
        self._note(path, line)
        self.place += 1  # the sign of equality
        self._skip(_SPACE)
        self._value(path)
        return table

    def _value(self, path: Path) -> None:
        if self._at('"') or self._at("'"):
            self._skip(_STRING)
        elif self._at("["):
            self._list(path)
        elif self._at("{"):
            self._items("}", lambda _: self._pair(path))
        else:
            self._skip(_PLAIN_VALUE)

    def _list(self, path: Path) -> None:
        def item(number: int) -> None:
            if len(path) < DEEPEST:
                self.found.setdefault((*path, number), self._line_here())
            self._value((*path, number)[:DEEPEST])

        self._items("]", item)

    def _items(self, end: str, read: Callable[[int], object]) -> None:
        self.place += 1
        number = 0
        self._skip(_GAP)
        while not self._at(end):
            before = self.place
            read(number)
            if self.place == before:
                raise ValueError(f"no TOML at character {before}")
            number += 1
            self._skip(_GAP)
            if self._at(","):
                self.place += 1
                self._skip(_GAP)
        self.place += 1
