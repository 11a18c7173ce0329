"""Matched places of two pictures, by following the surface of the teeth closely."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from archiver.vision.one_core import one_core
from archiver.vision.opencv import cv2
from archiver.vision.prepared import Mask, Prepared
from archiver.vision.transforms import Array, carried

#: Pixels at working size between places that are followed.
_STEP = 8
#: Halvings of working size at which following ends: on the way, and at the last.
_FINEST = (1, 0)
#: Pixels by which following there and back may miss the start, and the least correlation of the
#: surroundings of two matched places: of all that is kept, and of what is trusted.
_THERE_AND_BACK = (0.75, 0.5)
_ALIKE = (0.6, 0.7)
_SURROUNDINGS = 15
_NEIGHBOURS = 12
#: Pixels at working size.
_REACH = 40.0
#: Pixels at working size round the teeth that following needs to see.
_MARGIN = 48
_HEAVIEST = 4.0
#: Breadth in working pixels of the disc by which a crown's rim is taken off.
_RIM = 13


@dataclass(frozen=True)
class Matches:
    """Places of the prior and of the newer picture that show the same, shape (n, 2) each."""

    prior: Array
    newer: Array

    def __len__(self) -> int:
        return len(self.prior)

    def only(self, chosen: Mask) -> Matches:
        """Return some of them."""
        return Matches(self.prior[chosen], self.newer[chosen])


@dataclass(frozen=True)
class Followed:
    """What following the surface gave.

    Parameters
    ----------
    matches
        Places on the teeth, evenly spread.
    trusted
        Shape (n,), those that were followed most surely.
    tried
        Places (m, 2) of the newer picture on teeth that both show, gloss left out.
    """

    matches: Matches
    trusted: Mask
    tried: Array

    @property
    def share(self) -> float:
        """Share of the places that could be followed."""
        return len(self.matches) / len(self.tried) if len(self.tried) else 0.0

    def within(self, mask: Mask) -> Followed:
        """Return what lies in a region of the newer picture."""
        at, tried = self.matches.newer.astype(int), self.tried.astype(int)
        on = mask[at[:, 1], at[:, 0]]
        there = mask[tried[:, 1], tried[:, 0]]
        return Followed(self.matches.only(on), self.trusted[on], self.tried[there])

    @property
    def surest(self) -> Followed:
        """Only what is trusted."""
        kept = self.trusted
        return Followed(self.matches.only(kept), kept[kept], self.tried)

    def weights(self) -> Array:
        """How many of the places tried each match stands for: the nearest one's.

        Bare enamel gives few matches and a fissure many; the alignment is of the whole tooth.
        A place farther than `_REACH` from every match counts for none.
        """
        weights = np.full(len(self.matches), 0.25)
        for some in np.array_split(self.tried, max(1, len(self.tried) // 256)):
            apart = _apart(some, self.matches.newer)
            nearest = apart.argmin(axis=1)
            close = apart[np.arange(len(some)), nearest] < _REACH
            weights += np.bincount(nearest[close], minlength=len(weights))
        return np.asarray(np.minimum(weights, _HEAVIEST))


def follow(newer: Prepared, prior: Prepared, matrix: Array, *, finely: bool) -> Followed:
    """Follow the surface of the teeth from the newer picture to the prior, pixel by pixel.

    Parameters
    ----------
    matrix
        From the prior to the newer picture, right to within some pixels.
    finely
        To the last tenth of a pixel, which takes three times as long.

    Returns
    -------
    Followed
        Places at working size. Each is followed there and back and its surroundings compared;
        no model has a say in which are kept, so that their distances from a model are honest.
    """
    where = newer.tooth & _laid(prior.tooth, matrix, newer.shape)
    return _follow((newer, newer.detail), (prior, prior.detail), matrix, where, finely)


def follow_crown(newer: Prepared, prior: Prepared, matrix: Array, crown: Mask) -> Followed:
    """Follow the texture of one crown finely, as `follow`.

    Its rim is left out: there the surface turns away, and what moves is the edge of what is seen.
    """
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_RIM, _RIM))
    where = cv2.erode(crown.astype(np.uint8), kernel) > 0
    return _follow((newer, newer.texture), (prior, prior.texture), matrix, where, finely=True)


def _follow(
    newer: tuple[Prepared, NDArray[np.uint8]],
    prior: tuple[Prepared, NDArray[np.uint8]],
    matrix: Array,
    where: Mask,
    finely: bool,
) -> Followed:
    """Follow places of the newer picture that both show and that lie where it is said."""
    rows, columns = where.shape
    size = (columns, rows)
    seen = where & newer[0].usable & _laid(prior[0].usable, matrix, where.shape)
    y, x = np.mgrid[_STEP // 2 : rows : _STEP, _STEP // 2 : columns : _STEP]
    on = seen[y, x]
    start = np.column_stack([x[on], y[on]]).astype(float)
    if not len(start):
        return Followed(Matches(start, start), np.zeros(0, bool), start)
    near = cv2.warpPerspective(prior[1], matrix, size, flags=cv2.INTER_LINEAR, borderValue=128)
    left, top, right, bottom = _round(start, size)
    corner = np.array([left, top], float)
    one = np.ascontiguousarray(newer[1][top:bottom, left:right])
    other = np.ascontiguousarray(near[top:bottom, left:right])
    moved, missed, alike = _followed(one, other, (start - corner).astype(int), finely)
    end = start + moved
    inside = (end > corner + 2).all(axis=1) & (end < [right - 3, bottom - 3]).all(axis=1)
    kept, trusted = (
        inside & (missed < limit) & (alike > least)
        for limit, least in zip(_THERE_AND_BACK, _ALIKE, strict=True)
    )
    for chosen in (kept, trusted):
        chosen[chosen] = _steady(start[chosen], moved[chosen])
    at_prior = carried(np.asarray(np.linalg.inv(matrix), float), end)
    return Followed(Matches(at_prior[kept], start[kept]), trusted[kept], start)


def _round(places: Array, size: tuple[int, int]) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of a box round places, with room to move, in the picture."""
    low = np.maximum(places.min(axis=0) - _MARGIN, 0).astype(int)
    high = np.minimum(places.max(axis=0) + _MARGIN, size).astype(int)
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def _followed(
    one: NDArray[np.uint8], other: NDArray[np.uint8], start: NDArray[np.int_], finely: bool
) -> tuple[Array, Array, NDArray[np.float32]]:
    """Movement of places, by how much they miss their start on return, how alike both ends are."""
    there = _flow(one, other, _FINEST[finely])
    back = _flow(other, one, _FINEST[finely])
    x, y = start.T
    moved = there[y, x].astype(float)
    missed = np.linalg.norm(moved + _sampled(back, start + moved), axis=1)
    return moved, np.asarray(missed), _likeness(one, other, there)[y, x]


