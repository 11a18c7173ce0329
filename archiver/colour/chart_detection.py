"""The classic 24-patch chart in a picture: at any turn, mirrored too, partly covered.

Squares in rows and columns are candidates; every way in which the chart can lie on them is tried,
and its colours decide: only where one way fits the chart's published colours, and no other does
nearly as well, is it found.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from archiver.colour.chart_lattice import LONGER_SIDE, Lattice, lattices_of, squares_of
from archiver.colour.colours import lab_of_xyz
from archiver.colour.reference_chart import COLUMNS, ROWS, reference_charts
from archiver.photo import icc
from archiver.vision import cv2

Pixels = NDArray[np.uint8]
Array = NDArray[np.float64]

#: Squares that must be seen in rows and columns, and patches that must be free.
_LEAST_SQUARES, LEAST_PATCHES = 8, 14
#: Farthest that colours, roughly decoded, may be from the chart's (CIE76, mean of the nearer
#: three quarters), and how much worse any other way of lying must fit.
_FARTHEST, _CLEARLY = 14.0, 1.4
#: Part of a patch's side that is sampled, and how uneven what is sampled may be (levels).
_INNER, _EVEN = 0.5, 12.0


@dataclass(frozen=True)
class ChartSample:
    """A chart's patches, as a picture has them.

    Parameters
    ----------
    levels
        Mean of each patch, shape (24, 3), 0 to 255; NaN where it is covered or outside.
    lightest, darkest
        Of each patch the levels that 2 per cent of its pixels pass (24, 3).
    places
        (x, y) of the patches' centres (24, 2), pixels of the picture.
    mirrored
        Whether the picture shows it reflected.
    """

    levels: Array
    lightest: Array
    darkest: Array
    places: Array
    mirrored: bool

    @property
    def free(self) -> NDArray[np.bool_]:
        """Which patches can be seen (24,)."""
        return np.asarray(np.isfinite(self.levels).all(axis=1))


def find_chart(pixels: Pixels) -> ChartSample | None:
    """Find the chart in a picture.

    Parameters
    ----------
    pixels
        uint8, shape (rows, columns, 3).

    Returns
    -------
    ChartSample or None
        None where no chart is seen, or where more than one way of lying fits.
    """
    rows, columns = pixels.shape[:2]
    scale = min(1.0, LONGER_SIDE / max(rows, columns))
    size = (max(1, round(columns * scale)), max(1, round(rows * scale)))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA) if scale < 1 else pixels
    for lattice in lattices_of(squares_of(small), _LEAST_SQUARES):
        chart = _lying(small, lattice)
        if chart is not None:
            ratio = np.array([columns / size[0], rows / size[1]])
            return _sampled(pixels, lattice, chart, ratio)
    return None


#: Where a chart lies on a lattice: chart cell = cell @ matrix + offset.
_Lying = tuple[NDArray[np.int64], NDArray[np.int64]]


def _ways(lattice: Lattice) -> Iterator[_Lying]:
    """Yield every way in which a chart covers nearly all squares of a lattice."""
    for swap in (False, True):
        for right in (1, -1):
            for down in (1, -1):
                matrix = np.diag([right, down]).astype(np.int64)
                if swap:
                    matrix = np.ascontiguousarray(matrix[::-1])
                turned = lattice.cells @ matrix
                first, last = turned.min(axis=0), turned.max(axis=0)
                for x in range(-int(last[0]), COLUMNS - int(first[0])):
                    for y in range(-int(last[1]), ROWS - int(first[1])):
                        offset = np.array([x, y], dtype=np.int64)
                        there = turned + offset
                        on = ((there >= 0) & (there < (COLUMNS, ROWS))).all(axis=1)
                        if on.sum() >= max(_LEAST_SQUARES, 0.8 * len(there)):
                            yield matrix, offset


def _lying(pixels: Pixels, lattice: Lattice) -> _Lying | None:
    found = []
    for way in _ways(lattice):
        sample = _sampled(pixels, lattice, way, np.ones(2))
        if sample.free.sum() >= LEAST_PATCHES:
            cells = lattice.cells @ way[0] + way[1]
            on = ((cells >= 0) & (cells < (COLUMNS, ROWS))).all(axis=1)
            seen = np.zeros(ROWS * COLUMNS, bool)
            seen[cells[on] @ (1, COLUMNS)] = True
            found.append((_misfit(sample, seen), way))
    found.sort(key=lambda one: one[0])
    if not found or found[0][0] > _FARTHEST:
        return None
    if len(found) > 1 and found[1][0] < _CLEARLY * found[0][0]:
        return None
    return found[0][1]


def _misfit(sample: ChartSample, seen: NDArray[np.bool_]) -> float:
    """Return how badly one matrix brings decoded levels to the chart's colours.

    Begun with the patches that are seen as squares (24,); those that fit worst are left out, since
    something may lie on them.
    """
    free = sample.free
    table = np.array([icc.linear(n / 255, None) for n in range(256)])
    rgb = np.asarray(np.interp(sample.levels[free], np.arange(256.0), table))
    xyz = reference_charts()[0].xyz[free]
    weight = (1 / (xyz[:, 1] + 0.05))[:, None]
    kept = seen[free]
    for _ in range(4):
        matrix = np.linalg.lstsq((rgb * weight)[kept], (xyz * weight)[kept], rcond=None)[0]
        made = lab_of_xyz(np.maximum(rgb @ matrix, 1e-4), np.array(icc.D50))
        apart = np.linalg.norm(made - lab_of_xyz(xyz, np.array(icc.D50)), axis=1)
        kept = apart <= np.sort(apart)[max(10, int(0.75 * len(apart))) - 1]
    ours = matrix @ np.linalg.inv(np.array(icc.columns(icc.SRGB)))
    if (np.argmax(ours, axis=0) != np.arange(3)).any():
        return np.inf  # red, green and blue change places: no camera does that
    return float(apart[kept].mean())


def _sampled(pixels: Pixels, lattice: Lattice, way: _Lying, ratio: Array) -> ChartSample:
    matrix, offset = way
    back = matrix.T  # of a turn or reflection, the inverse
    numbers = np.array([(n % COLUMNS, n // COLUMNS) for n in range(ROWS * COLUMNS)])
    cells = ((numbers - offset) @ back).astype(float)
    centres = lattice.place(cells) * ratio
    reach = _INNER / 2 * 0.8  # patches take some four fifths of a step
    corners = [
        lattice.place(cells + np.array(corner) * reach) * ratio
        for corner in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]
    levels = np.full((len(cells), 3), np.nan)
    lightest, darkest = levels.copy(), levels.copy()
    for n in range(len(cells)):
        part = _inside(pixels, np.array([corner[n] for corner in corners]))
        if part is None or (part.std(axis=0) > _EVEN).any():
            continue
        levels[n] = part.mean(axis=0)
        darkest[n], lightest[n] = np.percentile(part, (2, 98), axis=0)
    turn = lattice.place(np.array([[1.0, 0.0], [0.0, 1.0], [0.0, 0.0]]))
    handed = float(np.linalg.det(turn[:2] - turn[2])) * float(np.linalg.det(matrix.astype(float)))
    return ChartSample(levels, lightest, darkest, centres, handed < 0)


def _inside(pixels: Pixels, corners: Array) -> Pixels | None:
    rows, columns = pixels.shape[:2]
    (left, top), (right, bottom) = np.floor(corners.min(axis=0)), np.ceil(corners.max(axis=0))
    if left < 0 or top < 0 or right >= columns or bottom >= rows or right - left > columns / 2:
        return None
    part = pixels[int(top) : int(bottom) + 1, int(left) : int(right) + 1]
    mask = np.zeros(part.shape[:2], np.uint8)
    outline = np.round(corners - (left, top)).astype(np.int32)
    cv2.fillConvexPoly(mask, outline, 1)
    chosen = part[mask.astype(bool)]
    return chosen if len(chosen) >= 9 else None
