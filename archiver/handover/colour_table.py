"""The colour frames of a case: in order of capture, with what is to be heeded about them.

Never a shade: figures only compare frames that were taken alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from archiver.colour import (
    Array,
    ColourBasis,
    difference_words,
    lab,
    space_of,
    uncertainty,
    why_not_compared,
)
from archiver.errors import ObjectError, Problem
from archiver.handover.facts import ColourFacts, sheet_text
from archiver.handover.frames import Box, OutgoingFrame, decode, is_within
from archiver.handover.sheet import ColourTable
from archiver.objects import CARD, CHART_FRAME
from archiver.wording import Text

#: Kinds of frames, as sheets and objects call them.
_KINDS = {"neutral reference": "neutral", "shade tab": "tab", "cross-polarised": "crossed"}


@dataclass(frozen=True)
class ColourFrame:
    """A picture as the table needs it, in order of capture.

    Parameters
    ----------
    number
        Its number in the package.
    visit
        Which visit it is of.
    after_drying
        Whether it is of, or later than, a picture of the same visit that speaks of drying,
        isolation or preparation.
    means
        Mean L*a*b* (3,) of each of its marked regions, in the order in which they were marked.
    tab
        What is told of a tab and a tooth that are marked in it, a line each.
    """

    number: int
    visit: str
    colour: ColourFacts
    after_drying: bool
    means: tuple[Array, ...] = field(repr=False, default=())
    tab: tuple[str, ...] = ()


def marked_mean(frame: OutgoingFrame, box: Box) -> Array:
    """Return the mean L*a*b* of a region, averaged in L*a*b* (D65).

    Raises
    ------
    ObjectError
        If the region is not within the picture.
    """
    left, top, wide, high = box
    pixels = decode(frame.pixels)
    rows, columns = pixels.shape[:2]
    if not is_within(box, pixels) or pixels.ndim != 3:
        region, size = f"{wide}x{high}+{left}+{top}", f"{columns}x{rows}"
        raise ObjectError(Problem("handover.colour_table.outside", region=region, size=size))
    part = np.ascontiguousarray(pixels[top : top + high, left : left + wide])
    return np.asarray(lab(part, space_of(frame.icc)).reshape(-1, 3).mean(axis=0))


def table_of(frames: Sequence[ColourFrame]) -> ColourTable:
    """Make the table.

    Parameters
    ----------
    frames
        All pictures of the package, in order of capture.
    """
    named = [one for one in frames if one.colour.frame]
    rows = tuple(
        (str(one.number), frame_words(one.colour.frame), one.colour.words) for one in named
    )
    warnings = [
        sheet_text("after_drying", number=one.number, frame=frame_words(one.colour.frame))
        for one in named
        if one.after_drying
    ]
    there = {one.colour.frame for one in named}
    # The greys of a chart are a neutral reference, and so is a card beside a tab.
    if CHART_FRAME in there or any(one.colour.basis.by == CARD for one in frames):
        there.add("neutral reference")
    warnings += [sheet_text(f"no_frame.{key}") for kind, key in _KINDS.items() if kind not in there]
    bare = [one.number for one in frames if not one.colour.basis.characterised]
    if bare:
        warnings.append(sheet_text("bare", numbers=tuple(bare)))
    tabs = [line for one in frames for line in one.tab]
    return ColourTable(rows, tuple(warnings), (*tabs, *_comparisons(frames)))


def frame_words(frame: str) -> str:
    """Name a kind of frame; what is none of ours stays as it was written."""
    names = (CHART_FRAME, *_KINDS)
    return sheet_text(f"frame.{frame.replace(' ', '_')}") if frame in names else frame


def _comparisons(frames: Sequence[ColourFrame]) -> list[str]:
    marked = [one for one in frames if one.means]
    found = []
    for index, one in enumerate(marked):
        found += _within(one)
        for other in marked[index + 1 :]:
            pair = {"one": one.number, "other": other.number}
            why = why_not_compared(_named(one), _named(other))
            if why:
                found.append(sheet_text("not_alike", **pair, why=why))
                continue
            within = uncertainty(one.colour.basis, other.colour.basis)
            several = len(one.means) > 1 or len(other.means) > 1
            for first, mean in enumerate(one.means, 1):
                for second, beside in enumerate(other.means, 1):
                    apart = difference_words(mean, beside, within)
                    if several:
                        which = {"first": first, "second": second}
                        found.append(sheet_text("alike_regions", **pair, **which, apart=apart))
                    else:
                        found.append(sheet_text("alike", **pair, apart=apart))
    if sum(len(one.means) for one in marked) == 1:
        found.append(sheet_text("one_region"))
    return found


def _named(one: ColourFrame) -> tuple[Text, ColourBasis]:
    return Text("handover.colour_table.picture", number=one.number), one.colour.basis


def _within(one: ColourFrame) -> list[str]:
    """Compare the regions of one picture with each other: whatever its light, it is one."""
    if not one.colour.basis.characterised:
        return []
    within = uncertainty(one.colour.basis, one.colour.basis)
    return [
        sheet_text(
            "within",
            number=one.number,
            first=first,
            second=second,
            apart=difference_words(mean, beside, within),
        )
        for (first, mean), (second, beside) in combinations(enumerate(one.means, 1), 2)
    ]


def after_drying(visits: Sequence[str], dried: Sequence[bool]) -> list[bool]:
    """Say of each picture whether it, or an earlier one of its visit, is of a dried tooth."""
    begun: dict[str, bool] = {}
    found = []
    for visit, dry in zip(visits, dried, strict=True):
        begun[visit] = begun.get(visit, False) or dry
        found.append(begun[visit])
    return found
