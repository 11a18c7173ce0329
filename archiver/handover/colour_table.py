"""The colour frames of a case: in order of capture, with what is to be heeded about them.

Never a shade: figures only compare frames that were taken alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from archiver.colour import UNCERTAIN, UNCERTAIN_BY_CHART, Array, difference, lab, space_of
from archiver.errors import ObjectError, Problem
from archiver.handover.facts import ColourFacts, sheet_text
from archiver.handover.frames import Box, OutgoingFrame, decode
from archiver.handover.sheet import ColourTable
from archiver.objects import CHART_FRAME

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
    """

    number: int
    visit: str
    colour: ColourFacts
    after_drying: bool
    means: tuple[Array, ...] = field(repr=False, default=())


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
    inside = left >= 0 and top >= 0 and left + wide <= columns and top + high <= rows
    if not inside or wide < 1 or high < 1 or pixels.ndim != 3:
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
    rows = tuple((str(one.number), one.colour.frame, one.colour.words) for one in named)
    warnings = [
        sheet_text("after_drying", number=one.number, frame=one.colour.frame)
        for one in named
        if one.after_drying
    ]
    there = {one.colour.frame for one in named}
    if CHART_FRAME in there:  # its greys are a neutral reference
        there.add("neutral reference")
    warnings += [sheet_text(f"no_frame.{key}") for kind, key in _KINDS.items() if kind not in there]
    bare = [one.number for one in frames if not one.colour.characterised]
    if bare:
        warnings.append(sheet_text("bare", numbers=tuple(bare)))
    return ColourTable(rows, tuple(warnings), tuple(_comparisons(frames)))


def _comparisons(frames: Sequence[ColourFrame]) -> list[str]:
    marked = [one for one in frames if one.means]
    found = []
    for index, one in enumerate(marked):
        found += _within(one)
        for other in marked[index + 1 :]:
            pair = {"one": one.number, "other": other.number}
            why = _why_not(one, other)
            if why:
                found.append(sheet_text("not_alike", **pair, why=tuple(why)))
                continue
            several = len(one.means) > 1 or len(other.means) > 1
            for first, mean in enumerate(one.means, 1):
                for second, beside in enumerate(other.means, 1):
                    apart = _apart(mean, beside, one.colour)
                    if several:
                        which = {"first": first, "second": second}
                        found.append(sheet_text("alike_regions", **pair, **which, apart=apart))
                    else:
                        found.append(sheet_text("alike", **pair, apart=apart))
    if sum(len(one.means) for one in marked) == 1:
        found.append(sheet_text("one_region"))
    return found


def _why_not(one: ColourFrame, other: ColourFrame) -> list[str]:
    """Return why colours of two frames may not be compared; nothing where they may."""
    why = []
    for frame in (one, other):
        colour = frame.colour
        if not colour.characterised:
            why.append(sheet_text("why.bare", number=frame.number))
        if not colour.light:
            why.append(sheet_text("why.no_light", number=frame.number))
        if not colour.balance_fixed:
            told = "automatic" if colour.white_balance else "no_balance"
            why.append(sheet_text(f"why.{told}", number=frame.number))
    if why:
        return why
    names = [name for name, said in one.colour.alike.items() if other.colour.alike[name] != said]
    return [sheet_text(f"why.differs.{name}") for name in names]


def _within(one: ColourFrame) -> list[str]:
    """Compare the regions of one picture with each other: whatever its light, it is one."""
    if not one.colour.characterised:
        return []
    return [
        sheet_text(
            "within",
            number=one.number,
            first=first,
            second=second,
            apart=_apart(mean, beside, one.colour),
        )
        for (first, mean), (second, beside) in combinations(enumerate(one.means, 1), 2)
    ]


def _apart(one: Array, other: Array, colour: ColourFacts) -> str:
    apart = float(difference(one, other))
    within = UNCERTAIN_BY_CHART if colour.by_chart else UNCERTAIN
    return sheet_text(
        "apart", one=_mean(one), other=_mean(other), apart=f"{apart:.1f}", within=f"{within:.1f}"
    )


def _mean(mean: Array) -> str:
    light, a, b = (float(value) for value in mean)
    return f"L* {light:.1f} a* {a:.1f} b* {b:.1f}"


def after_drying(visits: Sequence[str], dried: Sequence[bool]) -> list[bool]:
    """Say of each picture whether it, or an earlier one of its visit, is of a dried tooth."""
    begun: dict[str, bool] = {}
    found = []
    for visit, dry in zip(visits, dried, strict=True):
        begun[visit] = begun.get(visit, False) or dry
        found.append(begun[visit])
    return found
