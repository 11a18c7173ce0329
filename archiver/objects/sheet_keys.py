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

from archiver.dentition import LingualFronts, Operator, direction_of, view_of
from archiver.errors import Problem
from archiver.objects.concepts import PLACES, SHADE
from archiver.objects.confirmation import read_shown
from archiver.objects.doubt_answers import CHECKS
from archiver.objects.purposes import Purpose
from archiver.objects.session import CHART_FRAME, FLIPS, FUNCTIONAL_STATES, SEEN_FROM, Crop
from archiver.objects.sheet_text import shown
from archiver.wording import Text

Converter = Callable[[object], object]
#: Controls, and Unicode's own separators of lines and paragraphs.
_UNFIT = frozenset({"Cc", "Zl", "Zp"})
#: Nobody born and no photograph taken before this year is wrapped; it catches 0206 for 2026.
_EARLIEST_YEAR = 1900


class Unfit(ValueError):
    """A value that a key cannot take.

    Parameters
    ----------
    code
        Key of the catalogue: what it takes.
    hint
        What to write instead.
    **values
        What the text is filled with.
    """

    def __init__(self, code: str, /, *, hint: Text | None = None, **values: object) -> None:
        super().__init__(code)
        self.expected = Text(code, **values)
        self.hint = hint

    def problem(self, name: str, given: object) -> Problem:
        """Return what is wrong with a key that was given a value."""
        expected, hint = self.expected, self.hint
        return Problem(
            "objects.sheet_keys.unfit",
            name=name,
            given=shown(given),
            expected=expected,
            hint=hint,
        )


@dataclass(frozen=True)
class Key:
    """One key: how its value is read, and whether it must be there."""

    convert: Converter
    required: bool = False


def _quoted(value: object) -> Text:
    return Text("objects.sheet_keys.write_quoted", value=value)


def _text(longest: int, *, lines: bool = False) -> Converter:
    """Return a converter for text that fits a DICOM attribute (PS3.5 6.2: length, no controls)."""

    def convert(value: object) -> object:
        if not isinstance(value, str):
            simple = isinstance(value, int | float | date | time) and not isinstance(value, bool)
            raise Unfit(
                "objects.sheet_keys.text_in_quotes", hint=_quoted(value) if simple else None
            )
        kept = value.strip()
        if re.fullmatch(r"<[^<>]*>", kept):
            raise Unfit("objects.sheet_keys.gap")
        if len(kept) > longest:
            raise Unfit("objects.sheet_keys.too_long", most=longest, length=len(kept))
        allowed = "\n\r\t" if lines else ""
        if any(unicodedata.category(c) in _UNFIT and c not in allowed for c in kept):
            raise Unfit("objects.sheet_keys.printable" if lines else "objects.sheet_keys.one_line")
        if "\\" in kept and not lines:
            raise Unfit(
                "objects.sheet_keys.no_backslash",
                hint=Text("objects.sheet_keys.backslash_separates"),
            )
        return kept

    return convert


def _person(value: object) -> object:
    kept = _text(64)(value)
    assert isinstance(kept, str)
    if kept.count("^") > 4 or "=" in kept:
        raise Unfit("objects.sheet_keys.person", hint=Text("objects.sheet_keys.such_a_person"))
    # A name without any "^" is of a retired form (PS3.5 6.2, VR PN); a single name is a family's.
    return f"{kept}^" if kept and "^" not in kept else kept


def _identifier(value: object) -> object:
    if isinstance(value, int) and not isinstance(value, bool):
        raise Unfit(
            "objects.sheet_keys.quoted_identifier",
            hint=Text("objects.sheet_keys.leading_zeros", value=value),
        )
    kept = _text(64)(value)
    if not kept:
        raise Unfit("objects.sheet_keys.identifier")
    return kept


def _date(value: object) -> object:
    if isinstance(value, date) and not isinstance(value, datetime):
        if value.year < _EARLIEST_YEAR:
            raise Unfit("objects.sheet_keys.later_date", earliest=_EARLIEST_YEAR)
        return value
    raise Unfit("objects.sheet_keys.date")


def _time(value: object) -> object:
    if isinstance(value, time):
        return value
    raise Unfit("objects.sheet_keys.time")


def _sex(value: object) -> object:
    if value in ("M", "F", "O", ""):
        return value
    raise Unfit("objects.sheet_keys.sex", hint=Text("objects.sheet_keys.leave_sex_out"))


