"""The keys of a rules file, each a row with its converter.

A converter takes the TOML value and returns what the rule holds, or raises Unfit with what was
expected instead (the same way as the keys of a session sheet).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping

from archiver.dentition import WORD_SETS, view_of
from archiver.objects import COLOUR_FRAMES, FUNCTIONAL_STATES, Key, Unfit, magnification
from archiver.records.rules.rule_set import (
    ARCHES,
    MIRRORS,
    PLAIN,
    QUALITY_LIMITS,
    SCOPES,
    SIDES,
    STAGES,
    STANDINGS,
)
from archiver.wording import Text

Converter = Callable[[object], object]
_LONGEST = 400
SEXTANTS = tuple(name for name in WORD_SETS if name.endswith("sextant"))
QUADRANTS = tuple(
    name for name in WORD_SETS if name.endswith("quadrant") and not name.startswith("deciduous")
)
#: "occlusal arch" stands for that of the arch which holds the tooth.
OCCLUSAL_ARCH = "occlusal arch"
#: "side in occlusion" stands for the buccal view in occlusion of the side which holds the tooth.
SIDE_IN_OCCLUSION = "side in occlusion"


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise Unfit("objects.sheet_keys.text_in_quotes")
    kept = " ".join(value.split())
    if not kept:
        raise Unfit("records.rule_keys.not_empty")
    if len(kept) > _LONGEST:
        raise Unfit("objects.sheet_keys.too_long", most=_LONGEST, length=len(kept))
    if not kept.isprintable():
        raise Unfit("objects.sheet_keys.printable")
    return kept


def _number(least: int, most: int) -> Converter:
    def convert(value: object) -> object:
        if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
            raise Unfit("records.rule_keys.number", least=least, most=most)
        return value

    return convert


def _flag(value: object) -> object:
    if isinstance(value, bool):
        return value
    raise Unfit("objects.sheet_keys.flag")


def _one_of(words: Collection[str]) -> Converter:
    def convert(value: object) -> object:
        if isinstance(value, str) and value in words:
            return value
        raise Unfit("objects.sheet_keys.one_of", words=tuple(f'"{word}"' for word in words))

    return convert


def _texts(value: object) -> tuple[str, ...]:
    given = value if isinstance(value, list) else [value]
    if not given or not all(isinstance(one, str) for one in given):
        raise Unfit("records.rule_keys.texts")
    kept = tuple(_text(one) for one in given)
    if len(set(kept)) < len(kept):
        raise Unfit("records.rule_keys.text_once")
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
        raise Unfit("records.rule_keys.view_once")
    return tuple(read)


def _some_of(words: Collection[str]) -> Converter:
    one_of = _one_of(words)

    def convert(value: object) -> object:
        return tuple(one_of(one) for one in _texts(value))

    return convert


def _magnifications(value: object) -> object:
    return tuple(magnification(one) for one in _texts(value))


def _quality(value: object) -> object:
    if not isinstance(value, Mapping) or not value:
        raise Unfit("records.rule_keys.quality")
    for name, limit in value.items():
        if name not in QUALITY_LIMITS:
            raise Unfit(
                "records.rule_keys.limits",
                hint=Text("records.rule_keys.no_limit", name=name),
                limits=QUALITY_LIMITS,
            )
        if not isinstance(limit, int | float) or isinstance(limit, bool) or not 0 < limit < 1e6:
            meaning = Text(f"records.limit.{name}")
            raise Unfit("records.rule_keys.above_zero", name=name, meaning=meaning)
    return {str(name): float(limit) for name, limit in value.items()}


def _within(value: object) -> object:
    if not isinstance(value, Mapping) or not value or set(value) - {"before", "after"}:
        raise Unfit("records.rule_keys.within")
    for days in value.values():
        if not isinstance(days, int) or isinstance(days, bool) or not 0 <= days <= 3660:
            raise Unfit("records.rule_keys.days")
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
    "sextants": Key(_some_of(SEXTANTS)),
    "quadrants": Key(_some_of(QUADRANTS)),
    "each": Key(_flag),
    "side": Key(_one_of(SIDES)),
    "functional_state": Key(_some_of(FUNCTIONAL_STATES)),
    "magnification": Key(_magnifications),
    "teeth": Key(_one_of(("named", "none"))),
    "taken_before": Key(_texts),
    "mirror": Key(_one_of(MIRRORS)),
    "frames": Key(_some_of((*COLOUR_FRAMES, PLAIN))),
    "stage": Key(_one_of(STAGES)),
    "count": Key(_number(1, 99)),
    "within": Key(_within),
    "covered_by": Key(_views),
    "confirmed": Key(_flag),
    "confirmed_by": Key(_texts),
    "countersigned": Key(_flag),
    "quality": Key(_quality),
    "optional": Key(_flag),
    "source": Key(_text),
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
    "source_date": Key(_text),
    "place": Key(_text),
    "counted_from": Key(_one_of(("contact", "making"))),
    "lacking_capacity": Key(_flag),
    "for_ever": Key(_flag),
}
