"""Specific Character Set (PS3.3 C.12.1.1.2, PS3.5 6.1): are the bytes what was declared?"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

from archiver.standard.tables import load_toml
from archiver.wording import Text

_DEFAULT = ("",)


@dataclass(frozen=True)
class Reading:
    """Bytes read as text; ``trouble`` says why they do not fit, empty where they do."""

    text: str
    trouble: Text | str


def unknown_terms(terms: tuple[str, ...]) -> tuple[str, ...]:
    """Return the terms that the standard does not define; the first may be empty."""
    table = load_toml("charsets")
    known = table["single"].keys() | table["extended"].keys()
    return tuple(t for n, t in enumerate(terms) if t not in known or (n and not t))


def read_text(raw: bytes, terms: tuple[str, ...]) -> Reading:
    """Read bytes under a declared Specific Character Set.

    Parameters
    ----------
    raw
        The value field.
    terms
        The values of Specific Character Set in force; none means the default repertoire.
    """
    terms = terms or _DEFAULT
    table = load_toml("charsets")
    if b"\x1b" not in raw:
        first = terms[0]
        codec = table["single"].get(first) or table["extended"].get(first, {}).get("codec", "")
        return _decode(raw, codec or "ascii", first)
    return _read_escapes(raw, terms)


def _decode(raw: bytes, codec: str, term: str) -> Reading:
    try:
        return Reading(raw.decode(codec), "")
    except UnicodeDecodeError as error:
        name = term or Text("standard.charsets.default")
        trouble = Text(
            "standard.charsets.byte_at_offset",
            raw=f"{raw[error.start]:02X}",
            start=error.start,
            name=name,
        )
        return Reading(raw.decode(codec, "replace"), trouble)


@cache
def _escapes() -> dict[bytes, tuple[str, str]]:
    """Return term and codec of each escape sequence."""
    return {
        bytes.fromhex(escape): (term, row["codec"])
        for term, row in load_toml("charsets")["extended"].items()
        for escape in row["escapes"]
    }


def _read_escapes(raw: bytes, terms: tuple[str, ...]) -> Reading:
    """Read text with code extensions: each escape must belong to a declared set (PS3.5 6.1.2.5)."""
    texts: list[str] = []
    table = load_toml("charsets")
    initial = table["single"].get(terms[0]) or table["extended"].get(terms[0], {}).get("codec")
    initial = initial or "ascii"
    trouble: Text | str = ""
    allowed = {*terms, "ISO 2022 IR 6", "" if "" in terms else terms[0]}
    for part in re.split(rb"(?=\x1b)", raw):
        if not part:
            continue
        escape = next((e for e in _escapes() if part.startswith(e)), b"")
        if part[:1] == b"\x1b" and not escape:
            trouble = trouble or Text("standard.charsets.escape_sequence_no")
            continue
        term, codec = _escapes()[escape] if escape else (terms[0], initial)
        # An escape to ASCII or romaji leaves the upper half with the first set (PS3.5 6.1.2.5.3).
        codec = initial if term in ("ISO 2022 IR 6", "ISO 2022 IR 13") else codec
        if escape and term not in allowed:
            trouble = trouble or Text("standard.charsets.escape_which_not", term=term)
        content = part if codec.startswith("iso2022") else part[len(escape) :]
        reading = _decode(content, codec, term)
        texts.append(reading.text)
        trouble = trouble or reading.trouble
    return Reading("".join(texts), trouble)