def _offset(value: object) -> object:
    match = (
        re.fullmatch(r"([+-])(\d{1,4}):([0-5]\d)(?::([0-5]\d))?", value)
        if isinstance(value, str)
        else None
    )
    if match is None:
        raise Unfit("objects.sheet_keys.offset", hint=Text("objects.sheet_keys.added_to_clock"))
    sign, hours, minutes, seconds = match.groups()
    offset = timedelta(hours=int(hours), minutes=int(minutes), seconds=int(seconds or 0))
    return -offset if sign == "-" else offset


def _view(value: object) -> object:
    if not isinstance(value, str):
        raise Unfit("objects.sheet_keys.view")
    return view_of(value)


def _bool(value: object) -> object:
    if isinstance(value, bool):
        return value
    raise Unfit("objects.sheet_keys.flag")


def _direction(value: object) -> object:
    if not isinstance(value, str):
        raise Unfit("objects.sheet_keys.direction")
    return direction_of(value)


def _operator(value: object) -> object:
    if value in ("front", "behind"):
        return Operator(value)
    raise Unfit("objects.sheet_keys.operator")


def _moment(value: object) -> object:
    if isinstance(value, datetime) and value.utcoffset() is not None:
        return value
    raise Unfit("objects.sheet_keys.moment")


def _shown(value: object) -> object:
    kept = _text(80)(value)
    assert isinstance(kept, str)
    return read_shown(kept)


def _crop(value: object) -> object:
    sides = ("left", "top", "width", "height")
    if not isinstance(value, Mapping):
        raise Unfit("objects.sheet_keys.crop")
    missing = [s for s in sides if s not in value]
    extra = [str(k) for k in value if k not in sides]
    if missing or extra:
        wrong = [Text("objects.sheet_keys.without", side=side) for side in missing]
        wrong += [Text("objects.sheet_keys.with_unknown", name=name) for name in extra]
        raise Unfit("objects.sheet_keys.sides", hint=Text("objects.sheet_keys.it_is", what=wrong))
    numbers = [value[s] for s in sides]
    if any(not isinstance(n, int) or isinstance(n, bool) for n in numbers):
        raise Unfit("objects.sheet_keys.pixels")
    crop = Crop(*numbers)
    if crop.left < 0 or crop.top < 0 or crop.width < 1 or crop.height < 1:
        raise Unfit("objects.sheet_keys.no_area", hint=Text("objects.sheet_keys.it_is", what=crop))
    return crop


def _teeth(value: object) -> object:
    """Only the kind is settled here: reading needs the sheet's numbering."""
    values = value if isinstance(value, list) else [value]
    if any(isinstance(v, bool) or not isinstance(v, int | str) for v in values):
        raise Unfit("objects.sheet_keys.teeth")
    return tuple(str(v) for v in values)


def _purposes(value: object) -> object:
    names = [purpose.value for purpose in Purpose]
    if not isinstance(value, list) or not value or any(v not in names for v in value):
        raise Unfit("objects.sheet_keys.purposes", purposes=tuple(names))
    return tuple(purpose for purpose in Purpose if purpose.value in value)


def _one_of(*words: str) -> Converter:
    def convert(value: object) -> object:
        if value in words:
            return value
        raise Unfit("objects.sheet_keys.one_of", words=tuple(f'"{word}"' for word in words))

    return convert


def _checked(value: object) -> object:
    known = tuple(CHECKS.values())
    given = value if isinstance(value, list) else [value]
    if not given or any(one not in known for one in given):
        raise Unfit("objects.sheet_keys.checked", words=tuple(f'"{word}"' for word in known))
    return tuple(word for word in known if word in given)


def _lingual_fronts(value: object) -> object:
    return LingualFronts(_one_of(*(one.value for one in LingualFronts))(value))


def _flipped(value: object) -> object:
    return FLIPS[str(_one_of(*FLIPS)(value))]


def magnification(value: object) -> object:
    """Read a magnification such as 1:2: what is on the sensor to what is in the mouth."""
    if isinstance(value, str) and re.fullmatch(r"(1:[1-9]\d?(\.\d)?|[1-9](\.\d)?:1)", value):
        return value
    raise Unfit("objects.sheet_keys.magnification")


