"""The keys of a rules file, each a row with its converter.

A converter takes the TOML value and returns what the rule holds, or raises Unfit with what was
expected instead (the same way as the keys of a session sheet).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping

from archiver.dentition import view_of
from archiver.objects import Key, Unfit
from archiver.records.rules.rule_set import (
    ARCHES,
    MIRRORS,
    QUALITY_LIMITS,
    SCOPES,
    STAGES,
    STANDINGS,
)

Converter = Callable[[object], object]
_LONGEST = 400
#: "occlusal arch" stands for that of the arch which holds the tooth.
OCCLUSAL_ARCH = "occlusal arch"
#: "side in occlusion" stands for the buccal view in occlusion of the side which holds the tooth.
SIDE_IN_OCCLUSION = "side in occlusion"


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise Unfit("text in quotes")
    kept = " ".join(value.split())
    if not kept:
        raise Unfit("text that is not empty")
    if len(kept) > _LONGEST:
        raise Unfit(f"at most {_LONGEST} characters, not {len(kept)}")
    if not kept.isprintable():
        raise Unfit("text without control characters")
    return kept


def _number(least: int, most: int) -> Converter:
    def convert(value: object) -> object:
        if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
            raise Unfit(f"a whole number from {least} to {most}")
        return value

    return convert


def _flag(value: object) -> object:
    if isinstance(value, bool):
        return value
    raise Unfit("true or false, without quotes")


def _one_of(words: Collection[str]) -> Converter:
    def convert(value: object) -> object:
        if isinstance(value, str) and value in words:
            return value
        raise Unfit(" or ".join(f'"{word}"' for word in words))

    return convert


def _texts(value: object) -> tuple[str, ...]:
    given = value if isinstance(value, list) else [value]
    if not given or not all(isinstance(one, str) for one in given):
        raise Unfit("text in quotes, or a list of such texts")
    kept = tuple(_text(one) for one in given)
    if len(set(kept)) < len(kept):
        raise Unfit("each text once")
    return kept


def _words(value: object) -> object:
    return tuple(one.casefold() for one in _texts(value))


def _views(value: object) -> object:
    read = []
    for one in _texts(value):
        word = " ".join(one.casefold().split())
        special = word in (OCCLUSAL_ARCH, SIDE_IN_OCCLUSION)
        read.append(word if special else view_of(one).value)
    if len(set(read)) < len(read):
        raise Unfit("each view once")
    return tuple(read)


def _quality(value: object) -> object:
    if not isinstance(value, Mapping) or not value:
        raise Unfit("{ pixels = 1200, blur_share = 1.5 }")
    for name, limit in value.items():
        if name not in QUALITY_LIMITS:
            raise Unfit(f"limits among {', '.join(QUALITY_LIMITS)}", f'"{name}" is none')
        if not isinstance(limit, int | float) or isinstance(limit, bool) or not 0 < limit < 1e6:
            raise Unfit(f"{name} as a number above 0 ({QUALITY_LIMITS[name]})")
    return {str(name): float(limit) for name, limit in value.items()}


def _within(value: object) -> object:
    if not isinstance(value, Mapping) or not value or set(value) - {"before", "after"}:
        raise Unfit("{ before = 0, after = 30 }, in days")
    for days in value.values():
        if not isinstance(days, int) or isinstance(days, bool) or not 0 <= days <= 3660:
            raise Unfit("whole days from 0 to 3660")
    return int(value.get("before", 0)), int(value.get("after", 0))


TOP: dict[str, Key] = {
    "name": Key(_text, required=True),
    "version": Key(_text, required=True),
    "source": Key(_text, required=True),
    "standing": Key(_one_of(STANDINGS), required=True),
}

APPLIES: dict[str, Key] = {
    "to": Key(_one_of(("visits", "episodes")), required=True),
    "treatments": Key(_words),
    "descriptions": Key(_words),
    "teeth": Key(_one_of(("any", "posterior", "anterior"))),
}

REQUIRE: dict[str, Key] = {
    "name": Key(_text, required=True),
    "view": Key(_views, required=True),
    "of": Key(_one_of(SCOPES), required=True),
    "arch": Key(_one_of(ARCHES)),
    "mirror": Key(_one_of(MIRRORS)),
    "stage": Key(_one_of(STAGES)),
    "count": Key(_number(1, 99)),
    "within": Key(_within),
    "covered_by": Key(_views),
    "confirmed": Key(_flag),
    "confirmed_by": Key(_texts),
    "quality": Key(_quality),
    "optional": Key(_flag),
}

LIMITS: dict[str, Key] = {
    "days_from_visit": Key(_number(0, 3660)),
    "hours_of_visit": Key(_number(1, 24 * 31)),
    "consent": Key(_flag),
    "least_pixels": Key(_number(0, 100_000)),
    "outbox_hours": Key(_number(1, 24 * 366)),
    "commitment_hours": Key(_number(1, 24 * 366)),
}

RETENTION: dict[str, Key] = {
    "name": Key(_text, required=True),
    "source": Key(_text, required=True),
    "years": Key(_number(1, 150)),
    "until_age": Key(_number(1, 150)),
    "from_age": Key(_number(0, 150)),
    "below_age": Key(_number(1, 150)),
}
