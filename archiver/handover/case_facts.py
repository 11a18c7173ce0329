"""What a technician needs of a whole case, on one page: drawn from what the pictures say.

The order of the pictures is that in which a tooth is built: shade, stump, texture, occlusal,
buccal, lingual.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from archiver.dentition import Arch, Side, Surface, Tooth, View, arch_order, in_arch_order
from archiver.handover.facts import SheetFacts, place_words, sheet_text
from archiver.objects import STATES, TAB_NUMBERS, concepts

#: Pictures that the page holds; the others follow on the pages behind it.
MOST: Final = 6
ROLES: Final = ("shade", "stump", "texture", "occlusal", "buccal", "lingual", "other")
_STUMPS = ("prepared", "stump")
_SURFACES = {
    Surface.OCCLUSAL: "occlusal",
    Surface.VESTIBULAR: "buccal",
    Surface.LINGUAL: "lingual",
}


@dataclass(frozen=True)
class CaseFacts:
    """What stands on the page of a case.

    Parameters
    ----------
    teeth
        Those that the case is about, in the order of the arch.
    wishes
        What was typed, each with what it is called.
    colour
        What the colours rest on, in a line.
    sides
        Of which pictures the side is confirmed, by how many and when, a line each.
    order
        Places of the pictures in the sheet, the most needed first, with the role of each.
    """

    teeth: tuple[Tooth, ...]
    wishes: tuple[tuple[str, str], ...]
    colour: str
    sides: tuple[str, ...]
    order: tuple[tuple[int, str], ...]


def role_of(facts: SheetFacts) -> str:
    """Return what a picture is for."""
    if facts.colour.frame:
        return "shade"
    if facts.shade.get("state") in _STUMPS:
        return "stump"
    if "surface_texture" in facts.shade:
        return "texture"
    if facts.description.view is View.INCISAL:
        return "occlusal"
    surface = facts.description.surface
    return _SURFACES.get(surface, "other") if surface is not None else "other"


def _shows_tab(facts: SheetFacts) -> bool:
    """Return whether a frame is the one that a technician looks at, rather than a chart."""
    return facts.colour.frame == "shade tab"


def case_facts(numbered: Sequence[tuple[int, SheetFacts]]) -> CaseFacts:
    """Gather what the pictures say.

    Parameters
    ----------
    numbered
        Number in the package and facts of each picture, in the order of the package.
    """
    several = [facts for _, facts in numbered]
    about = [facts for facts in several if facts.shade or facts.colour.frame] or several
    teeth = in_arch_order(tuple(dict.fromkeys(t for f in about for t in f.description.teeth)))
    roles = [(place, role_of(facts)) for place, facts in enumerate(several)]
    return CaseFacts(
        tuple(teeth),
        _wishes(numbered),
        _colour(several),
        _sides(numbered),
        tuple(
            sorted(roles, key=lambda one: (ROLES.index(one[1]), not _shows_tab(several[one[0]])))
        ),
    )


def _wishes(numbered: Sequence[tuple[int, SheetFacts]]) -> tuple[tuple[str, str], ...]:
    """Return each wish once; where pictures differ, with the number of the picture."""
    places = dict.fromkeys(place for _, facts in numbered for place in facts.description.places)
    found = [(sheet_text("case_page.places"), words) for words in place_words(tuple(places))]
    for key in concepts.SHADE:
        said: dict[str, list[int]] = {}
        for number, facts in numbered:
            if key in facts.shade:
                said.setdefault(facts.shade[key], []).append(number)
        for words, numbers in said.items():
            told = _said(key, words)
            if len(said) > 1:
                told = sheet_text("case_page.of_picture", words=told, numbers=tuple(numbers))
            found.append((sheet_text(f"shade.{key}"), told))
    return tuple(found)


def _said(key: str, words: str) -> str:
    """Return words as they were typed, those of a choice in the language of the sheet."""
    chosen = {"state": STATES, "tab_number": TAB_NUMBERS}.get(key, ())
    return sheet_text(f"shade_word.{words}") if words in chosen else words


def _colour(several: Sequence[SheetFacts]) -> str:
    frames = [facts for facts in several if facts.colour.frame] or list(several)
    corrected = [facts for facts in several if facts.colour.basis.by]
    if corrected:
        return sheet_text("case_page.colour", what=corrected[0].colour.icc)
    key = "stated" if frames and frames[0].colour.basis.characterised else "unknown"
    return sheet_text(f"case_page.{key}", what=frames[0].colour.icc if frames else "")


def _sides(numbered: Sequence[tuple[int, SheetFacts]]) -> tuple[str, ...]:
    found: dict[str, list[int]] = {}
    for number, facts in numbered:
        found.setdefault(facts.side_words, []).append(number)
    return tuple(
        sheet_text("case_page.side", words=words, n=len(numbers), numbers=tuple(numbers))
        for words, numbers in found.items()
    )


def arch_places() -> Mapping[Tooth, tuple[float, float]]:
    """Return where each permanent tooth stands in a drawing of both arches.

    Returns
    -------
    Mapping
        x and y from 0 to 1, y downwards; the patient's right is at the left, as one faces them.
    """
    found = {}
    for tooth in (*arch_order(Arch.UPPER), *arch_order(Arch.LOWER)):
        angle = math.radians((tooth.position - 0.5) / 8 * 88)
        x = 0.44 * math.sin(angle) * (-1 if tooth.side is Side.RIGHT else 1)
        down = 0.36 * (1 - math.cos(angle))
        found[tooth] = (0.5 + x, 0.05 + down if tooth.arch is Arch.UPPER else 0.95 - down)
    return found
