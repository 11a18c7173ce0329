"""Where a shade tab and the tooth beside it are: proposed, so that a person only moves the edges.

It rests on the tooth map, to which a tab looks like a tooth. Teeth of one arch stand in a row; what
is as large as they are and stands off it, alone, is taken for the tab, and the nearest crown of the
row for the tooth. Where nothing or more than one thing does, as between two arches, no tab is
proposed. Nothing is told of their colours here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from archiver.vision import region
from archiver.vision.opencv import cv2
from archiver.vision.tooth_map import tooth_map

Pixels = NDArray[np.uint8]
Mask = NDArray[np.bool_]
#: (left, top, right, bottom) in pixels.
Edges = tuple[int, int, int, int]

#: Radius of a tab, as a share of that of the largest crown, at least.
_AS_LARGE = 0.55
#: Radii of a crown by which the middle of a tab is off the row, at least.
_OFF = 1.1
#: Part of a region's sides that is left out all round: its rim is gap, gum or shadow.
_RIM = 0.06


def propose_tab(pixels: Pixels) -> tuple[Edges | None, Edges | None]:
    """Propose where a tab and the tooth beside it are.

    Parameters
    ----------
    pixels
        uint8 sRGB, shape (rows, columns, 3), upright: teeth side by side from left to right.

    Returns
    -------
    tuple
        Of the tab and of the tooth; None for what is not found.
    """
    teeth = tooth_map(pixels).teeth
    crowns = region.discs(teeth)
    if not crowns:
        return None, None
    # Smaller discs stand in corners of large things, too, and would cut these off.
    least = _AS_LARGE * crowns[0][2]
    large = [one for one in crowns if one[2] >= least]
    row = _row(large)
    off = [one for one in large if one not in row]
    if len(off) != 1 or not row:
        tooth = region.nearest(row or large, None, teeth.shape)[0]
        return None, _edges(teeth, large, tooth)
    tab = off[0]
    tooth = min(row, key=lambda one: np.hypot(one[0] - tab[0], one[1] - tab[1]))
    return _edges(teeth, large, tab), _edges(teeth, large, tooth)


def _row(large: list[region.Disc]) -> list[region.Disc]:
    """Return the crowns that stand side by side, of the height on which most of them are."""
    rows = [
        [one for one in large if abs(one[1] - middle) < _OFF * radius]
        for _, middle, radius in large
    ]
    return max(rows, key=len, default=[])


def _edges(teeth: Mask, crowns: list[region.Disc], one: region.Disc) -> Edges | None:
    """Return the edges of one of the crowns, each place going to the disc whose edge is nearest."""
    y, x = np.mgrid[0 : teeth.shape[0], 0 : teeth.shape[1]].astype(np.float32)
    power = np.stack([(x - cx) ** 2 + (y - cy) ** 2 - r * r for cx, cy, r in crowns])
    mine = teeth & (power.argmin(axis=0) == crowns.index(one))
    _, parts = cv2.connectedComponents(mine.astype(np.uint8))
    part = parts == parts[one[1], one[0]]
    if not mine[one[1], one[0]]:
        return None
    across, down = np.flatnonzero(_most(part, 0)), np.flatnonzero(_most(part, 1))
    left, right, top, bottom = across[0], across[-1] + 1, down[0], down[-1] + 1
    rim = round(_RIM * (right - left)), round(_RIM * (bottom - top))
    edges = (left + rim[0], top + rim[1], right - rim[0], bottom - rim[1])
    return int(edges[0]), int(edges[1]), int(edges[2]), int(edges[3])


def _most(part: Mask, axis: int) -> Mask:
    """Return the lines of which the part takes a good share: no bridges to what is beside it."""
    shares = part.sum(axis=axis)
    return np.asarray(shares >= 0.5 * np.percentile(shares[shares > 0], 90))
