"""The scale of the map of differences, for a template."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from archiver.colour import ACCEPTABLE, PERCEPTIBLE
from archiver.priors import FULL_SCALE
from archiver.sheets import colour_map

_STOPS = 16
_LEFT, _WIDE = 10, 400


@lru_cache(maxsize=1)
def legend() -> dict[str, Any]:
    """Return colours and where the numbers stand, for a drawing 420 wide."""
    colours = colour_map()
    stops = []
    for k in range(_STOPS + 1):
        red, green, blue = (int(v) for v in colours[round(k / _STOPS * 255)])
        stops.append((f"{k / _STOPS:.4f}", f"#{red:02x}{green:02x}{blue:02x}"))

    def at(value: float) -> str:
        return f"{_LEFT + _WIDE * value / FULL_SCALE:.1f}"

    ticks = [(at(v), f"{v:g}+" if v == FULL_SCALE else f"{v:g}") for v in (0, 5, 10, 15, 20)]
    return {
        "stops": stops,
        "marks": [at(PERCEPTIBLE), at(ACCEPTABLE)],
        "ticks": ticks,
        "full": FULL_SCALE,
        "perceptible": PERCEPTIBLE,
        "acceptable": ACCEPTABLE,
    }
