"""What each place of the training pictures shows.

Teeth of photographs with outlines are those outlined; of the others, what in a loose outline drawn
by hand is parted from gum by its colour (GrabCut). The other parts were drawn by hand, all in
``hand_regions.txt``. Of renderings the renderer knows.
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from archiver.vision.tooth_map import Part
from tests.benchmarks.real_photographs import filled

Pixels = NDArray[np.uint8]
#: No tooth, whatever else; not to be learnt from.
NO_TOOTH, UNKNOWN = 254, 255
WIDTH = 480
_LETTERS = {"S": Part.LIP, "G": Part.TONGUE, "R": Part.FOREIGN, "V": Part.VOID}
_HERE = Path(__file__).parent
Regions = list[tuple[str, NDArray[np.float64]]]


def regions() -> dict[str, Regions]:
    """Read what was drawn by hand: letter and corners, in shares of the picture, by picture."""
    found: dict[str, Regions] = {}
    for row in (_HERE / "hand_regions.txt").read_text("utf-8").splitlines():
        if not row.startswith("#"):
            name, letter, *corners = row.split()
            places = np.array([[float(v) for v in one.split(",")] for one in corners]) / 100
            found.setdefault(name, []).append((letter, places))
    return found


def photograph(folder: Path, name: str, drawn: Regions) -> tuple[Pixels, Pixels]:
    """Return a picture (BGR) and the parts of its places."""
    patient = name[0] == "p"
    stem = f"patient_{name[1:]}.png" if patient else f"mouth_{name}.jpeg"
    whole = cv2.imread(str(folder / stem))
    size = (WIDTH, round(whole.shape[0] * WIDTH / whole.shape[1]))
    picture = np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.uint8)
    parts = np.full(picture.shape[:2], Part.GUM, np.uint8)
    for letter, part in _LETTERS.items():
        for places in (p for k, p in drawn if k == letter):
            parts[_polygon(parts.shape, places)] = part
    if patient:
        line = cv2.imread(str(folder / stem.replace(".png", ".teeth.png")), cv2.IMREAD_GRAYSCALE)
        teeth = cv2.resize(filled(line > 60).astype(np.uint8), size) > 0
    else:
        teeth = _by_colour(picture, drawn)
    for letter, places in drawn:
        if letter == "F":
            teeth |= _polygon(parts.shape, places)
        if letter == "X":
            teeth &= ~_polygon(parts.shape, places)
    away = cv2.distanceTransform((~teeth).astype(np.uint8), cv2.DIST_L2, 5)
    parts[(parts == Part.GUM) & (away > 0.08 * WIDTH)] = NO_TOOTH
    parts[teeth] = Part.TOOTH
    for letter, places in drawn:
        if letter == "I":
            parts[_line(parts.shape, places, 5)] = Part.INSTRUMENT
    for letter, places in drawn:
        if letter == "N":
            parts[_polygon(parts.shape, places) & (parts != Part.TOOTH)] = UNKNOWN
    return picture, parts


def _by_colour(picture: Pixels, drawn: Regions) -> NDArray[np.bool_]:
    loose = np.zeros(picture.shape[:2], bool)
    for letter, places in drawn:
        if letter == "T":
            loose |= _polygon(loose.shape, places)
    lab = cv2.cvtColor(picture, cv2.COLOR_BGR2LAB)
    light, red = lab[..., 0].astype(int), lab[..., 1].astype(int)
    lit = lab[..., 1][loose & (light > 70)].reshape(1, -1)
    split, _ = cv2.threshold(lit, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    given = np.full(loose.shape, cv2.GC_BGD, np.uint8)
    given[loose] = cv2.GC_PR_BGD
    given[loose & (red < split) & (light > 60)] = cv2.GC_PR_FGD
    given[loose & (red < split - 6) & (light > 130)] = cv2.GC_FGD
    models = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.grabCut(picture, given, None, *models, 4, cv2.GC_INIT_WITH_MASK)
    teeth = np.isin(given, (cv2.GC_FGD, cv2.GC_PR_FGD)).astype(np.uint8)
    for kind, width in ((cv2.MORPH_OPEN, 5), (cv2.MORPH_CLOSE, 7)):
        teeth = cv2.morphologyEx(
            teeth, kind, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
        )
    for value, most in ((0, 0.004), (1, 0.0008)):  # fillings, specks
        count, label, figures, _ = cv2.connectedComponentsWithStats(
            (teeth == value).astype(np.uint8)
        )
        small = figures[:, cv2.CC_STAT_AREA] < most * teeth.size
        teeth[np.isin(label, [n for n in range(1, count) if small[n]])] = 1 - value
    return np.asarray(teeth > 0)


def _polygon(shape: tuple[int, ...], places: NDArray[np.float64]) -> NDArray[np.bool_]:
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(places * shape[::-1]).astype(np.int32)], 1)
    return np.asarray(mask > 0)


def _line(shape: tuple[int, ...], places: NDArray[np.float64], width: int) -> NDArray[np.bool_]:
    mask = np.zeros(shape, np.uint8)
    cv2.polylines(mask, [np.round(places * shape[::-1]).astype(np.int32)], False, 1, width)
    return np.asarray(mask > 0)


def renderings() -> list[tuple[Pixels, Pixels]]:
    """Return rendered pictures of teeth (BGR) and their parts."""
    sys.path.insert(0, str(_HERE.parents[1] / "priors"))
    from rendered_pairs import COLUMNS, ROWS, SIGHTS, _surrounded, framings, photograph
    from rendered_pictures import Sight, base

    found = []
    for n, (patient, later) in enumerate((p, w) for p in (201, 202) for w in (False, True)):
        for tooth, view in SIGHTS[:2]:
            source = base(Sight(patient, tooth, view, later=later, detail=0.3))
            rng = np.random.default_rng([n, tooth])
            for framing in framings(rng) + framings(rng):
                seed = int(rng.integers(1 << 30))
                made = photograph(source, framing, seed, rim=bool(rng.integers(2)))
                labels = cv2.warpPerspective(
                    source.labels, made.matrix, (COLUMNS, ROWS), flags=cv2.INTER_NEAREST
                )
                even = np.ones((ROWS, COLUMNS, 3), np.float32)
                inside = np.isclose(_surrounded(even, np.random.default_rng(seed), True)[..., 0], 1)
                parts = np.where((labels > 0) & inside, Part.TOOTH, NO_TOOTH).astype(np.uint8)
                size = (WIDTH, WIDTH * ROWS // COLUMNS)
                small = cv2.resize(made.pixels[..., ::-1], size, interpolation=cv2.INTER_AREA)
                parts = cv2.resize(parts, size, interpolation=cv2.INTER_NEAREST)
                found.append((np.asarray(small, np.uint8), np.asarray(parts, np.uint8)))
    return found
