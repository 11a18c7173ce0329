"""What part of a comparison is seen, as the browser tells it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from archiver.vision import Array
from archiver.web.http_errors import Refused

MODES = ("seam", "blink", "side", "difference")
#: CSS pixels of a pane, either way.
_SIDES = (50, 4000)
_SCALES = (1e-4, 64.0)
_FAR = 1e6


@dataclass(frozen=True)
class Seen:
    """The view of a comparison.

    Parameters
    ----------
    earlier
        SOP Instance UID of the earlier picture.
    mode
        One of `MODES`.
    x, y
        Place of the full newest picture in the middle of a pane.
    scale
        CSS pixels for one full pixel of the newest picture.
    wide, high
        Of a pane, in CSS pixels.
    seam
        From the left, 0 to 1.
    is_earlier
        Which one a blinking pane shows.
    strength
        Of the map of differences over the newest picture, 0 to 1.
    has_outline
        Whether what was aligned is outlined.
    has_all
        Whether more than one earlier picture stands beside the newest.
    """

    earlier: str
    mode: str
    x: float
    y: float
    scale: float
    wide: float
    high: float
    seam: float = 0.5
    is_earlier: bool = False
    strength: float = 1.0
    has_outline: bool = False
    has_all: bool = False

    def matrix(self, ratio: float) -> Array:
        """Return the transform from the full newest picture to a pane of so many times its size.

        Both have the outer corner of the first pixel as (0, 0).
        """
        s = self.scale * ratio
        return np.array(
            [
                [s, 0, self.wide * ratio / 2 - s * self.x],
                [0, s, self.high * ratio / 2 - s * self.y],
                [0, 0, 1.0],
            ]
        )


#: What the browser tells, each with its type in JSON Schema.
SEEN_FIELDS = {
    **dict.fromkeys(("x", "y", "scale", "wide", "high", "seam", "strength"), "number"),
    **dict.fromkeys(("earlier", "mode", "showing"), "string"),
    "of": "array",
    "outline": "boolean",
    "all": "boolean",
}


def seen_of(values: Any) -> Seen:
    """Read what the browser tells.

    Raises
    ------
    Refused
        400 where it is not what `Seen` has.
    """
    if not isinstance(values, Mapping) or values.get("mode") not in MODES:
        raise Refused(400, "errors.malformed")
    return Seen(
        str(values.get("earlier", "")),
        str(values["mode"]),
        _number(values, "x", (-_FAR, _FAR)),
        _number(values, "y", (-_FAR, _FAR)),
        _number(values, "scale", _SCALES),
        _number(values, "wide", _SIDES),
        _number(values, "high", _SIDES),
        _number(values, "seam", (0, 1)),
        values.get("showing") == "earlier",
        _number(values, "strength", (0, 1)),
        values.get("outline") is True,
        values.get("all") is True,
    )


def _number(values: Mapping[str, Any], key: str, within: tuple[float, float]) -> float:
    found = values.get(key)
    if isinstance(found, bool) or not isinstance(found, int | float) or not math.isfinite(found):
        raise Refused(400, "errors.malformed")
    if not within[0] <= found <= within[1]:
        raise Refused(400, "errors.malformed")
    return float(found)
