"""Colour of each vertex: enamel from neck to edge, fillings, gum and mucosa. Values are sRGB."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .crowns import Field
from .dimensions import is_deciduous, tooth_class
from .gums import Tissue
from .marks import AMALGAM, CERAMIC, GOLD, Mark
from .noise import noise, smoothstep

Array = NDArray[np.float64]

_NECK = np.array([0.91, 0.79, 0.58])
_BODY = np.array([0.945, 0.875, 0.735])
_EDGE = np.array([0.83, 0.82, 0.79])
_ROOT = np.array([0.80, 0.64, 0.40])
_MILK = np.array([0.95, 0.92, 0.86])
_FISSURE = np.array([0.45, 0.30, 0.16])
_GUM = np.array([0.84, 0.53, 0.50])
_MUCOSA = np.array([0.74, 0.32, 0.31])
_PALATE = np.array([0.83, 0.55, 0.51])
_TONGUE = np.array([0.78, 0.45, 0.44])


def _mix(a: Array, b: Array, t: Array) -> Array:
    return a + (b - a) * t[:, None]


def fractions(field: Field, local: Array) -> Array:
    """Positions of the crown's frame as fractions of its size (see marks)."""
    size = field.size
    return local / [size.width / 2, size.depth / 2, size.height]


def enamel(
    iso: int, field: Field, local: Array, normals: Array, marks: Sequence[Mark]
) -> tuple[Array, Array]:
    """Colour (n, 3) and gloss (n,) of a crown's vertices."""
    part = fractions(field, local)
    z = part[:, 2]
    milk = 0.75 if is_deciduous(iso) else 0.0
    neck, body = (c + (_MILK - c) * milk for c in (_NECK, _BODY))
    if tooth_class(iso) == "canine" and not is_deciduous(iso):
        neck, body = neck * [0.99, 0.97, 0.92], body * [0.99, 0.965, 0.92]
    colour = _mix(neck, body, smoothstep(-0.05, 0.60, z + 0.04 * noise(local, 2.5)))
    if tooth_class(iso) in ("incisor", "canine"):
        clear = smoothstep(0.72, 1.0, z + 0.035 * noise(local * [1, 1, 0.2], 0.9, 2))
        clear = np.maximum(
            clear * 0.75, 0.5 * smoothstep(0.72, 1.0, np.abs(part[:, 0])) * (z > 0.4)
        )
        colour = _mix(colour, _EDGE, clear)
        colour = _mix(colour, _MILK, 0.30 * smoothstep(0.955, 0.99, z))
    else:
        colour = _mix(colour, _MILK, 0.38 * smoothstep(0.72, 1.0, z))
        colour = _mix(colour, _FISSURE, 0.62 * field.fissure(local) * (1.0 - 0.55 * milk))
    colour = _mix(colour, _ROOT, smoothstep(0.03, -0.03, z))
    colour = (
        colour
        * (1.0 + 0.016 * noise(local, 1.4, 3) + 0.008 * noise(local * [0.4, 0.4, 3], 0.8, 1))[
            :, None
        ]
    )
    gloss = 1.0 - 0.92 * np.sqrt(field.fissure(local))
    for mark in marks:
        cover = mark.cover(part) * mark.strength
        tone = np.array(mark.colour)[None] * (1.0 + 0.02 * noise(local, 0.7, 2))[:, None]
        if mark.colour == CERAMIC:
            tone = tone * (1.0 - 0.22 * field.fissure(local))[:, None]
        colour = colour + (tone - colour) * cover[:, None]
        metal = mark.colour in (AMALGAM, GOLD)
        gloss = gloss + (1.7 - gloss) * cover * metal
    return np.clip(colour, 0, 1), gloss


def soft(tissue: Tissue) -> tuple[Array, Array]:
    """Colour (n, 3) and gloss (n,) of a soft part's vertices."""
    vertices = tissue.mesh.vertices
    base = {"palate": _PALATE, "tongue": _TONGUE}.get(tissue.name, _GUM)
    vessels = np.exp(-((noise(vertices * [1.0, 1.0, 0.6], 2.6, 3) / 0.10) ** 2))
    colour = _mix(np.broadcast_to(base, vertices.shape), _MUCOSA, tissue.redness)
    colour = _mix(colour, np.array([0.60, 0.16, 0.18]), 0.30 * vessels * tissue.redness)
    colour = colour * (1.0 + 0.035 * noise(vertices, 3.0, 3))[:, None]
    if tissue.name == "tongue":
        dots = smoothstep(0.8, 1.5, noise(vertices, 0.8, 1))
        colour = _mix(colour, np.array([0.88, 0.62, 0.60]), 0.5 * dots)
    return np.clip(colour, 0, 1), np.full(len(vertices), 0.75)
