"""Whether a value answers a key, for every kind of matching of PS3.4 C.2.2.2."""

from __future__ import annotations

import fnmatch
import functools
import re
import unicodedata
from collections.abc import Callable, Collection, Iterable
from datetime import date

from pydicom import DataElement, Dataset
from pydicom.multival import MultiValue

from archiver.wording import Text

_DATES = ("DA",)
_TIMES = ("TM",)
_MOMENTS = ("DT",)
#: Wildcards have no meaning in these (PS3.4 C.2.2.2.4).
_NUMBERS = {"SL", "SS", "US", "UL", "FL", "FD", "IS", "DS"}
_LITERAL = _NUMBERS | {"DA", "TM", "DT", "UI", "OB", "OW", "UN"}


class BadKeyError(ValueError):
    """A key that cannot be understood."""


def texts(element: DataElement | None) -> list[str]:
    """Return the values of an element as texts, without padding; no value gives none."""
    if element is None or element.value is None:
        return []
    value = element.value
    values = value if isinstance(value, MultiValue | list | tuple) else [value]
    found = [str(one).strip(" \0") for one in values]
    return [] if found == [""] else found


def matches(
    key: DataElement, stored: Dataset, *, required: bool = False, literal: Collection[str] = ()
) -> bool:
    """Return whether an attribute answers a key.

    Parameters
    ----------
    key
        What is asked for; without a value it is answered by everything (C.2.2.2.3).
    stored
        Where the attribute is looked up.
    required
        Whether a stored attribute without a value is unknown, and answers every key (C.2.2.1.2).
    literal
        Keywords of keys in which a wildcard is a letter like any other.

    Raises
    ------
    BadKeyError
        If the key is a range that is none.
    """
    element = stored.get(key.tag)
    if key.VR == "SQ":
        return _sequence_matches(key, element, literal)
    wanted = texts(key)
    if not wanted or wanted == ["*"]:
        return True
    have = texts(element)
    if not have:
        return required
    if key.keyword in literal:
        return any(one == value for one in wanted for value in have)
    return any(_one(key.VR, one, value) for one in wanted for value in have)


def is_given(key: DataElement) -> bool:
    """Return whether a key asks for a value, at any depth, and is not only to be returned."""
    if key.VR == "SQ":
        return any(is_given(inner) for item in key.value or () for inner in item)
    return texts(key) not in ([], ["*"])


def check_key(key: DataElement) -> None:
    """Refuse a key that no value could answer because it is malformed.

    Raises
    ------
    BadKeyError
        If a date, a time or a range of them is none.
    """
    if key.VR == "SQ":
        for item in key.value or ():
            for inner in item:
                check_key(inner)
        return
    reading = {"DA": _day, "TM": _clock, "DT": _moment}.get(key.VR)
    wanted = texts(key)
    if reading is None or wanted == ["*"]:
        return
    for one in wanted:
        for end in bounds(one):
            if end:
                reading(end, False)


def _sequence_matches(
    key: DataElement, element: DataElement | None, literal: Collection[str]
) -> bool:
    """C.2.2.2.6: one item of keys, all of which one stored item answers."""
    items = [item for item in key.value or () if len(item)]
    if not items:
        return True
    have: Iterable[Dataset] = element.value if element is not None and element.value else ()
    return any(all(matches(k, item, literal=literal) for k in items[0]) for item in have)


def _one(vr: str, wanted: str, value: str) -> bool:
    if vr in _DATES:
        return in_range(wanted, value, _day)
    if vr in _TIMES:
        return in_range(wanted, value, _clock)
    if vr in _MOMENTS:
        return in_range(wanted, value, _moment)
    if vr == "PN":
        return name_matches(wanted, value)
    if vr in _NUMBERS:
        return _number(wanted) == _number(value)
    if vr not in _LITERAL and ("*" in wanted or "?" in wanted):
        return _pattern(wanted).fullmatch(value) is not None
    return wanted == value


@functools.lru_cache(256)
def _pattern(wanted: str) -> re.Pattern[str]:
    # Only * and ? mean anything; fnmatch would also take brackets.
    return re.compile(fnmatch.translate(wanted.replace("[", "[[]")), re.DOTALL)


def _folded(name: str) -> str:
    return unicodedata.normalize("NFKC", name).casefold()


def name_matches(wanted: str, name: str) -> bool:
    """Compare names without case; a key answers for any of the component groups (PS3.5 6.2.1)."""
    groups = [group.rstrip("^ ") for group in _folded(name).split("=")]
    for group in _folded(wanted).split("="):
        asked = group.rstrip("^ ")
        if not asked:
            continue
        pattern = _pattern(asked)
        if not any(pattern.fullmatch(one) for one in (*groups, _folded(name))):
            return False
    return True


def _number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def _day(text: str, last: bool) -> str:
    digits = text.replace("-", "").replace(".", "")
    try:
        return date(int(digits[:4]), int(digits[4:6]), int(digits[6:8])).strftime("%Y%m%d")
    except ValueError:
        raise BadKeyError(Text("network.query.no_date", text=repr(text))) from None


def _clock(text: str, last: bool) -> str:
    """Return a time as HHMMSS.ffffff; what is left out is the first, or the last, of its kind."""
    found = re.fullmatch(r"(\d{2})(?:(\d{2})(?:(\d{2})(?:\.(\d{1,6}))?)?)?", text.replace(":", ""))
    if not found:
        raise BadKeyError(Text("network.query.no_time", text=repr(text)))
    hour, minute, second, fraction = found.groups()
    filling = ("59", "59", "9") if last else ("00", "00", "0")
    rest = (fraction or "").ljust(6, filling[2])
    return f"{hour}{minute or filling[0]}{second or filling[1]}.{rest}"


def _moment(text: str, last: bool) -> str:
    found = re.fullmatch(r"(\d{4,14})(?:\.(\d{1,6}))?(?:[+-]\d{4})?", text)
    if not found:
        raise BadKeyError(Text("network.query.no_moment", text=repr(text)))
    filling = "99991231235959" if last else "00000101000000"
    digits = found[1] + filling[len(found[1]) :]
    return f"{digits}.{(found[2] or '').ljust(6, '9' if last else '0')}"


def in_range(wanted: str, value: str, reading: Callable[[str, bool], str]) -> bool:
    """C.2.2.2.5: ``a-b``, ``-b``, ``a-`` with both ends included; without a hyphen, equal."""
    low, high = bounds(wanted)
    if low == high:
        try:
            return reading(low, False) <= reading(value, False) <= reading(high, True)
        except BadKeyError:
            reading(low, False)
            return False
    try:
        have = reading(value, False)
    except BadKeyError:
        have = None
    above = not low or (have is not None and have >= reading(low, False))
    below = not high or (have is not None and have <= reading(high, True))
    return above and below


def bounds(wanted: str) -> tuple[str, str]:
    """Split a range into its ends; a single value is both.

    Raises
    ------
    BadKeyError
        If there is more than one hyphen, or no end at all.
    """
    text = wanted.strip()
    if text.count("-") == 2 and re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
        return text, text
    low, hyphen, high = text.partition("-")
    if "-" in high or text in ("", "-"):
        raise BadKeyError(Text("network.query.no_range", text=repr(wanted)))
    return (low.strip(), high.strip()) if hyphen else (text, text)
