"""What reads the tables of a session sheet and gathers what is wrong with them."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from archiver.dentition import (
    Numbering,
    Tooth,
    bare_number,
    in_arch_order,
    parse_teeth,
    read_teeth,
)
from archiver.errors import MeaningError, Problem
from archiver.objects.sheet_keys import (
    CONSENT,
    PATIENT,
    PHOTO,
    SAME_PERSON,
    TABLES,
    VISIT,
    Key,
)
from archiver.objects.table_reader import TableReader
from archiver.objects.toml_lines import Path as KeyPath
from archiver.wording import Text

#: Names that are compared to find one that could be meant where a file is missing.
_COMPARISONS = 20_000


@dataclass
class SheetReader(TableReader):
    """Reads the tables of a session sheet."""

    numbering: Numbering | None = None
    numbering_is_wrong: bool = False
    known: set[tuple[int, Problem]] = field(default_factory=set)
    beside: dict[Path, dict[str, str]] = field(default_factory=dict)
    comparisons: int = _COMPARISONS

    def add(self, path: KeyPath, problem: Problem) -> None:
        """Gather a problem once: a fault of [defaults] is every photograph's."""
        told = (self.line(path), problem)
        if told not in self.known:
            self.known.add(told)
            super().add(path, problem)

    def hint(self, name: str, keys: Collection[str]) -> Text | None:
        """Return which key could be meant, or where this one belongs."""
        return super().hint(name, keys) or _home(name, keys)

    def table(self, path: KeyPath, value: object, keys: Mapping[str, Key]) -> dict[str, Any]:
        """Convert the known keys of a table; tell the unknown and the unfit ones."""
        if not isinstance(value, Mapping):
            self.report(path, "objects.sheet.no_table", name=path[-1])
            return {}
        return self.convert(path, value, keys)

    def required(self, path: KeyPath, value: object, keys: Mapping[str, Key]) -> None:
        if not isinstance(value, Mapping):
            return
        for name, key in keys.items():
            if key.required and name not in value:
                self.report(path, "objects.sheet.missing_key", name=name, table=path[0])

    def similar(self, file: Path) -> str:
        """Return the name of a file that could be meant; empty where there is none."""
        names = self.beside.get(file.parent)
        if names is None:
            try:
                there = sorted(one.name for one in file.parent.iterdir() if one.is_file())
            except (OSError, ValueError):
                there = []
            # Cards write names in capitals, people often do not.
            names = self.beside[file.parent] = {name.upper(): name for name in there}
        wanted = file.name.upper()
        if wanted in names or self.comparisons < len(names):
            return names.get(wanted, "")
        self.comparisons -= len(names)
        near = get_close_matches(wanted, names, n=1, cutoff=0.5)
        return names[near[0]] if near else ""

    def teeth(self, path: KeyPath, words: tuple[str, ...]) -> tuple[Tooth, ...] | None:
        """Read teeth; None, and the problems told, where not all of them can be read."""
        found: list[Tooth] = []
        readable = True
        for number, word in enumerate(words):
            try:
                found.extend(self._teeth_of(word))
            except MeaningError as error:
                readable = False
                if not self.numbering_is_wrong:
                    self.take((*path, number), error)
        return in_arch_order(tuple(found)) if readable else None

    def _teeth_of(self, word: str) -> tuple[Tooth, ...]:
        if ":" in word or re.search(r"quadrant|arch|sextant", word.casefold()):
            return parse_teeth(word)
        if self.numbering is not None:
            return read_teeth(word, self.numbering)
        raise MeaningError(bare_number(word, Text("objects.sheet.set_numbering")))


def _home(name: str, keys: Collection[str]) -> Text | None:
    """Return how a key is written that has capitals, or where one belongs that stands elsewhere."""
    if name.casefold() in keys:
        return Text("objects.sheet.did_you_mean", near=name.casefold())
    if name in TABLES:
        return Text("objects.sheet.stands_at_top", name=name)
    homes: dict[str, Collection[str]] = {
        "[patient]": (*PATIENT, *SAME_PERSON),
        "[visit]": VISIT,
        "[consent]": CONSENT,
        "[[photo]]": (*PHOTO, "file"),
    }
    home = next((table for table, keys in homes.items() if name in keys), "")
    return Text("objects.sheet.belongs_into", name=name, table=home) if home else None
