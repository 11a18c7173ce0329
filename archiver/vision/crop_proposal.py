"""A crop that keeps the eye on the teeth: without lips, retractor and what lies beyond the mirror.

It rests on the tooth map alone. Where neighbours touch is not claimed: contact points are found
with less precision than a proposal needs (``model/views.md``), so that half of each neighbour's
breadth stays in the picture of a single tooth.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from archiver.vision import region
from archiver.vision.tooth_map import Part, ToothMap, tooth_map

Pixels = NDArray[np.uint8]
Mask = NDArray[np.bool_]
#: (left, top, right, bottom) in pixels.
Edges = tuple[int, int, int, int]

#: Room round the teeth, as a share of the longer side of what they take.
_ROOM = 0.05
#: Share of a neighbour's breadth that stays beside a single tooth, taking it for as broad.
_NEIGHBOUR = 0.5
#: Share of lip, retractor, instrument or nothing from which a row of the room is left out.
_FOREIGN = 0.5
_BEYOND = (Part.LIP, Part.FOREIGN, Part.INSTRUMENT, Part.VOID)
#: Teeth of which a picture is one of single teeth.
_FEW = 3


def propose_crop(pixels: Pixels, named: int = 0) -> Edges | None:
    """Propose a crop; None where no teeth are found.

    Parameters
    ----------
    pixels
        uint8 sRGB, shape (rows, columns, 3).
    named
        Teeth that the picture is said to be of; 0 for those of an arch or of the mouth.

    Returns
    -------
    tuple of int
        Left, top, right and bottom edge in pixels of the picture.
    """
    seen = tooth_map(pixels)
    if not seen.teeth.any():
        return None
    everything = _box(seen.teeth)
    if not 0 < named <= _FEW or not region.shows_few(seen.teeth):
        return _with_room(everything, seen)
    subject = np.any(region.single_teeth(seen.teeth)[:named] or [seen.teeth], axis=0)
    left, top, right, bottom = _box(subject)
    beside = round(_NEIGHBOUR * min(right - left, bottom - top))
    # Beside the subject there are teeth along the row alone, whichever way that runs.
    wide = (
        max(left - beside, everything[0]),
        max(top - beside, everything[1]),
        min(right + beside, everything[2]),
        min(bottom + beside, everything[3]),
    )
    return _with_room(wide, seen)


def _box(mask: Mask) -> Edges:
    across, down = np.flatnonzero(mask.any(axis=0)), np.flatnonzero(mask.any(axis=1))
    return int(across[0]), int(down[0]), int(across[-1]) + 1, int(down[-1]) + 1


def _with_room(box: Edges, seen: ToothMap) -> Edges:
    """Give room on each side, but for rows and columns that show what is to be left out."""
    beyond = np.isin(seen.parts, _BEYOND)
    left, top, right, bottom = box
    most = round(_ROOM * max(right - left, bottom - top))
    rows, columns = beyond.shape
    across, down = beyond[top:bottom].mean(axis=0), beyond[:, left:right].mean(axis=1)
    return (
        left - _room(across[:left][::-1], most),
        top - _room(down[:top][::-1], most),
        right + _room(across[right:columns], most),
        bottom + _room(down[bottom:rows], most),
    )


def _room(shares: NDArray[np.float64], most: int) -> int:
    """Return how far one may go outwards: to the first line that is mostly to be left out."""
    foreign = np.flatnonzero(shares[:most] > _FOREIGN)
    return int(foreign[0]) if len(foreign) else min(most, len(shares))
