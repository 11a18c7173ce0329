"""Reading tooth designations: never without the name of the numbering.

18 numbers name one tooth in ISO 3950 and another in Universal; the wrong one has been extracted
for that reason. A number is therefore read only together with its numbering.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from enum import Enum

from archiver.dentition.teeth import (
    ALL_TEETH,
    DECIDUOUS_TEETH,
    PERMANENT_TEETH,
    Arch,
    Side,
    Tooth,
    arch_order,
    in_arch_order,
)
from archiver.errors import MeaningError, Problem
from archiver.wording import Text


class Numbering(str, Enum):
    """The numberings that are understood, by the name that a sheet declares."""

    ISO = "ISO 3950"
    UNIVERSAL = "Universal"
    PALMER = "Palmer"

    @property
    def prefix(self) -> str:
        """What stands before the colon on a command line."""
        return {"ISO 3950": "iso", "Universal": "universal", "Palmer": "palmer"}[self.value]


def named(tooth: Tooth, numbering: Numbering) -> str:
    """Return the designation of a tooth in a numbering, Palmer's in letters."""
    if numbering is Numbering.ISO:
        return tooth.iso
    return tooth.universal if numbering is Numbering.UNIVERSAL else tooth.palmer


def _with_supernumerary(teeth: Iterable[Tooth]) -> list[Tooth]:
    return [t for tooth in teeth for t in (tooth, Tooth(tooth.quadrant, tooth.position, True))]


_EVERY = _with_supernumerary(ALL_TEETH)
_READINGS: dict[Numbering, dict[str, Tooth]] = {
    Numbering.ISO: {t.iso.upper(): t for t in _EVERY},
    Numbering.UNIVERSAL: {t.universal: t for t in _EVERY},
    Numbering.PALMER: {
        **{t.palmer.upper(): t for t in _EVERY},
        **{t.palmer_symbol.upper(): t for t in _EVERY},
    },
}
_ISO_DIGITS = {t.iso for t in ALL_TEETH}
_UNIVERSAL_NUMBERS = {t.universal for t in ALL_TEETH}

#: Numbers that name an ordinary tooth in ISO 3950 and another one in Universal.
AMBIGUOUS_NUMBERS: tuple[str, ...] = tuple(sorted(_ISO_DIGITS & _UNIVERSAL_NUMBERS))


def numbering_of(name: str) -> Numbering:
    """Return the numbering that a sheet or a prefix names.

    Raises
    ------
    MeaningError
        If no numbering has that name.
    """
    wanted = re.sub(r"[^a-z0-9]", "", name.casefold())
    for numbering in Numbering:
        if wanted in (numbering.prefix, re.sub(r"[^a-z0-9]", "", numbering.value.casefold())):
            return numbering
    raise MeaningError(Problem("dentition.numbering.unknown_numbering", name=name))


def _read(text: str, numbering: Numbering) -> Tooth | None:
    key = re.sub(r"\s", "", text).upper()
    # isdigit alone would let "²" through, which is no number to int().
    if numbering is Numbering.UNIVERSAL and key.isascii() and key.isdigit():
        key = str(int(key))
    return _READINGS[numbering].get(key)


def readings(text: str) -> dict[Numbering, Tooth]:
    """Return every tooth that a bare designation could mean, by numbering."""
    found = {n: _read(text, n) for n in Numbering}
    return {n: t for n, t in found.items() if t is not None}


def _no_such_tooth(text: str, numbering: Numbering) -> MeaningError:
    elsewhere = tuple(
        Text("dentition.numbering.elsewhere", numbering=n.value, text=text, tooth=t.text)
        for n, t in readings(text).items()
        if n is not numbering
    )
    return MeaningError(
        Problem(
            "dentition.numbering.no_tooth",
            text=text,
            numbering=numbering.value,
            designations=Text(f"dentition.numbering.{numbering.name}"),
            elsewhere=elsewhere or None,
        )
    )


