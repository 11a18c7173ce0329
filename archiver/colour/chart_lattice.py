"""Where even squares stand in rows and columns: candidates for the patches of a chart.

Pure geometry and pixels: nothing here knows which colours a chart has. Patches need no edge that
is brighter or darker than they are, so edges are looked for in every channel, at several strengths.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from archiver.vision import cv2

Pixels = NDArray[np.uint8]
Array = NDArray[np.float64]

#: Longer side of the picture in which squares are looked for, pixels.
LONGER_SIDE: Final = 1100
#: Steps between neighbouring pixels that count as an edge: faint, as in soft light, to strong.
_EDGES: Final = (8, 16, 32)
#: How much of its box a square fills, and how much longer than wide it may look.
_FILLED, _LONGER = 0.80, 1.6
#: Area of a patch as a share of the picture.
_SMALLEST, _LARGEST = 1e-4, 0.03
#: How far a neighbour may be from where it is expected, in steps.
_NEAR: Final = 0.28


@dataclass(frozen=True)
class Square:
    """An even region that looks like a square.

    Parameters
    ----------
    centre
        (x, y), pixels.
    sides
        Two vectors (2, 2) along its sides, pixels.
    """

    centre: Array
    sides: Array

    @property
    def area(self) -> float:
        """Area of its box, pixels."""
        return float(np.linalg.norm(self.sides[0]) * np.linalg.norm(self.sides[1]))


@dataclass(frozen=True)
class Lattice:
    """Squares that stand in rows and columns.

    Parameters
    ----------
    cells
        Column and row of each, shape (n, 2), from zero; rows and columns of which it has none
        may be missing at the edges.
    to_picture
        Homography (3, 3) from (column, row) to (x, y).
    shape
        Number of columns and rows.
    """

    cells: NDArray[np.int64]
    to_picture: Array
    shape: tuple[int, int]

    def place(self, cells: Array) -> Array:
        """Return where cells (n, 2), which need not be whole, are in the picture."""
        there = np.column_stack([cells, np.ones(len(cells))]) @ self.to_picture.T
        return np.asarray(there[:, :2] / there[:, 2:])


def squares_of(pixels: Pixels) -> list[Square]:
    """Find even squares in a picture (rows, columns, 3) of about `LONGER_SIDE` pixels."""
    soft = cv2.GaussianBlur(pixels, (0, 0), 1.2).astype(np.float32)
    across = np.abs(cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3)).max(axis=2) / 4
    down = np.abs(cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3)).max(axis=2) / 4
    strength = np.maximum(across, down)
    found: list[Square] = []
    for edge in _EDGES:
        for square in _even_regions((strength < edge).astype(np.uint8)):
            if all(_apart(square, other) for other in found):
                found.append(square)
    return found


def _apart(one: Square, other: Square) -> bool:
    return bool(np.linalg.norm(one.centre - other.centre) > 0.5 * np.sqrt(other.area))


def _even_regions(even: Pixels) -> list[Square]:
    _, labels, figures, _ = cv2.connectedComponentsWithStats(even, connectivity=4)
    areas, boxes = figures[:, cv2.CC_STAT_AREA] / even.size, figures[:, 2] * figures[:, 3]
    fits = (areas > _SMALLEST) & (areas < _LARGEST) & (boxes < 3 * areas * even.size)
    found = []
    for label in np.nonzero(fits)[0]:
        left, top, wide, high, area = (int(v) for v in figures[label])
        part = (labels[top : top + high, left : left + wide] == label).astype(np.uint8)
        outlines, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        box = cv2.minAreaRect(max(outlines, key=len))
        short, long = sorted(box[1])
        if short < 4 or long > _LONGER * short or area < _FILLED * short * long:
            continue
        corners = cv2.boxPoints(box).astype(float)
        sides = np.array([corners[1] - corners[0], corners[2] - corners[1]])
        centre = np.array([box[0][0] + left, box[0][1] + top])
        found.append(Square(centre, sides))
    return found


def lattices_of(squares: list[Square], least: int) -> list[Lattice]:
    """Return lattices of at least so many squares, those with most squares first."""
    found: list[Lattice] = []
    taken: set[int] = set()
    for seed in sorted(range(len(squares)), key=lambda n: -squares[n].area):
        if seed in taken:
            continue
        cells = _grown(squares, seed)
        if len(cells) < least:
            continue
        taken |= set(cells)
        lattice = _fitted(squares, cells)
        if lattice is not None and len(lattice.cells) >= least:
            found.append(lattice)
    return sorted(found, key=lambda one: -len(one.cells))


def _grown(squares: list[Square], seed: int) -> dict[int, tuple[int, int]]:
    """Walk from square to square; return column and row of each that is reached."""
    centres = np.array([one.centre for one in squares])
    areas = np.array([one.area for one in squares])
    start = _steps(squares[seed], centres, areas)
    if start is None:
        return {}
    cells, steps = {seed: (0, 0)}, {seed: start}
    waiting = [seed]
    while waiting:
        here = waiting.pop(0)
        for axis in (0, 1):
            for way in (-1, 1):
                step = steps[here][axis] * way
                length = float(np.linalg.norm(step))
                away = np.linalg.norm(centres - (centres[here] + step), axis=1)
                away[(areas < 0.4 * areas[here]) | (areas > 2.5 * areas[here])] = np.inf
                there = int(np.argmin(away))
                if away[there] > _NEAR * length or there in cells:
                    continue
                column, row = cells[here]
                cell = (column + way, row) if axis == 0 else (column, row + way)
                if cell in cells.values():
                    continue
                cells[there] = cell
                known = steps[here].copy()
                known[axis] = 0.5 * known[axis] + 0.5 * (centres[there] - centres[here]) * way
                steps[there] = known
                waiting.append(there)
    return cells


def _steps(square: Square, centres: Array, areas: Array) -> Array | None:
    """Return the vectors (2, 2) to the next squares along both sides; None without any."""
    steps = []
    alike = (areas > 0.4 * square.area) & (areas < 2.5 * square.area)
    for side in square.sides:
        length = float(np.linalg.norm(side))
        along = side / length
        found = []
        for away in (centres - square.centre)[alike]:
            ahead = float(away @ along)
            beside = float(np.linalg.norm(away - ahead * along))
            if 0.9 * length < abs(ahead) < 2.0 * length and beside < 0.3 * abs(ahead):
                found.append(away * np.sign(ahead))
        if not found:
            return None
        steps.append(min(found, key=lambda v: float(np.linalg.norm(v))))
    return np.array(steps)


def _fitted(squares: list[Square], cells: dict[int, tuple[int, int]]) -> Lattice | None:
    places = np.array([squares[n].centre for n in cells])
    numbers = np.array(list(cells.values()), dtype=np.int64)
    numbers -= numbers.min(axis=0)
    if (numbers.max(axis=0) < 1).any():
        return None
    step = float(np.sqrt(np.median([squares[n].area for n in cells])))
    matrix, kept = cv2.findHomography(numbers.astype(float), places, cv2.RANSAC, 0.2 * step)
    if matrix is None:
        return None
    on = kept.ravel().astype(bool)
    numbers = numbers[on]
    columns, rows = (int(v) + 1 for v in numbers.max(axis=0))
    return Lattice(numbers, np.asarray(matrix, float), (columns, rows))
