"""The keys of a session sheet, each a row with its converter.

A converter takes the TOML value and returns what the session holds, or raises ValueError with
what was expected instead.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from archiver.dentition import Operator, direction_of, view_of
from archiver.objects.purposes import Purpose
from archiver.objects.session import Crop

Converter = Callable[[object], object]
#: Controls, and Unicode's own separators of lines and paragraphs.
_UNFIT = frozenset({"Cc", "Zl", "Zp"})
#: Nobody born and no photograph taken before this year is wrapped; it catches 0206 for 2026.
_EARLIEST_YEAR = 1900


class Unfit(ValueError):
    """A value that a key cannot take.

    Parameters
    ----------
    expected
        What it takes.
    hint
        What to write instead.
    """

    def __init__(self, expected: str, hint: str = "") -> None:
        super().__init__(expected)
        self.expected = expected
        self.hint = hint


@dataclass(frozen=True)
class Key:
    """One key: how its value is read, and whether it must be there."""

    convert: Converter
    required: bool = False


def _text(longest: int, *, lines: bool = False) -> Converter:
    """Return a converter for text that fits a DICOM attribute (PS3.5 6.2: length, no controls)."""

    def convert(value: object) -> object:
        if not isinstance(value, str):
            simple = isinstance(value, int | float | date | time) and not isinstance(value, bool)
            raise Unfit("text in quotes", f'write "{value}"' if simple else "")
        kept = value.strip()
        if re.fullmatch(r"<[^<>]*>", kept):
            raise Unfit("what is meant, in place of the gap of the starter sheet")
        if len(kept) > longest:
            raise Unfit(f"at most {longest} characters, not {len(kept)}")
        allowed = "\n\r\t" if lines else ""
        if any(unicodedata.category(c) in _UNFIT and c not in allowed for c in kept):
            raise Unfit("text without control characters" + ("" if lines else ", on one line"))
        if "\\" in kept and not lines:
            raise Unfit("text without a backslash", "DICOM keeps it to separate values")
        return kept

    return convert


def _person(value: object) -> object:
    kept = _text(64)(value)
    assert isinstance(kept, str)
    if kept.count("^") > 4 or "=" in kept:
        raise Unfit("a name as family^given, at most five parts", 'such as "Okafor^Nadia"')
    # A name without any "^" is of a retired form (PS3.5 6.2, VR PN); a single name is a family's.
    return f"{kept}^" if kept and "^" not in kept else kept


def _identifier(value: object) -> object:
    if isinstance(value, int) and not isinstance(value, bool):
        raise Unfit("an identifier in quotes", f'write "{value}": leading zeros would be lost')
    kept = _text(64)(value)
    if not kept:
        raise Unfit("an identifier that is not empty")
    return kept


def _date(value: object) -> object:
    if isinstance(value, date) and not isinstance(value, datetime):
        if value.year < _EARLIEST_YEAR:
            raise Unfit(f"a date from {_EARLIEST_YEAR} on")
        return value
    raise Unfit("a date without quotes, such as 2026-03-04")


def _time(value: object) -> object:
    if isinstance(value, time):
        return value
    raise Unfit("a time without quotes, such as 14:20:00")


def _sex(value: object) -> object:
    if value in ("M", "F", "O", ""):
        return value
    raise Unfit('"M", "F" or "O"', 'or leave "sex" out')


def _offset(value: object) -> object:
    match = (
        re.fullmatch(r"([+-])(\d{1,4}):([0-5]\d)(?::([0-5]\d))?", value)
        if isinstance(value, str)
        else None
    )
    if match is None:
        raise Unfit(
            'a signed time such as "-00:03:10"', "it is what must be added to the camera's clock"
        )
    sign, hours, minutes, seconds = match.groups()
    offset = timedelta(hours=int(hours), minutes=int(minutes), seconds=int(seconds or 0))
    return -offset if sign == "-" else offset


def _view(value: object) -> object:
    if not isinstance(value, str):
        raise Unfit('a view in quotes, such as "occlusal"')
    return view_of(value)


def _bool(value: object) -> object:
    if isinstance(value, bool):
        return value
    raise Unfit("true or false, without quotes")


def _direction(value: object) -> object:
    if not isinstance(value, str):
        raise Unfit('a direction in quotes, such as "head"')
    return direction_of(value)


def _operator(value: object) -> object:
    if value in ("front", "behind"):
        return Operator(value)
    raise Unfit('"front" (before the face) or "behind" (behind the head)')


def _crop(value: object) -> object:
    sides = ("left", "top", "width", "height")
    if not isinstance(value, Mapping):
        raise Unfit("{ left = 0, top = 0, width = 3200, height = 2400 }")
    missing = [s for s in sides if s not in value]
    extra = [str(k) for k in value if k not in sides]
    if missing or extra:
        wrong = [f"without {s}" for s in missing] + [f"with the unknown {k}" for k in extra]
        raise Unfit("left, top, width and height", f"it is {', '.join(wrong)}")
    numbers = [value[s] for s in sides]
    if any(not isinstance(n, int) or isinstance(n, bool) for n in numbers):
        raise Unfit("whole numbers of pixels")
    crop = Crop(*numbers)
    if crop.left < 0 or crop.top < 0 or crop.width < 1 or crop.height < 1:
        raise Unfit("left and top from 0, width and height from 1", f"it is {crop}")
    return crop


def _teeth(value: object) -> object:
    """Only the kind is settled here: reading needs the sheet's numbering."""
    values = value if isinstance(value, list) else [value]
    if any(isinstance(v, bool) or not isinstance(v, int | str) for v in values):
        raise Unfit('a list of teeth, such as [25], [14, 15, 16] or ["14-16"]')
    return tuple(str(v) for v in values)


