"""How soft a photograph is, to choose the sharpest of a visit."""

from __future__ import annotations

import math
from pathlib import Path

from archiver.errors import ObjectError
from archiver.priors.display_pixels import load
from archiver.vision import LOOKED_AT, quality_figures


def softness(path: Path) -> float:
    """Return the blur of the teeth of a picture, in per mille of its longer side.

    Infinite where it cannot be told, so that any other picture is preferred.
    """
    try:
        figures = quality_figures(load(path, LOOKED_AT).pixels)
    except ObjectError:
        return math.inf
    return math.inf if figures is None else figures.blur_share
