"""A text that is not yet in any language: its key and its values."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from archiver.wording.catalogue import Words, words_of

_KEPT = (str, int, float, bool, type(None))


@dataclass(frozen=True, init=False)
class Text:
    """A text of the catalogue with its values, to be put in words later.

    Parameters
    ----------
    code
        Key of the catalogue, such as ``"sheet.expects.date"``.
    **values
        What it is filled with: texts and numbers, other texts of the catalogue, problems, or
        several of these. Anything else is kept as its text.
    """

    code: str
    given: tuple[tuple[str, object], ...]

    def __init__(self, code: str, /, **values: object) -> None:
        object.__setattr__(self, "code", code)
        object.__setattr__(self, "given", frozen_values(values.items()))

    def in_words(self, words: Words) -> str:
        """Return the text in a language."""
        return words(self.code, **dict(self.given))

    def __str__(self) -> str:
        return self.in_words(words_of())


def frozen_values(values: Iterable[tuple[str, object]]) -> tuple[tuple[str, object], ...]:
    """Return values in the order of their names, each such that nothing can change it."""
    return tuple(sorted((name, _frozen(value)) for name, value in values))


def _frozen(value: object) -> object:
    if isinstance(value, tuple | list):
        return tuple(map(_frozen, value))
    if type(value) in _KEPT or callable(getattr(value, "in_words", None)):
        return value
    return str(value)
