"""The text of a session sheet, as values and the lines on which they stand."""

from __future__ import annotations

import re
import sys
from collections.abc import Collection, Iterator
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

from archiver.errors import Place, Problem, SheetError
from archiver.objects.toml_lines import DEEPEST, lines_of
from archiver.objects.toml_lines import Path as KeyPath
from archiver.wording import Text

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

T = TypeVar("T")

#: TOML 1.0 promises whole numbers of 64 bits and no more.
_LARGEST = 2**63
_LONGEST_SHOWN = 60
SHEET = Text("objects.sheet_text.sheet")
_GAP = re.compile(r"=\s*<[^>]*>")


def load(path: Path, kind: Text = SHEET) -> tuple[dict[str, Any], dict[KeyPath, int]]:
    """Read a sheet's values and where each of them stands.

    Parameters
    ----------
    kind
        What the file is called in problems.

    Raises
    ------
    SheetError
        If the file cannot be read or is no TOML.
    """
    text = _text_of(path, kind)
    try:
        values = tomllib.loads(text)
        lines = lines_of(text)
        large = _too_large(values)
    except RecursionError:
        raise SheetError(
            Problem("objects.sheet_text.too_deep", kind=kind).at(file=path.name)
        ) from None
    except ValueError as error:
        raise SheetError(_no_toml(path, text, error)) from None
    if large:
        raise SheetError(
            *(
                Problem("objects.sheet_text.number_too_large").at(
                    file=path.name, line=lines.get(p, 1)
                )
                for p in large
            )
        )
    return values, lines


def shown(value: object) -> str:
    """Return a value as a sheet would write it, on one line and not too long."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        pairs = (f"{_cut(str(key))} = {shown(one)}" for key, one in _first(value.items()))
        return _cut(f"{{ {', '.join(pairs)} }}" if value else "{}")
    if isinstance(value, list):
        return _cut(f"[{', '.join(map(shown, _first(value)))}]")
    text = _cut(value if isinstance(value, str) else str(value))
    return f'"{text}"' if isinstance(value, str) else text


def _first(values: Collection[T]) -> Iterator[T]:
    return islice(values, _LONGEST_SHOWN)


def _cut(text: str) -> str:
    text = "".join(c if c.isprintable() or c.isspace() else "?" for c in text)
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 3] + "..."


def _text_of(path: Path, kind: Text) -> str:
    try:
        octets = path.read_bytes()
    except FileNotFoundError:
        raise SheetError(
            Problem("objects.sheet_text.no_such", kind=kind).at(file=str(path))
        ) from None
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or str(error)
        raise SheetError(
            Problem("objects.sheet_text.unreadable", kind=kind, said=said).at(file=str(path))
        ) from None
    try:
        text = octets.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = octets.count(b"\n", 0, error.start) + 1
        raise SheetError(
            Problem("objects.sheet_text.not_utf8", kind=kind).at(file=path.name, line=line)
        ) from None
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _no_toml(path: Path, text: str, error: ValueError) -> Problem:
    message = str(error)
    place = re.search(r"\(at line (\d+), column \d+\)", message)
    number = int(place.group(1)) if place else None
    if "(at end of document)" in message:
        number = text.rstrip("\n").count("\n") + 1
    where = Place(file=path.name, line=number)
    said = re.sub(r"\s*\(at .*\)$", "", message)
    lines = text.split("\n")
    line = lines[number - 1] if number and number <= len(lines) else ""
    if _GAP.search(line):
        return Problem("objects.sheet_text.gap_open").with_places(where)
    return Problem("objects.sheet_text.no_toml", said=said).with_places(where)


def _too_large(values: dict[str, Any]) -> list[KeyPath]:
    found: list[KeyPath] = []
    open_: list[tuple[KeyPath, object]] = [((), values)]
    while open_:
        path, value = open_.pop()
        if isinstance(value, dict):
            open_ += [((*path, name)[:DEEPEST], inner) for name, inner in value.items()]
        elif isinstance(value, list):
            open_ += [((*path, place)[:DEEPEST], inner) for place, inner in enumerate(value)]
        elif isinstance(value, int) and not -_LARGEST <= value < _LARGEST:
            found.append(path)
    return sorted(found, key=str)
