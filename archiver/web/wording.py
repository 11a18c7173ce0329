"""The catalogue of words: every text that a page shows, by its key."""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

_FIELD = re.compile(r"\{(\w+)\}")
#: The language that is complete; others fall back to it key by key.
FIRST = "en"


@cache
def catalogue(language: str = FIRST) -> Mapping[str, Any]:
    """Return the words of a language: key such as ``find.title`` to a text, or to its forms."""
    text = files("archiver.web").joinpath("words", f"{language}.toml").read_text("utf-8")
    return dict(_flat(tomllib.loads(text), ""))


def _flat(table: Mapping[str, Any], before: str) -> list[tuple[str, Any]]:
    found: list[tuple[str, Any]] = []
    for key, value in table.items():
        if isinstance(value, dict) and value.keys() != {"one", "other"}:
            found += _flat(value, f"{before}{key}.")
        else:
            found.append((before + key, value))
    return found


class Words:
    """Gives texts in one language.

    Parameters
    ----------
    language
        Of the file below ``words``.
    """

    def __init__(self, language: str = FIRST) -> None:
        self.language = language
        self._texts = {**catalogue(), **catalogue(language)}

    def __call__(self, key: str, **values: object) -> str:
        """Return a text with its values put in.

        Raises
        ------
        KeyError
            If the catalogue has no such key.
        """
        text = self._texts[key]
        if isinstance(text, dict):
            text = text["one" if values.get("n") == 1 else "other"]
        # In one pass, so that braces within a value stay what they are.
        return _FIELD.sub(lambda m: str(values.get(m[1], m[0])), str(text))

    def has(self, key: str) -> bool:
        """Return whether there is such a key."""
        return key in self._texts

    def all(self) -> dict[str, Any]:
        """Return every text, for the modules of the browser."""
        return dict(self._texts)
