"""How soft a photograph is, to choose the sharpest of a visit."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from archiver.errors import ObjectError
from archiver.photo import edge_blur
from archiver.priors.display_pixels import load

#: Longer side in pixels at which pictures are compared: softness that is not seen at this size
#: does not matter for a comparison.
_SIDE = 2000


def softness(path: Path) -> float:
    """Return the blur of edges in the middle of a picture, in per mille of its width.

    Infinite where it cannot be told, so that any other picture is preferred.
    """
    try:
        pixels = load(path, _SIDE).pixels
    except ObjectError:
        return math.inf
    rows, columns = pixels.shape[:2]
    middle = np.ascontiguousarray(
        pixels[rows // 5 : rows - rows // 5, columns // 5 : columns - columns // 5]
    )
    blur = edge_blur([middle])
    return math.inf if blur is None else 1000 * blur / columns
