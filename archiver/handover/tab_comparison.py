"""A shade tab against the tooth beside it: one picture, one light, one profile.

A person has drawn where they are. The tooth is told by thirds, since a crown is not of one colour;
the tab by its middle third, which is the same whichever way round it is held. No shade is named:
that is the person's part.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from pydicom import Dataset

from archiver.colour import Array, apart_words, difference, lab, lab_words, space_of, uncertainty
from archiver.dentition import edge_words
from archiver.handover.facts import ColourFacts, sheet_text
from archiver.handover.frames import Box, OutgoingFrame, Pixels, decode, is_within
from archiver.objects import Description, comments, concepts
from archiver.wording import Text

#: From the neck to the edge.
THIRDS = ("cervical", "middle", "incisal")
#: Turns by a quarter that bring the gingival edge to the top.
_QUARTERS = {"top": 0, "right": 1, "bottom": 2, "left": 3}
#: Part of a region's width that is measured: its rim is gum, gap or shadow.
_INNER = 0.5
#: Gloss says nothing of a tooth.
_GLOSS = 250
_LEAST_PIXELS = 30
#: L*, a* or b* below which no direction is told.
_LEAST = 0.5
_DIRECTIONS = (("lighter", "darker"), ("redder", "greener"), ("yellower", "bluer"))


@dataclass(frozen=True)
class Patch:
    """Mean L*a*b* (D65) of a part, and its standard deviation, each of shape (3,)."""

    mean: Array
    spread: Array


@dataclass(frozen=True)
class TabPicture:
    """A picture in which a tab and a tooth are marked.

    Parameters
    ----------
    tab, tooth
        Where they are in the picture as it goes out.
    gingival
        The edge at which the gum lies; empty where it is not known.
    """

    number: int
    tab: Box
    tooth: Box
    gingival: str


def tab_picture(number: int, outgoing: Dataset, description: Description) -> TabPicture | None:
    """Read where tab and tooth are; None where they are not marked.

    Parameters
    ----------
    description
        Of the archive's own object, whose crop the regions do not know.
    """
    said = comments(outgoing)
    crop, facing = description.crop, description.orientation
    offset = (crop.left, crop.top) if crop is not None else (0, 0)
    tab = _box(said.get(concepts.TAB_REGION, ""), offset)
    tooth = _box(said.get(concepts.TOOTH_REGION, ""), offset)
    if tab is None or tooth is None:
        return None
    words = edge_words(description.teeth, facing) if facing is not None else {}
    gingival = [edge for edge, word in words.items() if word.code.endswith(".gingival")]
    return TabPicture(number, tab, tooth, gingival[0] if gingival else "")


def _box(words: str, offset: tuple[int, int]) -> Box | None:
    found = re.fullmatch(r"(\d+)x(\d+)\+(\d+)\+(\d+)", words)
    if found is None:
        return None
    wide, high, left, top = map(int, found.groups())
    return left - offset[0], top - offset[1], wide, high


def tab_lines(one: TabPicture, frame: OutgoingFrame, colour: ColourFacts) -> tuple[str, ...]:
    """Say how the tooth differs from the tab, or why that is not told."""
    if not colour.basis.characterised:
        return (sheet_text("tab.bare", number=one.number),)
    pixels = decode(frame.pixels)
    if pixels.ndim != 3 or not all(is_within(box, pixels) for box in (one.tab, one.tooth)):
        return (sheet_text("tab.outside", number=one.number),)
    space = space_of(frame.icc)

    def patches(box: Box, gingival: str) -> list[Patch | None]:
        parts = _thirds(pixels, box, gingival)
        return [_patch(lab(_matt(part), space)) for part in parts]

    tab = patches(one.tab, one.gingival or "top")[1]
    names = THIRDS if one.gingival else ("", "middle", "")
    tooth = zip(names, patches(one.tooth, one.gingival or "top"), strict=True)
    told = [(name, patch) for name, patch in tooth if name and patch is not None]
    if tab is None or not told:
        return (sheet_text("tab.glossy", number=one.number),)
    within = uncertainty(colour.basis, colour.basis)
    lines = [sheet_text("tab.of", number=one.number, colour=_describe_patch(tab))]
    return (*lines, *(_line(name, patch, tab, within) for name, patch in told))


def _line(name: str, patch: Patch, tab: Patch, within: float) -> str:
    apart = float(difference(patch.mean, tab.mean))
    return sheet_text(
        "tab.third",
        third=Text(f"handover.sheet.tab.{name}"),
        colour=_describe_patch(patch),
        directions=directions(patch.mean - tab.mean),
        apart=apart_words(apart, within),
    )


def directions(apart: Sequence[float] | Array) -> tuple[Text, ...]:
    """Say in words which way a colour lies from another: differences of L*, a* and b*."""
    found = [
        words[0] if value > 0 else words[1]
        for words, value in zip(_DIRECTIONS, apart, strict=True)
        if abs(value) >= _LEAST
    ]
    return tuple(Text(f"handover.sheet.tab.{word}") for word in found or ["same"])


def _describe_patch(patch: Patch) -> str:
    spread = " ".join(f"{value:.1f}" for value in patch.spread)
    return f"{lab_words(patch.mean)} (± {spread})"


def _thirds(pixels: Pixels, box: Box, gingival: str) -> list[Pixels]:
    """Return the inner parts of a region's thirds, the cervical one first."""
    left, top, wide, high = box
    part = np.rot90(pixels[top : top + high, left : left + wide], _QUARTERS[gingival])
    rows, columns = part.shape[:2]
    rim = round(columns * (1 - _INNER) / 2)
    inner = part[:, rim : columns - rim]
    return [np.ascontiguousarray(inner[rows * n // 3 : rows * (n + 1) // 3]) for n in range(3)]


def _matt(part: Pixels) -> Pixels:
    """Return the pixels (n, 3) of a part that are not gloss."""
    return np.ascontiguousarray(part[(part < _GLOSS).all(axis=-1)])


def _patch(flat: Array) -> Patch | None:
    return Patch(flat.mean(axis=0), flat.std(axis=0)) if len(flat) >= _LEAST_PIXELS else None
