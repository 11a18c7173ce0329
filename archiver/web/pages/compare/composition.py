"""The pixels of what is seen of a comparison: made anew from the archived pictures."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from archiver.colour import as_srgb
from archiver.vision import Array, cv2
from archiver.web.pages.compare.alignment import Aligned
from archiver.web.pages.compare.picture_source import PictureSource
from archiver.web.pages.compare.tiles import Grid, Levels, grids
from archiver.web.pages.compare.view_state import Seen

Pixels = NDArray[np.uint8]
Mask = NDArray[np.bool_]

#: Pixels of a pane's width that are aimed at, and times its size on the screen at most.
_WIDTH, _MOST = 1400, 3.0
_PLATE, _NOTHING = (20, 27, 32), (84, 92, 98)
_LINE, _UNDER = (255, 214, 10), (17, 21, 20)


@dataclass(frozen=True)
class Pair:
    """An earlier picture and the newest one, and how one lies on the other."""

    newest: PictureSource
    earlier: PictureSource
    outcome: Aligned

    @property
    def matrix(self) -> Array:
        """From the full earlier picture to the newest: aligned, or at the same size beside it."""
        if self.outcome.matrix is not None:
            return self.outcome.matrix
        (columns, rows), (wide, high) = self.newest.size, self.earlier.size
        k = min(columns / wide, rows / high)
        shift = (columns - wide * k) / 2, (rows - high * k) / 2
        return np.array([[k, 0, shift[0]], [0, k, shift[1]], [0, 0, 1.0]])


def panes(pair: Pair, seen: Seen, levels: Levels) -> list[Pixels]:
    """Draw the panes of a view, one or two, in sRGB."""
    ratio = max(1.0, min(_MOST, _WIDTH / seen.wide))
    base = seen.matrix(ratio)
    size = (round(seen.wide * ratio), round(seen.high * ratio))
    pane = _Pane(pair, seen, levels, base, size)
    if seen.mode == "side":
        return [pane.on_plate(pair.earlier), pane.outlined(pane.on_plate(pair.newest))]
    if seen.mode == "blink" and seen.is_earlier:
        return [pane.over(pane.on_plate(pair.newest))]
    now = pane.outlined(pane.on_plate(pair.newest))
    if seen.mode == "seam":
        at = round(size[0] * seen.seam)
        made = now.copy()
        made[:, :at] = pane.over(now)[:, :at]
        line = max(2, size[0] // 500)
        made[:, max(0, at - line // 2) : at - line // 2 + line] = 255
        return [made]
    return [pane.mapped(now) if seen.mode == "difference" else now]


class _Pane:
    def __init__(
        self, pair: Pair, seen: Seen, levels: Levels, base: Array, size: tuple[int, int]
    ) -> None:
        self.pair, self.seen, self.levels = pair, seen, levels
        self.base, self.size = base, size

    def warped(self, source: PictureSource) -> tuple[Pixels, Mask]:
        """A picture in this pane, and where it is."""
        matrix = self.base if source is self.pair.newest else self.base @ self.pair.matrix
        grid = _grid(source, matrix)
        r = grid.reduction
        total = matrix @ np.array([[r, 0, -grid.left], [0, r, -grid.top], [0, 0, 1.0]])
        level = self.levels.level(source, grid)
        pixels = cv2.warpPerspective(level, _centred(total), self.size, flags=cv2.INTER_LINEAR)
        covered = _covered(level.shape[:2], _centred(total), self.size)
        return as_srgb(np.asarray(pixels, np.uint8), source.space), covered

    def on_plate(self, source: PictureSource) -> Pixels:
        pixels, covered = self.warped(source)
        pixels = pixels.copy()
        pixels[~covered] = _PLATE
        return pixels

    def over(self, now: Pixels) -> Pixels:
        """The earlier picture, grey where it does not reach but the newest does."""
        pixels, covered = self.warped(self.pair.earlier)
        columns, rows = self.pair.newest.size
        there = _covered((rows, columns), _centred(self.base), self.size)
        made = np.empty_like(now)
        made[:] = _PLATE
        made[there] = _NOTHING
        made[covered] = pixels[covered]
        return made

    def mapped(self, now: Pixels) -> Pixels:
        """The map of differences over the newest picture."""
        if not self.pair.outcome.difference:
            return now
        with Image.open(io.BytesIO(self.pair.outcome.difference)) as picture:
            found = np.asarray(picture.convert("RGB"))
        columns, rows = self.pair.newest.size
        grown = np.diag([columns / found.shape[1], rows / found.shape[0], 1.0])
        matrix = _centred(self.base @ grown)
        placed = cv2.warpPerspective(found, matrix, self.size).astype(np.float32)
        there = _covered(found.shape[:2], matrix, self.size)[..., np.newaxis]
        share = there * self.seen.strength
        mixed = placed * share + now * (1 - share)
        return np.asarray(mixed.round(), np.uint8)

    def outlined(self, now: Pixels) -> Pixels:
        """The outline of what was aligned, where it is wanted."""
        outlines = self.pair.outcome.facts.get("region", []) if self.seen.has_outline else []
        made = now.copy()
        for outline in outlines:
            _draw(made, outline, self.base)
        return made


def _draw(pixels: Pixels, outline: Sequence[Sequence[float]], base: Array) -> None:
    ahead = np.column_stack([np.array(outline), np.ones(len(outline))]) @ base.T
    points = (ahead[:, :2] / ahead[:, 2:]).round().astype(np.int32).reshape(-1, 1, 2)
    thick = max(2, pixels.shape[1] // 450)
    for colour, width in ((_UNDER, thick * 2), (_LINE, thick)):
        cv2.polylines(pixels, [points], True, colour, width, cv2.LINE_AA)


def _grid(source: PictureSource, matrix: Array) -> Grid:
    """The coarsest level whose pixels are drawn no wider than one of the pane."""
    columns, rows = source.size
    middle = np.array([columns / 2, rows / 2, 1.0])
    ahead = matrix @ middle
    x, y = ahead[:2] / ahead[2]
    jacobian = (matrix[:2, :2] - np.outer([x, y], matrix[2, :2])) / ahead[2]
    growth = float(np.sqrt(abs(np.linalg.det(jacobian))))
    found = grids(source)
    return next((one for one in reversed(found) if one.reduction * growth <= 1.2), found[0])


def _centred(matrix: Array) -> Array:
    """A transform between outer corners as one between pixel centres."""
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    return np.asarray(np.linalg.inv(half) @ matrix @ half)


def _covered(shape: Sequence[int], matrix: Array, size: tuple[int, int]) -> Mask:
    """Where a picture of a shape (rows, columns) reaches."""
    rows, columns = shape
    corners = [[-0.5, -0.5], [columns - 0.5, -0.5], [columns - 0.5, rows - 0.5], [-0.5, rows - 0.5]]
    ahead = np.column_stack([np.array(corners), np.ones(4)]) @ matrix.T
    points = np.clip(ahead[:, :2] / ahead[:, 2:], -30000, 30000).round().astype(np.int32)
    made = np.zeros((size[1], size[0]), np.uint8)
    cv2.fillConvexPoly(made, points.reshape(-1, 1, 2), 1)
    return np.asarray(made > 0)
