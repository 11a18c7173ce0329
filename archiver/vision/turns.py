"""Which way round two pictures lie to each other: features that agree, for each of eight turns.

A feature has a bearing and a size besides its description. Of two pictures that differ by one
of the square's eight turns, give or take how the camera was held, all true matches have nearly
the same difference of bearing. So for each turn only features of fitting bearing and size are
matched, and the places of the matches must obey one similarity of that turn. What agrees in the
seven turns that cannot be true shows what chance gives in these two pictures.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from archiver.vision.feature_matching import Matches
from archiver.vision.prepared import Features, Prepared
from archiver.vision.transforms import Array

#: Degrees by which a camera is held from the quarter turn, and by how much pictures differ in size.
_HELD = 30.0
_SIZES = 2.6
#: A match counts if the second best is farther by this factor, and if it is best both ways.
_RATIO = 0.85
#: Working pixels by which an agreeing feature may be off: relief seen from elsewhere moves it.
AGREES = 8.0
#: Pairs of matches that propose a similarity, and the least distance of their places.
_PROPOSALS = 3000
_APART = 25.0
#: Matches closer than this are one: SIFT tells one place several times.
_ONE_PLACE = 3.0


@dataclass(frozen=True)
class Agreement:
    """What agrees with the similarity that most features agree with, under one turn.

    Parameters
    ----------
    matches
        The agreeing features, those of the prior as it was after the reflection if there was one.
    count
        How many places they are.
    """

    matches: Matches
    count: int


@dataclass(frozen=True)
class Turns:
    """Agreement for each turn.

    Parameters
    ----------
    upright
        Four: the prior as it is, turned by 0, 90, 180, 270 degrees clockwise.
    reflected
        Four: the prior flipped left to right before that.
    """

    upright: tuple[Agreement, ...]
    reflected: tuple[Agreement, ...]

    @property
    def counts(self) -> NDArray[np.int_]:
        """Agreeing places, shape (8,): upright ones first."""
        return np.array([one.count for one in (*self.upright, *self.reflected)])


def turns(newer: Prepared, prior: Prepared) -> Turns:
    """Count what agrees of two pictures for each turn of the prior."""
    ways = (prior.features, prior.reflected().features)
    upright, reflected = (_quarters(newer.features, one) for one in ways)
    return Turns(upright, reflected)


def upright(newer: Prepared, prior: Prepared) -> Agreement:
    """Return what agrees of two pictures as they are."""
    return _quarters(newer.features, prior.features)[0]


def _quarters(newer: Features, prior: Features) -> tuple[Agreement, ...]:
    if min(len(newer.places), len(prior.places)) < 3:
        none = Matches(np.empty((0, 2)), np.empty((0, 2)))
        return (Agreement(none, 0),) * 4
    likeness = prior.described @ newer.described.T
    # One table of all pairs at a time beside that of likeness: each is 25 MB.
    size = np.log(newer.size) - np.log(prior.size)[:, None]
    likeness[np.abs(size, out=size) > np.log(_SIZES)] = -1
    del size
    turn = (newer.bearing - prior.bearing[:, None] + _HELD) % 360
    likeness[turn % 90 > 2 * _HELD] = -1
    quarter = (turn // 90).astype(np.uint8)
    del turn
    return tuple(
        _agreement(_matched(np.where(quarter == k, likeness, -1), newer, prior), k)
        for k in range(4)
    )


def _matched(likeness: NDArray[np.float32], newer: Features, prior: Features) -> Matches:
    rows = np.arange(len(likeness))
    best, back = likeness.argmax(axis=1), likeness.argmax(axis=0)
    first = likeness[rows, best].copy()
    likeness[rows, best] = -1
    second = likeness.max(axis=1)
    away, other = (np.sqrt(np.clip(2 - 2 * one, 0, None)) for one in (first, second))
    chosen = (first > 0) & (away < _RATIO * other) & (back[best] == rows)
    return Matches(prior.places[chosen], newer.places[best[chosen]])


def _agreement(matches: Matches, quarter: int) -> Agreement:
    """Keep the matches that obey one similarity of a turn, the one that most obey."""
    # A similarity is multiplication by a complex number and a shift.
    here, there = (one @ [1, 1j] for one in (matches.prior, matches.newer))
    rng = np.random.default_rng(0)
    one, other = rng.integers(0, max(len(here), 1), (2, _PROPOSALS)) if len(here) > 1 else ([], [])
    across, along = here[other] - here[one], there[other] - there[one]
    far = (np.abs(across) > _APART) & (np.abs(along) > _APART)
    factor = along[far] / across[far]
    held = np.degrees(np.angle(factor * np.exp(-0.5j * np.pi * quarter)))
    fit = (np.abs(held) < _HELD) & (np.abs(np.log(np.abs(factor))) < np.log(_SIZES))
    factor, start = factor[fit], np.asarray(one)[far][fit]
    if not len(factor):
        return Agreement(matches.only(np.zeros(len(here), bool)), 0)
    shift = there[start] - factor * here[start]
    agree = np.abs(factor[:, None] * here + shift[:, None] - there) < AGREES
    kept = matches.only(agree[int(agree.sum(axis=1).argmax())])
    return Agreement(kept, _places(kept))


def _places(matches: Matches) -> int:
    ends: Array = np.round(np.column_stack([matches.prior, matches.newer]) / _ONE_PLACE)
    return len(np.unique(ends, axis=0))