def read_tooth(text: str, numbering: Numbering) -> Tooth:
    """Read one designation in a known numbering.

    Raises
    ------
    MeaningError
        If there is no such tooth.
    """
    tooth = _read(text, numbering)
    if tooth is None:
        raise _no_such_tooth(text, numbering)
    return tooth


def _range(first: Tooth, last: Tooth, text: str) -> tuple[Tooth, ...]:
    if first.arch is not last.arch or first.is_deciduous is not last.is_deciduous:
        raise MeaningError(Problem("dentition.numbering.range_across_arches", text=text))
    row = arch_order(first.arch, deciduous=first.is_deciduous)
    a, b = sorted((row.index(first), row.index(last)))
    return row[a : b + 1]


def read_teeth(text: str, numbering: Numbering) -> tuple[Tooth, ...]:
    """Read designations, ranges and lists in a known numbering: ``14-17``, ``11,21``, ``UR4-UR7``.

    A range runs along the arch, across the midline where it has to. An ISO 3950 area of two
    digits (10 a quadrant, 01 and 02 an arch, 03 to 08 a sextant; from memory) is a set too.

    Raises
    ------
    MeaningError
        With one problem for each part that cannot be read.
    """
    teeth: list[Tooth] = []
    problems: list[Problem] = []
    for part in (p.strip() for p in re.split(r"[,;+]", text)):
        try:
            teeth.extend(_read_part(part, numbering))
        except MeaningError as error:
            problems.extend(error.problems)
    if problems:
        raise MeaningError(*problems)
    return in_arch_order(tuple(teeth))


def _read_part(part: str, numbering: Numbering) -> tuple[Tooth, ...]:
    if numbering is Numbering.ISO and part in _ISO_AREAS:
        return _ISO_AREAS[part]
    match = re.fullmatch(r"(\S+)\s*(?:-|–|to)\s*(\S+)", part)
    if match is None:
        return (read_tooth(part, numbering),)
    first, last = match.groups()
    if numbering is Numbering.PALMER and re.fullmatch(r"[1-8A-Ea-e]", last):
        last = first[:2] + last  # "UR4-7" means UR4 to UR7
    a, b = read_tooth(first, numbering), read_tooth(last, numbering)
    if a.supernumerary or b.supernumerary:
        raise MeaningError(Problem("dentition.numbering.range_of_supernumerary", part=part))
    return _range(a, b, part)


def _quadrant(arch: Arch, side: Side, *, deciduous: bool = False) -> tuple[Tooth, ...]:
    teeth = DECIDUOUS_TEETH if deciduous else PERMANENT_TEETH
    return in_arch_order(tuple(t for t in teeth if t.arch is arch and t.side is side))


def _word_sets() -> dict[str, tuple[Tooth, ...]]:
    sets: dict[str, tuple[Tooth, ...]] = {}
    for arch in Arch:
        for deciduous, word in ((False, ""), (True, "deciduous ")):
            sets[f"{word}{arch.value} arch"] = arch_order(arch, deciduous=deciduous)
            for side in Side:
                name = f"{word}{arch.value} {side.value} quadrant"
                sets[name] = _quadrant(arch, side, deciduous=deciduous)
        permanent = arch_order(arch)
        sets[f"{arch.value} anterior sextant"] = tuple(t for t in permanent if t.is_anterior)
        for side in Side:
            sets[f"{arch.value} {side.value} sextant"] = tuple(
                t for t in permanent if t.side is side and not t.is_anterior
            )
    return sets


#: Sets that words name without a number: quadrants, sextants and arches.
WORD_SETS: dict[str, tuple[Tooth, ...]] = _word_sets()