def _steady(at: Array, moved: Array) -> Mask:
    """Whether each movement is like those around it, as it is on one surface."""
    if len(at) < _NEIGHBOURS + 1:
        return np.zeros(len(at), bool)
    steady = np.zeros(len(at), bool)
    for some in np.array_split(np.arange(len(at)), max(1, len(at) // 256)):
        apart = _apart(at[some], at)
        near = np.argpartition(apart, _NEIGHBOURS, axis=1)[:, : _NEIGHBOURS + 1]
        usual = np.median(moved[near], axis=1)
        spread = np.median(np.linalg.norm(moved[near] - usual[:, None], axis=2), axis=1)
        steady[some] = np.linalg.norm(moved[some] - usual, axis=1) < 3 * spread + 0.5
    return steady


def scatter(at: Array, moved: Array) -> Array:
    """Return how far each movement (n, 2) is from the mean of those nearest to it.

    On a smooth surface neighbours move alike, so this is what following itself adds; scaled so
    that independent errors come out at their own size.
    """
    result = np.empty(len(at))
    count = min(_NEIGHBOURS, len(at) - 1)
    for some in np.array_split(np.arange(len(at)), max(1, len(at) // 256)):
        near = np.argpartition(_apart(at[some], at), count, axis=1)[:, : count + 1]
        result[some] = np.linalg.norm(moved[some] - moved[near].mean(axis=1), axis=1)
    return np.asarray(result * np.sqrt((count + 1) / max(count, 1)))


def mean_around(at: Array, moved: Array, ring: tuple[float, float]) -> tuple[Array, Mask]:
    """Return for each movement (n, 2) the mean of those in a ring round it.

    Parameters
    ----------
    ring
        Distances in pixels, from and to.

    Returns
    -------
    tuple of ndarray
        The means, shape (n, 2), and where there are any, shape (n,).
    """
    mean, there = np.zeros((len(at), 2)), np.zeros(len(at), bool)
    for some in np.array_split(np.arange(len(at)), max(1, len(at) // 256)):
        apart = _apart(at[some], at)
        inside = (apart >= ring[0]) & (apart < ring[1])
        count = inside.sum(axis=1)
        mean[some] = inside @ moved / np.maximum(count, 1)[:, None]
        there[some] = count > 0
    return mean, there


def reached(places: Array, shape: tuple[int, ...]) -> Mask:
    """Return what of a picture (rows, columns) lies near a followed place."""
    far = np.ones(shape[:2], np.uint8)
    x, y = places.astype(int).T
    far[y, x] = 0
    return np.asarray(cv2.distanceTransform(far, cv2.DIST_L2, 5) < _REACH)


def _apart(some: Array, others: Array) -> Array:
    """Distances (n, m) of places."""
    with one_core():
        products = some @ others.T
    squares = (some**2).sum(axis=1)[:, None] + (others**2).sum(axis=1) - 2 * products
    return np.asarray(np.sqrt(np.maximum(squares, 0.0)))


def _laid(mask: Mask, matrix: Array, shape: tuple[int, ...]) -> Mask:
    """A mask of the prior carried to the newer picture."""
    size = (shape[1], shape[0])
    laid = cv2.warpPerspective(mask.astype(np.uint8), matrix, size, flags=cv2.INTER_NEAREST)
    return np.asarray(laid > 0)


def _flow(one: NDArray[np.uint8], other: NDArray[np.uint8], finest: int) -> NDArray[np.float32]:
    """Movement of each pixel of one picture to the other, dense inverse search."""
    search = cv2.DISOpticalFlow_create(cv2.DISOPTICAL_FLOW_PRESET_MEDIUM)
    search.setFinestScale(finest)
    search.setUseSpatialPropagation(True)
    return np.asarray(search.calc(one, other, None), np.float32)


def _sampled(field: NDArray[np.float32], at: Array) -> Array:
    x, y = at.astype(np.float32).T
    taken = cv2.remap(field, x[None], y[None], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(taken[0], float)


def _likeness(
    one: NDArray[np.uint8], other: NDArray[np.uint8], flow: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Correlation of each pixel's surroundings with those of its match."""
    rows, columns = one.shape
    x, y = np.meshgrid(np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32))
    moved = cv2.remap(other, x + flow[..., 0], y + flow[..., 1], cv2.INTER_LINEAR)
    a, b = one.astype(np.float32), moved.astype(np.float32)
    side = (_SURROUNDINGS, _SURROUNDINGS)

    def mean(values: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.blur(values, side), np.float32)

    mean_a, mean_b = mean(a), mean(b)
    common = mean(a * b) - mean_a * mean_b
    spread = (mean(a * a) - mean_a**2 + 1.0) * (mean(b * b) - mean_b**2 + 1.0)
    return np.asarray(common / np.sqrt(np.clip(spread, 1e-6, None)), np.float32)
