"""Which way round two pictures lie to each other: features that agree, for each of eight turns.

A feature has a bearing and a size besides its description. Of two pictures that differ by one
of the square's eight turns, give or take how the camera was held, all true matches have nearly
the same difference of bearing. So for each turn only features of fitting bearing and size are
matched, and the places of the matches must obey one similarity of that turn. What agrees in the
seven turns that cannot be true shows what chance gives in these two pictures.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from archiver.vision.feature_matching import Matches
from archiver.vision.one_core import one_core
from archiver.vision.prepared import Features, Prepared
from archiver.vision.transforms import Array

#: Degrees by which a camera is held from the quarter turn, and by how much pictures differ in size.
_HELD = 30.0
_SIZES = 2.6
#: Degrees of bearing within which features of the prior are matched together: what may match them
#: under one quarter turn then spans a quarter.
_TOGETHER = 90.0 - 2 * _HELD
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
    return tuple(_agreement(found, k) for k, found in enumerate(_matched(newer, prior)))


def _matched(newer: Features, prior: Features) -> list[Matches]:
    """Match features, for each quarter turn of the prior those of fitting bearing and size.

    Features of the prior are taken by bearing, a few at a time: what can match them under each
    quarter then is a run of those of the newer picture, sorted by bearing, so that of all pairs
    (25 MB) nothing is held but their likeness.
    """
    n, m = len(prior.places), len(newer.places)
    first, second = np.full((4, n), -1, np.float32), np.full((4, n), -1, np.float32)
    best = np.zeros((4, n), np.intp)
    highest, back = np.full((4, m), -1, np.float32), np.zeros((4, m), np.intp)
    sizes, log_of_prior = np.log(newer.size), np.log(prior.size)
    with one_core():
        pairs = prior.described @ newer.described.T
    step = prior.bearing // _TOGETHER
    for start in np.unique(step):
        mine = np.flatnonzero(step == start)
        bearing = (newer.bearing - start * _TOGETHER + _HELD) % 360
        order = np.argsort(bearing, kind="stable")
        ends = np.searchsorted(bearing[order], [0, 90, 180, 270, 361])
        likeness = pairs[np.ix_(mine, order)]
        likeness[np.abs(sizes[order] - log_of_prior[mine, None]) > np.log(_SIZES)] = -1
        held = bearing[order] % 90 - (prior.bearing[mine, None] - start * _TOGETHER)
        likeness[(held < 0) | (held > 2 * _HELD)] = -1
        for k, (low, high) in enumerate(pairwise(ends)):
            if low == high:
                continue
            part, there = likeness[:, low:high], order[low:high]
            rows, column = np.arange(len(mine)), part.argmax(axis=1)
            row = part.argmax(axis=0)
            value = part[row, np.arange(len(there))]
            higher = value > highest[k, there]
            highest[k, there[higher]], back[k, there[higher]] = value[higher], mine[row[higher]]
            first[k, mine], best[k, mine] = part[rows, column], there[column]
            part[rows, column] = -1
            second[k, mine] = part.max(axis=1)
    away, other = (np.sqrt(np.clip(2 - 2 * one, 0, None)) for one in (first, second))
    matched = []
    for k in range(4):
        chosen = (first[k] > 0) & (away[k] < _RATIO * other[k])
        chosen &= back[k, best[k]] == np.arange(n)
        matched.append(Matches(prior.places[chosen], newer.places[best[k, chosen]]))
    return matched


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