def _known_length(value: object) -> object:
    """Read a length in millimetres, and how well it is known."""
    number = r"(\d{1,3}(?:[.,]\d{1,2})?)\s*(?:mm)?"
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    words = str(value).strip() if plain or isinstance(value, str) else ""
    found = re.fullmatch(rf"{number}(?:\s*(?:±|\+/?-)\s*{number})?", words)
    if found is None:
        raise Unfit("objects.sheet_keys.known_length")
    length, within = (float(part.replace(",", ".")) for part in (found[1], found[2] or "0.1"))
    if not 1 <= length <= 200 or not 0 < within < length / 4:
        raise Unfit("objects.sheet_keys.known_length")
    return f"{length:g} mm ± {within:g} mm"


#: Of the tooth that is shown, and whether the number on the tab can be read in the picture.
STATES = ("before", "prepared", "stump", "try-in", "finished")
TAB_NUMBERS = ("visible", "hidden")
#: Frames that help to judge the colour of the others.
COLOUR_FRAMES = (CHART_FRAME, "neutral reference", "shade tab", "cross-polarised")

PATIENT: dict[str, Key] = {
    "id": Key(_identifier, required=True),
    "issuer": Key(_text(64)),
    "name": Key(_person),
    "birth_date": Key(_date),
    "sex": Key(_sex),
}

#: In `[patient]`, and both or neither: it answers that an identifier is known otherwise.
SAME_PERSON: dict[str, Key] = {
    "same_person_checked_by": Key(_person),
    "same_person_reason": Key(_text(400)),
}

VISIT: dict[str, Key] = {
    "date": Key(_date, required=True),
    "time": Key(_time),
    "accession": Key(_text(16)),
    "description": Key(_text(64)),
    "clock_offset": Key(_offset),
    "institution": Key(_text(64)),
    "photographer": Key(_person),
}

#: Every key of a photograph but its file; `[defaults]` takes all but `NO_DEFAULT` too.
PHOTO: dict[str, Key] = {
    "view": Key(_view, required=True),
    "mirror": Key(_bool, required=True),
    "teeth": Key(_teeth),
    "top": Key(_direction),
    "operator": Key(_operator),
    "flipped": Key(_flipped),
    "exif_orientation": Key(_one_of("ignore", "use")),
    "lingual_fronts": Key(_lingual_fronts),
    "checked": Key(_checked),
    "crop": Key(_crop),
    "confirmed_by": Key(_person),
    "shown": Key(_shown),
    "confirmed_at": Key(_moment),
    "comment": Key(_text(2000, lines=True)),
    "retraction": Key(_text(64)),
    "contraster": Key(_text(64)),
    "light": Key(_text(64)),
    "polariser": Key(_text(64)),
    "stage": Key(_text(64)),
    "purpose": Key(_text(64)),
    "consent": Key(_text(64)),
    "colour_frame": Key(_one_of(*COLOUR_FRAMES)),
    "functional_state": Key(_one_of(*FUNCTIONAL_STATES)),
    "magnification": Key(magnification),
    "seen_from": Key(_one_of(*SEEN_FROM)),
    **{key: Key(_teeth) for key in PLACES},
    "grey_card": Key(_crop),
    "tab_region": Key(_crop),
    "tooth_region": Key(_crop),
    "scale_region": Key(_crop),
    "scale_length": Key(_known_length),
    **{key: Key(_text(64)) for key in SHADE},
    "state": Key(_one_of(*STATES)),
    "tab_number": Key(_one_of(*TAB_NUMBERS)),
    "instructions": Key(_text(400)),
}

#: Keys that are said of one picture by who looks at it, and of no other.
OF_ONE_LOOK = ("confirmed_by", "shown", "confirmed_at")
#: Keys that hold until the picture is turned otherwise.
UNTIL_TURNED = (*OF_ONE_LOOK, "checked")
#: Parts of one picture that a person draws, in pixels of the corrected, uncropped picture.
REGIONS = ("grey_card", "tab_region", "tooth_region", "scale_region")
#: Keys that hold for one picture at which somebody looked, never for several.
NO_DEFAULT = (*UNTIL_TURNED, *REGIONS, "scale_length", *PLACES)

#: Consent to hand photographs over, a table of its own; it need not be there.
CONSENT: dict[str, Key] = {
    "purposes": Key(_purposes, required=True),
    "noted_by": Key(_person, required=True),
    "until": Key(_date),
}

TABLES = ("numbering", "patient", "visit", "consent", "defaults", "photo")
