"""Pictures cut into tiles at several scales, so that 24 megapixels pan smoothly.

A level is the picture as displayed, each pixel of it standing for 1, 2, 4 or 8 full ones either
way. Levels are decoded when the first tile is asked for and kept while there is room.
"""

from __future__ import annotations

import io
import threading
from dataclasses import dataclass

import numpy as np
from cachetools import LRUCache
from numpy.typing import NDArray
from PIL import Image

from archiver.colour import as_srgb
from archiver.errors import ObjectError
from archiver.photo import turned
from archiver.web.pages.compare.picture_source import PictureSource, stored_pixels

Pixels = NDArray[np.uint8]

#: Pixels of a tile's side.
TILE = 512
#: Pixels by which a tile reaches over its right and lower edge, so that no gap shows between
#: two that are drawn turned.
OVERLAP = 2
REDUCTIONS = (1, 2, 4, 8)
#: Two decoded pictures of 24 megapixels and their smaller levels fit in.
BUDGET = 200_000_000
#: A level that would take more than this by itself is not offered.
_LARGEST_LEVEL = 400_000_000
_SMALL = 1024
_QUALITY = 90


class NoTile(ObjectError):
    """There is no such level or tile."""


@dataclass(frozen=True)
class Grid:
    """Where the pixels of a level lie.

    Parameters
    ----------
    reduction
        Full pixels for one of the level, either way.
    columns, rows
        Of the level.
    left, top
        Full pixels by which the level's first column and row begin before the picture: where
        its size is no multiple, the incomplete ones may come first when it is turned.
    """

    reduction: int
    columns: int
    rows: int
    left: int
    top: int


#: Turns that bring the stored right or lower edge to the left, and to the top.
_LEFT_FIRST = (2, 3, 6, 7)
_TOP_FIRST = (3, 4, 7, 8)


def grids(source: PictureSource) -> tuple[Grid, ...]:
    """Return the levels of a picture, the finest first, the last no larger than need be."""
    columns, rows = source.size
    found = []
    for reduction in REDUCTIONS:
        wide, high = -(-columns // reduction), -(-rows // reduction)
        turn = int(source.turn)
        left = wide * reduction - columns if turn in _LEFT_FIRST else 0
        top = high * reduction - rows if turn in _TOP_FIRST else 0
        if wide * high * 3 <= _LARGEST_LEVEL or reduction == REDUCTIONS[-1]:
            found.append(Grid(reduction, wide, high, left, top))
        if max(wide, high) <= _SMALL:
            break
    return tuple(found)


class Levels:
    """Decoded levels, the least used dropped where they take more bytes than they may.

    Parameters
    ----------
    budget
        Bytes of what is kept.
    """

    def __init__(self, budget: int = BUDGET) -> None:
        # A level that is larger than the budget is kept all the same, and nothing beside it.
        self._kept: LRUCache[tuple[str, int], Pixels] = LRUCache(
            budget, lambda one: min(one.nbytes, budget)
        )
        self._guard = threading.Lock()
        self._at_work: dict[tuple[str, int], threading.Lock] = {}
        #: A decoded picture takes a hundred megabytes on the way; two at once are enough.
        self._decoding = threading.Semaphore(2)

    def level(self, source: PictureSource, grid: Grid) -> Pixels:
        """Return a level, shape (rows, columns, 3), in the picture's own colour encoding.

        Raises
        ------
        ObjectError
            If it cannot be decoded.
        """
        key = (source.description.sop_instance_uid, grid.reduction)
        with self._guard:
            if key in self._kept:
                return self._kept[key]
            turnstile = self._at_work.setdefault(key, threading.Lock())
        with turnstile:
            with self._guard:
                if key in self._kept:
                    return self._kept[key]
            try:
                with self._decoding:
                    stored = stored_pixels(source, grid.reduction)
                    pixels = np.ascontiguousarray(turned(stored, source.turn.value))
                    if pixels.shape[:2] != (grid.rows, grid.columns):
                        raise ObjectError("web.tiles.other_size")
                with self._guard:
                    self._kept[key] = pixels
            finally:
                with self._guard:
                    self._at_work.pop(key, None)
        return pixels

    def tile(self, source: PictureSource, reduction: int, column: int, row: int) -> bytes:
        """Return a tile as a JPEG in sRGB, without any metadata.

        Raises
        ------
        NoTile
            If there is no such level, or no such tile in it.
        ObjectError
            If the picture cannot be decoded.
        """
        grid = next((one for one in grids(source) if one.reduction == reduction), None)
        if grid is None:
            raise NoTile("web.tiles.no_level")
        left, top = column * TILE, row * TILE
        if not (0 <= left < grid.columns and 0 <= top < grid.rows):
            raise NoTile("web.tiles.no_tile")
        end = (top + TILE + OVERLAP, left + TILE + OVERLAP)
        cut = self.level(source, grid)[top : end[0], left : end[1]]
        return as_jpeg(as_srgb(np.ascontiguousarray(cut), source.space))

    def thumbnail(self, source: PictureSource, side: int) -> bytes:
        """Return the whole picture as a small JPEG in sRGB, its longer side at most so long.

        The coarsest level is decoded for it and not kept: a page of answers has many.
        """
        grid = grids(source)[-1]
        with self._decoding:
            pixels = turned(stored_pixels(source, grid.reduction), source.turn.value)
        picture = Image.fromarray(pixels)
        picture.thumbnail((side, side), Image.Resampling.LANCZOS, reducing_gap=2.0)
        return as_jpeg(as_srgb(np.asarray(picture, np.uint8), source.space), 85)


def as_jpeg(pixels: Pixels, quality: int = _QUALITY) -> bytes:
    """Encode sRGB pixels (rows, columns, 3) for the browser."""
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=quality, subsampling=0)
    return buffer.getvalue()
