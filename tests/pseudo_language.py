"""A language nobody speaks: every text of the catalogue accented and in brackets."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from PIL import ImageDraw
from pytest import MonkeyPatch

from archiver.web import language
from archiver.wording import catalogue as shelf

_ACCENTED = str.maketrans(
    "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ",
    "áƀćđéƒǧħíĵķłḿńóṕɋŕśťúṽẃẋýžÁɃĆĐÉƑǦĦÍĴĶŁḾŃÓṔɊŔŚŤÚṼẂẊÝŽ",
)
#: What stands under a picture: `archiver.objects.confirmation`.
_CODE = re.compile(r"\b[0-9A-Z]{4}-[0-9A-Z]{2}\b")
_NAME = re.compile(r"(\{\w+)")


def accented(text: str) -> str:
    """Return a text without one plain letter, but for the names of its values."""
    parts = _NAME.split(text)
    return "".join(p if _NAME.fullmatch(p) else p.translate(_ACCENTED) for p in parts)


def plain_words(text: str) -> list[str]:
    """Return the words of a text that the catalogue did not give, without codes of pictures."""
    return re.findall(r"(?<![^\W_])[A-Za-z]{2,}(?![^\W_])", _CODE.sub("", text))


@contextmanager
def pseudo_language() -> Iterator[None]:
    """Have every text come from the catalogue in this language."""
    english = shelf.chapter

    def strange(language: str, name: str) -> Mapping[str, str]:
        return {key: accented(text) for key, text in english(shelf.FIRST, name).items()}

    shelf.chapter = strange  # type: ignore[assignment]
    _forget()
    try:
        yield
    finally:
        shelf.chapter = english
        _forget()


def _forget() -> None:
    shelf.words_of.cache_clear()
    language._page_words.cache_clear()


def drawn_words(monkeypatch: MonkeyPatch) -> list[str]:
    """Return a list that gets whatever is written on a picture from now on."""
    written: list[str] = []
    real = ImageDraw.ImageDraw.text

    def text(self: ImageDraw.ImageDraw, place: Any, shown: str, **how: Any) -> None:
        written.append(shown)
        real(self, place, shown, **how)

    monkeypatch.setattr(ImageDraw.ImageDraw, "text", text)
    return written
