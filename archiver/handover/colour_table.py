"""The colour frames of a case: in order of capture, with what is to be heeded about them.

Never a shade: figures only compare frames that were taken alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from archiver.colour import Array, difference, lab, space_of
from archiver.errors import ObjectError, Problem
from archiver.handover.facts import ColourFacts
from archiver.handover.frames import Box, OutgoingFrame, decode
from archiver.handover.sheet import ColourTable, same_conditions

_NEUTRAL, _TAB, _CROSSED = "neutral reference", "shade tab", "cross-polarised"
_PURPOSES = {
    _NEUTRAL: "frame with a neutral reference",
    _TAB: "frame with a shade tab",
    _CROSSED: "cross-polarised frame",
}


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
    mean
        Mean L*a*b* (3,) of its marked region; None where nothing is marked.
    """

    number: int
    visit: str
    colour: ColourFacts
    after_drying: bool
    mean: Array | None = field(repr=False, default=None)


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
        found = f"the region {wide}x{high}+{left}+{top} is not within the picture"
        raise ObjectError(Problem(found, "", f"within {columns}x{rows}"))
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
        f"Picture {one.number}, {one.colour.frame}, was taken after drying, isolation or "
        "preparation: the tooth may have been lighter than it is."
        for one in named
        if one.after_drying
    ]
    there = {one.colour.frame for one in named}
    warnings += [f"There is no {words}." for kind, words in _PURPOSES.items() if kind not in there]
    bare = [str(one.number) for one in frames if not one.colour.characterised]
    if bare:
        warnings.append(f"Colour not characterised (no ICC profile): picture {', '.join(bare)}.")
    return ColourTable(rows, tuple(warnings), tuple(_comparisons(frames)))


def _comparisons(frames: Sequence[ColourFrame]) -> list[str]:
    marked = [one for one in frames if one.mean is not None]
    found = []
    for index, one in enumerate(marked):
        for other in marked[index + 1 :]:
            pair = f"Pictures {one.number} and {other.number}"
            if not same_conditions(one.colour, other.colour):
                found.append(f"{pair} were not taken alike: their regions are not compared.")
                continue
            assert one.mean is not None and other.mean is not None
            apart = float(difference(one.mean, other.mean))
            found.append(
                f"{pair}, taken alike, marked regions: {_mean(one.mean)} and {_mean(other.mean)}, "
                f"CIEDE2000 {apart:.1f} (0.8 perceptible, 1.8 acceptable to half of observers, for "
                "flat ceramic pairs in a viewing booth)."
            )
    if len(marked) == 1:
        found.append("One region is marked; figures are given only for frames to be compared.")
    return found


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
