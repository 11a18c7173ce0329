"""Text under a declared Specific Character Set."""

from __future__ import annotations

import pytest

from archiver.standard.charsets import read_text, unknown_terms

JAPANESE = ("", "ISO 2022 IR 87")


@pytest.mark.parametrize(
    ("raw", "terms", "text", "trouble"),
    [
        (b"Recall", (), "Recall", ""),
        (b"Recall", ("",), "Recall", ""),
        (b"Recall \xe9", (), "Recall \N{REPLACEMENT CHARACTER}", "default"),
        (b"Recall \xe9", ("ISO_IR 100",), "Recall é", ""),
        (b"Recall \xe9", ("ISO_IR 192",), "Recall \N{REPLACEMENT CHARACTER}", "ISO_IR 192"),
        (b"a\x1b$B;3\x1b(Bc", JAPANESE, "a山c", ""),
        # What an unknown escape begins is left out, and what comes behind the next is not.
        (b"a\x1b(Zb\x1b$B;3\x1b(Bc", JAPANESE, "a山c", "escape"),
        # What cannot be read before any escape was said to be of the first set.
        (b"\xe9\x1b$B;3\x1b(B", JAPANESE, "\N{REPLACEMENT CHARACTER}山", "default"),
        (b"\xe9\x1b$B;3\x1b(B", ("ISO 2022 IR 100", "ISO 2022 IR 87"), "é山", ""),
        (b"a\x1b$B;3\x1b(B", ("ISO 2022 IR 100",), "a山", "ISO 2022 IR 87"),
        (b"\xd4\x1b$B;3\x1b(J\xcf", ("ISO 2022 IR 13", "ISO 2022 IR 87"), "ﾔ山ﾏ", ""),
    ],
)
def test_bytes_are_read_as_declared_or_told(
    raw: bytes, terms: tuple[str, ...], text: str, trouble: str
) -> None:
    reading = read_text(raw, terms)
    assert reading.text == text
    assert (trouble in str(reading.trouble)) if trouble else reading.trouble == ""


@pytest.mark.parametrize(
    ("terms", "unknown"),
    [
        ((), ()),
        (("",), ()),
        (JAPANESE, ()),
        (("ISO_IR 100",), ()),
        (("ISO_IR 999",), ("ISO_IR 999",)),
        (("ISO 2022 IR 100", ""), ("",)),
        (("", "nonsense", "ISO 2022 IR 87"), ("nonsense",)),
    ],
)
def test_a_term_that_the_standard_lacks_is_told(
    terms: tuple[str, ...], unknown: tuple[str, ...]
) -> None:
    """Empty it may be, but only as the first (PS3.3 C.12.1.1.2)."""
    assert unknown_terms(terms) == unknown
