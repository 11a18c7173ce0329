"""Where each key of a TOML text stands, so that a problem can name its line.

The parser of the standard library gives values without places. This finds the places of tables
and keys in a text that it has accepted; it reads no values.
"""

from __future__ import annotations

import re

Path = tuple[str | int, ...]

_TABLE = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(
    r"""^\s*("[^"]*"|'[^']*'|[A-Za-z0-9_-]+)((?:\s*\.\s*[A-Za-z0-9_"'-]+)*)\s*=(.*)$"""
)
_MULTILINE = ('"""', "'''")


def _name(text: str) -> str:
    return text.strip().strip("\"'")


def lines_of(text: str) -> dict[Path, int]:
    """Return the line (from 1) of every table and key.

    Parameters
    ----------
    text
        A valid TOML text.

    Returns
    -------
    dict
        From the path, such as ``("photo", 0, "teeth")``, to its line.
    """
    found: dict[Path, int] = {(): 1}
    counts: dict[Path, int] = {}
    table: Path = ()
    inside = ""
    for number, line in enumerate(text.splitlines(), start=1):
        if inside:
            if inside in line:
                inside = ""
            continue
        header = _TABLE.match(line)
        if header:
            names: Path = tuple(_name(p) for p in header.group(2).split("."))
            if header.group(1) == "[[":
                index = counts.get(names, 0)
                counts[names] = index + 1
                table = (*names, index)
            else:
                table = names
            found.setdefault(table, number)
            continue
        key = _KEY.match(line)
        if key:
            path = (*table, _name(key.group(1)))
            found.setdefault(path, number)
            for mark in _MULTILINE:
                if key.group(3).count(mark) == 1:
                    inside = mark
    return found
