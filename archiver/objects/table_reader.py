"""Reading the tables of a TOML file: every problem is gathered, each with its line."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from archiver.errors import InputError, MeaningError, Problem, SheetError
from archiver.objects.sheet_keys import Key, Unfit
from archiver.objects.sheet_text import shown
from archiver.objects.toml_lines import Path as KeyPath
from archiver.wording import Text

#: Keys that a message names at most; those of a table come with the most needed first.
_LISTED = 24


def listed(keys: Iterable[str]) -> tuple[str, ...]:
    """Return the keys that a message names in place of an unknown one."""
    known = tuple(keys)
    return known if len(known) <= _LISTED else (*known[:_LISTED], "...")


@dataclass
class TableReader:
    """Collects problems, each with the line that it is sorted by."""

    path: Path
    lines: dict[KeyPath, int]
    problems: list[tuple[int, Problem]] = field(default_factory=list)

    def line(self, path: KeyPath) -> int:
        """Return the line of a key, or of the table that it would stand in."""
        while path not in self.lines:
            path = path[:-1]
        return self.lines[path]

    def add(self, path: KeyPath, problem: Problem) -> None:
        """Gather a problem."""
        line = self.line(path)
        self.problems.append((line, problem.at(file=self.path.name, line=line, key=path)))

    def report(self, path: KeyPath, code: str, /, **values: object) -> None:
        """Gather a problem of a code."""
        self.add(path, Problem(code, **values))

    def take(self, path: KeyPath, error: InputError) -> None:
        """Gather the problems of an error."""
        for problem in error.problems:
            self.add(path, problem)

    def convert(
        self, path: KeyPath, value: Mapping[str, Any], keys: Mapping[str, Key]
    ) -> dict[str, Any]:
        """Convert the known keys of a table; gather the unknown and the unfit ones."""
        read: dict[str, Any] = {}
        for name, given in value.items():
            place = (*path, name)
            if name not in keys:
                self.unknown(place, keys)
                continue
            try:
                read[name] = keys[name].convert(given)
            except Unfit as unfit:
                self.add(place, unfit.problem(name, given))
            except MeaningError as error:
                self.take(place, error)
        return read

    def unknown(self, path: KeyPath, keys: Collection[str]) -> None:
        """Gather that a key is unknown, with the one that could be meant."""
        name = str(path[-1])
        hint = self.hint(name, keys)
        self.report(
            path, "objects.sheet.unknown_key", key=shown(name), keys=listed(keys), hint=hint
        )

    def hint(self, name: str, keys: Collection[str]) -> Text | None:
        """Return which key could be meant."""
        near = get_close_matches(name, keys, n=1)
        return Text("objects.sheet.did_you_mean", near=near[0]) if near else None

    def end(self) -> None:
        """Raise what was gathered, in the order of the lines.

        Raises
        ------
        SheetError
            If anything was.
        """
        if self.problems:
            raise SheetError(*(p for _, p in sorted(self.problems, key=lambda told: told[0])))
