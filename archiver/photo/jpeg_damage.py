"""What libjpeg's complaints mean for a photograph."""

from __future__ import annotations

import re
from typing import Final, NoReturn

from archiver.errors import PhotoError, Problem

_STRAY: Final = re.compile(r"(\d+) extraneous bytes before marker 0xd9")


def refuse_damaged(words: str, stream: bytes, *, fatal: bool) -> None:
    """Raise what a complaint of libjpeg means; return if the picture is whole all the same.

    A decoder fills what is missing with grey or garbage and goes on with a warning. Wrapped
    like that, a damaged photograph would look as if it had been taken so; it is refused
    instead, and the camera file stays where it is. Only bytes of padding between the last MCU
    and EOI, which some cameras write, are harmless.

    Parameters
    ----------
    words
        The message.
    stream
        The stream that it is about.
    fatal
        Whether decoding stopped.

    Raises
    ------
    PhotoError
        If coefficients are missing or wrong.
    """
    if not fatal and _is_padding(words, stream):
        return
    _refuse(words)


def _is_padding(words: str, stream: bytes) -> bool:
    stray = _STRAY.search(words)
    if stray is None:
        return False
    end = stream.rfind(b"\xff\xd9")
    padding = stream[max(0, end - int(stray[1])) : end]
    return len(set(padding)) == 1 and padding[0] in (0x00, 0xFF)


def _refuse(words: str) -> NoReturn:
    short = "remature end" in words
    code = "photo.jpeg_damage.cut_short" if short else "photo.jpeg_damage.damaged"
    raise PhotoError(Problem(code, words=words))
