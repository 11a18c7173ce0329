"""Values that somebody could have typed, and whether they are words of the standard or of ours."""

from __future__ import annotations

import re
from typing import Any

from pydicom import DataElement
from pydicom.multival import MultiValue

from archiver.handover.context import harmless
from archiver.standard import terms_of

_PATIENT_ORIENTATION = 0x00200020
#: Letters of directions, of bipeds and of quadrupeds (PS3.3 C.7.6.1.1.1).
_DIRECTION = re.compile(r"(?:[APRLHF]{1,3}|LE|RT|D|V|CR|CD|M|L|PA|PL)?")
_ZONE = 0x00080201
_SHAPES = {
    "zone": re.compile(r"[+-][0-9]{4}"),
    "DS": re.compile(r"[+-]?[0-9]*\.?[0-9]+(?:[Ee][+-]?[0-9]+)?\.?"),
    "IS": re.compile(r"[+-]?[0-9]+"),
    "AS": re.compile(r"[0-9]{3}[DWMY]"),
    "DA": re.compile(r"[0-9]{8}"),
    "TM": re.compile(r"[0-9]{2}(?:[0-9]{2}(?:[0-9]{2}(?:\.[0-9]{1,6})?)?)?"),
    "DT": re.compile(r"[0-9]{4,14}(?:\.[0-9]{1,6})?(?:[+-][0-9]{4})?"),
}
_TYPED = {"CS", "LO", "SH", "ST", "LT", "UT", "UC"}


def is_known(element: DataElement) -> bool:
    """Return whether every value is a term of the standard, words of our table, or has its shape.

    Binary numbers and UIDs are no words, and known; bytes of no known representation never are.
    Names and addresses have rules of their own.
    """
    return len(known_part(element)) == len(values_of(element))


def known_part(element: DataElement) -> list[Any]:
    """Return the values before the first that is not known: their places have meanings."""
    vr, several = element.VR, values_of(element)
    if vr == "UN":
        return []
    if vr not in _TYPED and vr not in _SHAPES:
        return several
    told = ((number, str(one or "").strip()) for number, one in enumerate(several, 1))
    known = [_is_known(int(element.tag), vr, number, text) for number, text in told]
    return several[: [*known, False].index(False)]


def values_of(element: DataElement) -> list[Any]:
    """Return the values of an element, of which there may be one."""
    return list(element.value) if isinstance(element.value, MultiValue) else [element.value]


def _is_known(tag: int, vr: str, number: int, value: str) -> bool:
    if not value:
        return True
    shape = "zone" if tag == _ZONE else vr
    if shape in _SHAPES:
        return bool(_SHAPES[shape].fullmatch(value))
    if tag == _PATIENT_ORIENTATION:
        return bool(_DIRECTION.fullmatch(value))
    return value in terms_of(tag, number) or harmless(value)