def _purposes(value: object) -> object:
    names = [purpose.value for purpose in Purpose]
    if not isinstance(value, list) or not value or any(v not in names for v in value):
        raise Unfit(f"a list of one or more of {', '.join(names)}")
    return tuple(purpose for purpose in Purpose if purpose.value in value)


def _one_of(*words: str) -> Converter:
    def convert(value: object) -> object:
        if value in words:
            return value
        raise Unfit(" or ".join(f'"{word}"' for word in words))

    return convert


#: Frames that help to judge the colour of the others.
COLOUR_FRAMES = ("neutral reference", "shade tab", "cross-polarised")

PATIENT: dict[str, Key] = {
    "id": Key(_identifier, required=True),
    "issuer": Key(_text(64)),
    "name": Key(_person),
    "birth_date": Key(_date),
    "sex": Key(_sex),
}

VISIT: dict[str, Key] = {
    "date": Key(_date, required=True),
    "time": Key(_time),
    "accession": Key(_text(16)),
    "description": Key(_text(64)),
    "clock_offset": Key(_offset),
}

#: Every key of a photograph but its file; `[defaults]` takes these too.
PHOTO: dict[str, Key] = {
    "view": Key(_view, required=True),
    "mirror": Key(_bool, required=True),
    "teeth": Key(_teeth),
    "top": Key(_direction),
    "operator": Key(_operator),
    "crop": Key(_crop),
    "confirmed_by": Key(_person),
    "comment": Key(_text(2000, lines=True)),
    "retraction": Key(_text(64)),
    "contraster": Key(_text(64)),
    "light": Key(_text(64)),
    "polariser": Key(_text(64)),
    "stage": Key(_text(64)),
    "purpose": Key(_text(64)),
    "consent": Key(_text(64)),
    "colour_frame": Key(_one_of(*COLOUR_FRAMES)),
}

#: Consent to hand photographs over, a table of its own; it need not be there.
CONSENT: dict[str, Key] = {
    "purposes": Key(_purposes, required=True),
    "noted_by": Key(_person, required=True),
    "until": Key(_date),
}

TABLES = ("numbering", "patient", "visit", "consent", "defaults", "photo")
