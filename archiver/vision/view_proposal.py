"""Which view a picture looks like: the front, a side, an arch from above or below.

A linear model of the gradients of the picture and of what the tooth map has where
(`model/views.md` tells what it was fitted to and how it does). A side looks like the other one
reflected, so that right and left are never proposed; upper and lower are not told surely enough.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from archiver.vision.opencv import cv2
from archiver.vision.stored_model import stored_model
from archiver.vision.tooth_map import Part, Pixels, ToothMap
from archiver.vision.view_kind import ViewKind

Floats = NDArray[np.float32]

#: Parts that are told apart, columns and rows of the grid, pixels of its cells, bins of direction.
_PARTS = (Part.TOOTH, Part.GUM, Part.LIP, Part.TONGUE, Part.FOREIGN, Part.VOID)
_ACROSS, _DOWN, _CELL, _BINS = 12, 8, 8, 9
_FLAT, _MOST = 100.0, 0.5
#: By how much a score has to surpass the next for a proposal: precision 0.95 and more there.
_CERTAIN = 0.5


def view_kind_of(pixels: Pixels, seen: ToothMap) -> ViewKind | None:
    """Say which view a picture looks like, as it is displayed.

    Parameters
    ----------
    pixels
        uint8 sRGB, shape (rows, columns, 3).
    seen
        What it shows.

    Returns
    -------
    ViewKind or None
        None where it is not clear.
    """
    model = stored_model("views")
    even = np.append((features(pixels, seen) - model["mean"]) / model["scale"], 1)
    scores = even @ model["views"]
    second, first = np.argsort(scores)[-2:]
    return list(ViewKind)[first] if scores[first] - scores[second] >= _CERTAIN else None


def features(pixels: Pixels, seen: ToothMap) -> Floats:
    """What the model goes by: shares of parts, and directions of gradients, cell by cell."""
    size = (_ACROSS, _DOWN)
    shares = [
        cv2.resize(
            np.ascontiguousarray(seen.probable[..., part]), size, interpolation=cv2.INTER_AREA
        )
        for part in _PARTS
    ]
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    grey = cv2.resize(grey, (_ACROSS * _CELL, _DOWN * _CELL), interpolation=cv2.INTER_AREA)
    x, y = (cv2.Sobel(grey.astype(np.float32), cv2.CV_32F, *way) for way in ((1, 0), (0, 1)))
    strength = np.hypot(x, y)
    bins = np.minimum(np.arctan2(y, x) % np.pi / np.pi * _BINS, _BINS - 1e-3).astype(int)
    cells = np.stack(
        [
            (strength * (bins == k)).reshape(_DOWN, _CELL, _ACROSS, _CELL).sum(axis=(1, 3))
            for k in range(_BINS)
        ],
        axis=-1,
    )
    power = np.ascontiguousarray((cells**2).sum(axis=-1))
    around = np.sqrt(cv2.blur(power, (3, 3), borderType=cv2.BORDER_REFLECT) + _FLAT)
    evened = np.minimum(cells / around[..., None], _MOST)
    parts = np.sqrt(np.maximum(np.stack(shares), 0))
    return np.concatenate([parts.ravel(), evened.ravel()]).astype(np.float32)
