"""What tells one tooth from its mirror twin: fillings, chips, cracks, stains.

Every position is in the crown's own frame, as a fraction of its size, so that a mark
can be put on any tooth: x from the middle (-1 distal contact, +1 mesial contact), y (-1 lingual,
+1 buccal), z (0 cervical line, 1 cusp tip or incisal edge).
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from .noise import noise, smoothstep

Colour = tuple[float, float, float]

AMALGAM: Colour = (0.47, 0.48, 0.50)
COMPOSITE: Colour = (0.93, 0.88, 0.78)
CERAMIC: Colour = (0.955, 0.90, 0.79)
GOLD: Colour = (0.78, 0.60, 0.31)
STAIN: Colour = (0.42, 0.27, 0.13)
CARIES: Colour = (0.23, 0.13, 0.07)
CALCULUS: Colour = (0.86, 0.76, 0.52)
CHALK: Colour = (0.97, 0.96, 0.93)


@dataclass(frozen=True)
class Mark:
    """An ellipsoidal region of a crown that looks otherwise.

    Attributes
    ----------
    at : tuple of float
        Centre (x, y, z) in fractions of the crown.
    radius : tuple of float
        Half axes in the same fractions.
    colour : tuple of float
        sRGB, 0 to 1.
    cut : float
        Depth in mm by which the surface is hollowed out (a chip, a cavity) or, negative,
        built up.
    edge : float
        Width of the transition, as a fraction of the radius.
    ragged : float
        How far the outline wanders.
    strength : float
        How much of the own colour shows.
    to : tuple of float, optional
        The mark runs from ``at`` to here.
    level : float
        mm below the highest cusp up to which the hollows are filled; 0 leaves them.
    """

    at: tuple[float, float, float]
    radius: tuple[float, float, float]
    colour: Colour
    cut: float = 0.0
    edge: float = 0.08
    ragged: float = 0.12
    strength: float = 1.0
    to: tuple[float, float, float] | None = None
    level: float = 0.0

    def cover(self, fractions: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give how far (0 to 1) each position, shape (n, 3), lies in the mark."""
        offset = (fractions - np.array(self.at)) / np.array(self.radius)
        if self.to is not None:
            run = (np.array(self.to) - np.array(self.at)) / np.array(self.radius)
            offset = offset - np.clip(offset @ run / (run @ run), 0, 1)[:, None] * run
        distance = np.linalg.norm(offset, axis=1)
        distance = distance + self.ragged * 0.5 * noise(fractions * 5.0, 1.6, 2)
        return smoothstep(1.0 + self.edge, 1.0 - self.edge, distance)


def amalgam(*centres: tuple[float, float], radius: float = 0.22) -> tuple[Mark, ...]:
    """Lay an amalgam filling along a line of occlusal positions (x, y)."""
    size = (radius, radius, 0.7)
    return tuple(
        Mark((*a, 0.8), size, AMALGAM, edge=0.06, ragged=0.3, to=(*b, 0.8), level=1.75)
        for a, b in pairwise(centres)
    )


def composite(x: float, y: float, radius: float = 0.3) -> Mark:
    """Place a tooth-coloured occlusal filling."""
    return Mark(
        (x, y, 0.85),
        (radius, radius, 0.5),
        COMPOSITE,
        edge=0.05,
        ragged=0.4,
        strength=0.9,
        level=1.9,
    )


def onlay() -> Mark:
    """Cover the cusps with ceramic down to a line at two fifths of the crown's height."""
    return Mark((0.0, 0.0, 1.2), (3.0, 3.0, 0.72), CERAMIC, cut=-0.06, edge=0.012, ragged=0.05)


def chip(x: float, size: float = 0.35) -> Mark:
    """Break a corner off an incisal edge."""
    return Mark((x, 0.1, 1.05), (size, 2.0, size * 0.5), (0.88, 0.8, 0.62), cut=1.3, edge=0.35)


def crack(x: float) -> Mark:
    """Draw a vertical infraction line on a labial or buccal face."""
    return Mark((x, 0.9, 0.62), (0.02, 0.9, 0.36), STAIN, edge=0.6, ragged=1.2, strength=0.45)


def stain(x: float, y: float, z: float, size: float = 0.2) -> Mark:
    """Put a brown stain on a face."""
    return Mark((x, y, z), (size, size, size), STAIN, edge=0.6, ragged=0.9, strength=0.65)


def white_spot(x: float, y: float, z: float, size: float = 0.22) -> Mark:
    """Put a chalky opacity on a face."""
    return Mark((x, y, z), (size, size, size * 0.6), CHALK, edge=0.6, ragged=0.9, strength=0.8)