_AREA_WORDS = {
    "01": "upper arch",
    "02": "lower arch",
    "10": "upper right quadrant",
    "20": "upper left quadrant",
    "30": "lower left quadrant",
    "40": "lower right quadrant",
    "50": "deciduous upper right quadrant",
    "60": "deciduous upper left quadrant",
    "70": "deciduous lower left quadrant",
    "80": "deciduous lower right quadrant",
    # Sextants: from memory, the text of ISO 3950 was not at hand.
    "03": "upper right sextant",
    "04": "upper anterior sextant",
    "05": "upper left sextant",
    "06": "lower left sextant",
    "07": "lower anterior sextant",
    "08": "lower right sextant",
}
_ISO_AREAS = {digits: WORD_SETS[words] for digits, words in _AREA_WORDS.items()}


def parse_teeth(text: str) -> tuple[Tooth, ...]:
    """Read a designation that names its numbering: ``iso:14-17``, ``universal:19``, ``palmer:LL6``.

    Words such as ``upper right quadrant`` need no numbering.

    Raises
    ------
    MeaningError
        If the numbering is missing (the message lists what the number could mean) or no such
        tooth exists.
    """
    words = " ".join(text.casefold().split())
    if words in WORD_SETS:
        return WORD_SETS[words]
    prefix, colon, rest = text.partition(":")
    if colon:
        return read_teeth(rest, numbering_of(prefix))
    raise MeaningError(bare_number(text))


def parse_tooth(text: str) -> Tooth:
    """Read exactly one tooth, with its numbering.

    Raises
    ------
    MeaningError
        As `parse_teeth`, or if the text names several teeth.
    """
    teeth = parse_teeth(text)
    if len(teeth) != 1:
        raise MeaningError(
            Problem("dentition.numbering.several_teeth", text=text, teeth=len(teeth))
        )
    return teeth[0]


def bare_number(text: str, hint: Text | None = None) -> Problem:
    """Return the problem of a designation without a numbering, with all that it could mean."""
    text = text.strip()
    found = readings(text)
    if not found:
        return _bare_set(text, hint)
    meanings = tuple(
        Text(
            "dentition.numbering.in_numbering",
            tooth=tooth.text,
            numbering=numbering.value,
            prefix=numbering.prefix,
            text=text,
        )
        for numbering, tooth in found.items()
    )
    if len(meanings) == 1:
        return Problem("dentition.numbering.bare_tooth", text=text, meaning=meanings[0], hint=hint)
    return Problem("dentition.numbering.ambiguous_tooth", text=text, meanings=meanings, hint=hint)


def _bare_set(text: str, hint: Text | None) -> Problem:
    """Return the problem of a range or list without a numbering, or of what names no tooth."""
    meanings = []
    for numbering in Numbering:
        try:
            teeth = read_teeth(text, numbering)
        except MeaningError:
            continue
        meaning = Text(
            "dentition.numbering.range_in_numbering",
            first=teeth[0].text,
            last=teeth[-1].text,
            numbering=numbering.value,
            prefix=numbering.prefix,
            text=text,
        )
        meanings.append(meaning)
    if not meanings:
        return Problem("dentition.numbering.names_no_tooth", text=text, hint=hint)
    if len(meanings) == 1:
        return Problem("dentition.numbering.bare_teeth", text=text, meaning=meanings[0], hint=hint)
    return Problem("dentition.numbering.ambiguous_teeth", text=text, meanings=meanings, hint=hint)


def shortened(teeth: tuple[Tooth, ...]) -> str:
    """Write teeth as ISO 3950 with runs along an arch drawn together: ``14-17, 24``.

    Every run lies in one quadrant, so that no reader has to count across the midline.
    """
    runs: list[list[Tooth]] = []
    for tooth in in_arch_order(teeth):
        last = runs[-1][-1] if runs else None
        if (
            last is not None
            and last.quadrant == tooth.quadrant
            and abs(last.position - tooth.position) == 1
            and not (last.supernumerary or tooth.supernumerary)
        ):
            runs[-1].append(tooth)
        else:
            runs.append([tooth])
    parts = []
    for run in runs:
        first, last = sorted((run[0], run[-1]))
        if len(run) > 2:
            parts.append(f"{first.iso}-{last.iso}")
        else:
            parts.extend(t.iso for t in run)
    return ", ".join(parts)
