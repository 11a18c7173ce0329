"""Which part of a path says what: templates, matched without a look at any disk.

    {year}/{name} {birth_date}/{state}/{words}

A template has the folders below the one that is imported and, last, the file's name without its
ending. ``**`` stands for any number of folders. Where letters stand between fields they are meant,
in capitals or not; a space fits spaces, underscores and hyphens.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import PurePosixPath

from archiver.legacy.day_forms import bare_pattern

#: What a part of a path may be. `words` are looked up in the tables of words, `any` says nothing.
FIELDS = {
    "name": r"[^/\d]*?[^/\d\W][^/\d]*?",
    "patient_id": r"[^/\s]*?\d[^/\s]*?",
    "birth_date": "",
    "visit_date": "",
    "year": r"(?:19|20)\d\d",
    "month": r"(?:0?[1-9]|1[0-2])",
    "day": r"(?:0?[1-9]|[12]\d|3[01])",
    "view": r"[^/]+?",
    "tooth": r"[^/]+?",
    "state": r"[^/]+?",
    "words": r"[^/]*?",
    "number": r"\d+",
    "any": r"[^/]*?",
}
DAYS = ("birth_date", "visit_date")
_FIELD = re.compile(r"\{(\w*)\}")
_ANY_FOLDERS = "**"
#: Longer paths are not matched: patterns with several free parts would take too long.
_LONGEST = 400


@dataclass(frozen=True)
class PathTemplate:
    """A template; `text` is what the rules say."""

    text: str

    @property
    def fields(self) -> tuple[str, ...]:
        """The fields that it names, in order."""
        return tuple(_FIELD.findall(self.text))

    def match(self, path: PurePosixPath, forms: Sequence[str]) -> Mapping[str, str] | None:
        """Return what each field holds; None where the path does not fit.

        Parameters
        ----------
        path
            Below the folder that is imported; its last name without what `bare_name` takes away.
        forms
            Of days, as `day_forms` has them.
        """
        said = str(path)
        if len(said) > _LONGEST:
            return None
        found = _compiled(self.text, tuple(forms)).fullmatch(said)
        if found is None:
            return None
        told: dict[str, str] = {}
        for group, value in found.groupdict().items():
            name = group.rpartition("_")[0]
            # Free words may stand in several places, and all of them count.
            told[name] = f"{told[name]} / {value}" if told.get(name) else value or ""
        return told


@cache
def _compiled(text: str, forms: tuple[str, ...]) -> re.Pattern[str]:
    days = "|".join(bare_pattern(form) for form in sorted(forms, key=len, reverse=True)) or "(?!)"
    pattern, number = "", 0
    for name in text.split("/"):
        if name == _ANY_FOLDERS:
            pattern += r"(?:[^/]+/)*"
            continue
        place = 0
        for field in _FIELD.finditer(name):
            pattern += _literal(name[place : field.start()])
            shape = days if field.group(1) in DAYS else FIELDS[field.group(1)]
            pattern += f"(?P<{field.group(1)}_{number}>{shape})"
            number += 1
            place = field.end()
        pattern += _literal(name[place:]) + "/"
    return re.compile(pattern.removesuffix("/"), re.IGNORECASE)


def _literal(text: str) -> str:
    return "".join(
        r"[\s_-]+" if piece.isspace() else re.escape(piece)
        for piece in re.split(r"(\s+)", text)
        if piece
    )


def bare_name(name: str, copy_marks: Iterable[str]) -> str:
    """Return a file's name without its ending and without what a copy was marked with.

    Parameters
    ----------
    copy_marks
        As the rules have them; ``#`` stands for a number.
    """
    stem = PurePosixPath(name).stem
    patterns = [_mark(mark) for mark in copy_marks]
    while True:
        shorter = stem
        for pattern in patterns:
            shorter = pattern.sub("", shorter).strip()
        if shorter in ("", stem):
            return stem
        stem = shorter


@cache
def _mark(mark: str) -> re.Pattern[str]:
    # A word is a mark only where it stands by itself.
    alone = r"(?<!\w)" if mark[:1].isalnum() else ""
    return re.compile(
        rf"[\s_-]*{alone}{_literal(mark).replace(chr(92) + '#', r'[0-9]+')}$", re.IGNORECASE
    )
