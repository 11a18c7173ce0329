"""Light and colour of a picture's teeth: exposure, fog, shadow, cast, glare."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from archiver.vision.opencv import cv2
from archiver.vision.tooth_map import Mask, Part, Pixels, ToothMap

Floats = NDArray[np.float32]

#: Shares of the longer side round teeth that belong to gum beside them, and inside them that do not
#: belong to enamel.
_BESIDE, _INSIDE = 0.02, 0.004
_BLACK, _GLEAM, _WHITE, _HONEST, _CLIPPED, _CERTAIN = 30, 225, 235, 245, 254, 0.6
#: How much lighter than its surroundings glare is, and how far these reach (share).
_LIGHTER, _AMONG = 15, 0.052
#: Share of the picture, and places, below which there is nothing to judge by.
_FEWEST_GUM, _FEWEST_PLACES = 0.004, 60
#: Shares of a cell, and their sum.
_FEWEST_IN_CELL, _FEWEST_OF_GUM, _FEWEST_OF_MOUTH, _LEAST_GUM = 0.05, 0.01, 0.2, 0.03
#: Rows and columns into which the place of the teeth is divided to find a fault of a part.
_CELLS = (3, 4)
#: Halves that are compared, in cells.
_HALVES = (
    (np.s_[:, :2], np.s_[:, 2:]),
    (np.s_[:1], np.s_[1:]),
    (np.s_[:2], np.s_[2:]),
    (np.s_[:, :1], np.s_[:, 1:]),
    (np.s_[:, :3], np.s_[:, 3:]),
)
#: Fog from the light of the darkest places over the enamel's, gum's saturation, and 1; and of a
#: half from its gum's saturation over that of the other, this itself, the light of its dark places
#: over the enamel's, the enamel's L*, and 1. Logistic regression on 27 real photographs of three
#: mouths, clear and with fog of 25 % and of 35 %, scaled so that medians are 0, 0.25 and 0.35.
_FOG = np.array((0.676, -0.511, 0.168))
_FOG_BESIDE = np.array((-0.596, -0.7653, 0.4049, -0.0037, 1.0444))


@dataclass(frozen=True)
class ToothLight:
    """A picture at the size at which light and colour are measured.

    Parameters
    ----------
    pixels
        Shape (rows, columns, 3).
    lab
        CIE L*a*b* of them.
    teeth, enamel, gum, mouth
        Where teeth are, those without gleam, gum beside them, and all that is no lip or glove.
    """

    pixels: Pixels
    lab: Floats
    teeth: Mask
    enamel: Mask
    gum: Mask
    mouth: Mask

    @classmethod
    def of(cls, pixels: Pixels, seen: ToothMap) -> ToothLight:
        size = pixels.shape[1::-1]
        teeth = enlarged(seen.teeth, size)
        probable = cv2.resize(seen.probable, size)
        enamel = teeth & ~_gleam(pixels) & (pixels.max(axis=2) > _BLACK)
        inner = probable[..., [Part.TOOTH, Part.GUM, Part.TONGUE, Part.VOID]].sum(axis=2) > 0.5
        gum = (probable[..., Part.GUM] > _CERTAIN) & grown(teeth, _BESIDE) & ~_gleam(pixels)
        lab = cv2.cvtColor(pixels.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
        return cls(pixels, lab, teeth, enamel, gum, inner & grown(teeth, 5 * _BESIDE))

    def lightness(self, where: Mask) -> float:
        return float(np.percentile(self.lab[..., 0][where], 80))

    def highlights(self) -> float:
        return float((self.pixels.max(axis=2)[self.teeth] >= _CLIPPED).mean())

    def glare(self) -> float:
        lowest = self.pixels.min(axis=2)
        width = round(_AMONG * max(lowest.shape)) | 1
        around = cv2.medianBlur(lowest, width).astype(np.int16)
        return float(((lowest >= _WHITE) & (lowest - around > _LIGHTER))[self.teeth].mean())

    def cast(self) -> tuple[float | None, float | None]:
        """Median a* and b* of well lit enamel of which no channel is at its end."""
        width = round(2 * _INSIDE * max(self.teeth.shape)) | 1
        inner = cv2.erode(self.teeth.astype(np.uint8), np.ones((width, width), np.uint8)) > 0
        places = self.lab[inner & (self.pixels.max(axis=2) < _HONEST)]
        if len(places) < _FEWEST_PLACES:
            return None, None
        low, high = np.percentile(places[:, 0], (40, 90))
        lit = places[(places[:, 0] >= low) & (places[:, 0] <= high)]
        return float(np.median(lit[:, 1])), float(np.median(lit[:, 2]))

    def fog(self) -> tuple[float | None, float | None]:
        if float(self.gum.mean()) < _FEWEST_GUM:
            return None, None
        lowest, light = self.pixels.min(axis=2), self.lightness(self.enamel)
        darkest = np.asarray(cv2.erode(lowest, np.ones((5, 5), np.uint8)), np.uint8)
        veil = float(np.percentile(darkest[self.mouth], 1)) / (2.55 * light)
        highest = np.maximum(self.pixels.max(axis=2), 1).astype(np.float32)
        saturation = np.asarray(1 - lowest / highest, np.float32)
        middle, lower = np.percentile(saturation[self.gum], (50, 15))
        fog = _FOG @ (veil, (middle + lower) / 2, 1)
        return float(fog), self._fog_beside(darkest, saturation, light)

    def _fog_beside(self, darkest: Pixels, saturation: Floats, light: float) -> float | None:
        """Look for the half whose gum is less colourful than the other's, and its dark places."""
        gum, colour, mouth, dark = (np.zeros(_CELLS) for _ in range(4))
        for place, cell in enumerate(_cells(self.teeth)):
            share = float(self.gum[cell].mean())
            if share > _FEWEST_OF_GUM:
                gum.flat[place] = share
                colour.flat[place] = np.median(saturation[cell][self.gum[cell]])
            share = float(self.mouth[cell].mean())
            if share > _FEWEST_OF_MOUTH:
                mouth.flat[place] = share
                dark.flat[place] = np.percentile(darkest[cell][self.mouth[cell]], 5)
        found = []
        for one, other in (*_HALVES, *(half[::-1] for half in _HALVES)):
            if min(gum[one].sum(), gum[other].sum()) > _LEAST_GUM and mouth[one].sum() > 0:
                here, there = (np.average(colour[half], weights=gum[half]) for half in (one, other))
                below = np.average(dark[one], weights=mouth[one]) / (2.55 * light)
                found.append((here / max(there, 1e-6), here, below, light, 1))
        return float(_FOG_BESIDE @ min(found)) if found else None

    def unevenness(self) -> tuple[float, float]:
        """How much darker the darker half is than the other: of any halves, of left and right."""
        shares = np.zeros(_CELLS)
        light = np.zeros(_CELLS)
        for place, cell in enumerate(_cells(self.teeth)):
            share = float(self.enamel[cell].mean())
            if share > _FEWEST_IN_CELL:
                shares.flat[place] = share
                light.flat[place] = self.lightness_of(cell)
        found = []
        for one, other in _HALVES[:3]:
            apart = 0.0
            if min(shares[one].sum(), shares[other].sum()) > 2 * _FEWEST_IN_CELL:
                means = [
                    float((light[s] * shares[s]).sum() / shares[s].sum()) for s in (one, other)
                ]
                apart = 1 - min(means) / max(means)
            found.append(apart)
        return max(found), found[0]

    def lightness_of(self, cell: tuple[slice, slice]) -> float:
        return float(np.percentile(self.lab[..., 0][cell][self.enamel[cell]], 80))


def _cells(teeth: Mask) -> list[tuple[slice, slice]]:
    """Divide the place of the teeth, row by row."""
    left, top, width, height = cv2.boundingRect(grown(teeth, 1.5 * _BESIDE).astype(np.uint8))
    rows, columns = _CELLS
    downs = [top + height * k // rows for k in range(rows + 1)]
    acrosses = [left + width * k // columns for k in range(columns + 1)]
    return [
        np.s_[downs[j] : downs[j + 1], acrosses[i] : acrosses[i + 1]]
        for j in range(rows)
        for i in range(columns)
    ]


def enlarged(mask: Mask, size: tuple[int, ...]) -> Mask:
    return np.asarray(cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0)


def _gleam(pixels: Pixels) -> Mask:
    white = (pixels.min(axis=2) > _GLEAM).astype(np.uint8)
    return np.asarray(cv2.dilate(white, np.ones((5, 5), np.uint8)) > 0)


def grown(teeth: Mask, share: float) -> Mask:
    width = max(3, round(2 * share * max(teeth.shape))) | 1
    return np.asarray(cv2.dilate(teeth.astype(np.uint8), np.ones((width, width), np.uint8)) > 0)
