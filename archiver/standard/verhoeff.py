"""Check digit of SNOMED CT identifiers.

Source: SNOMED CT Technical Implementation Guide, SCTID check digit: the dihedral scheme of
J. Verhoeff, Error Detecting Decimal Codes (1969). It finds every single wrong digit and every
swap of neighbours.
"""

from __future__ import annotations

_SHORTEST, _LONGEST = 6, 18
# Each position permutes digits once more than the one to its right.
_PERMUTATION = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)


def _times(a: int, b: int) -> int:
    """Multiply in the dihedral group of order 10: 0-4 turn a pentagon, 5-9 also flip it."""
    if a < 5:
        return (a + b) % 5 if b < 5 else 5 + (a + b) % 5
    return 5 + (a - b) % 5 if b < 5 else (a - b) % 5


def _permuted(digit: int, position: int) -> int:
    for _ in range(position):
        digit = _PERMUTATION[digit]
    return digit


def is_sctid(text: str) -> bool:
    """Whether a text can be an identifier of SNOMED CT: 6 to 18 digits that check."""
    if not (text.isascii() and text.isdigit() and _SHORTEST <= len(text) <= _LONGEST):
        return False
    total = 0
    for position, character in enumerate(reversed(text)):
        total = _times(total, _permuted(int(character), position))
    return total == 0 and text[0] != "0"
