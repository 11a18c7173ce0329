"""Telling a prior that is the wrong way round: turned or reflected it fits, as it is it does not.

Metadata cannot show that a mirror picture was turned back, but an earlier picture of the same
tooth can: fissures, cusps, fillings, gums and vessels have a handedness. Which of the two
pictures is the wrong one no pair can say.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from archiver.vision.prepared import Prepared
from archiver.vision.registration import Alignment, Refusal, Subject, register
from archiver.vision.transforms import Array
from archiver.vision.turns import turns
from archiver.wording import Text

#: The better way must have this many times the agreeing features of any other. Front teeth are
#: nearly symmetric, so that a reflection has some share in any case.
CLEARLY = 1.8
#: Probability from which a verdict is given, and agreeing features below which an alarm never is.
SURE = 0.9
_FEWEST = 9

#: How often pictures filed as one tooth or arch and view are so (common practice: an estimate):
#: turned by quarters as they are, then reflected; what is left is of another mouth or tooth.
_BEFORE = np.array([0.87, 0.005, 0.02, 0.005, 0.03, 0.003, 0.004, 0.003])
#: Agreeing features of a turn that is not true: more than `_CHANCE` with probability `_SELDOM`, and
#: each further one with `_FURTHER` of the one before. Found on real pictures of four mouths.
_CHANCE, _SELDOM, _FURTHER = 4, 0.09, 0.5
#: Features beyond chance from which more make no difference.
_CERTAIN = 60
#: An arch is much like its own reflection: of the features of the true turn, that reflection had up
#: to 4.4 %, 69 where a picture met itself.
_SYMMETRIC = 0.06
#: The other side's tooth, flipped, looks like this one: how often another tooth is that, and its
#: features beyond chance.
_TWIN, _TWIN_FURTHER = 0.3, 0.8
#: Agreeing features of the true turn: middle and deviation of their logarithm.
_TRUE = (np.log(70.0), 1.4)
#: Odds that an alignment that succeeds adds: it refused the other side's teeth, flipped, in all
#: cases tried.
_ALIGNED = 20.0
#: Agreeing features from which a prior is the same way round even where it could not be aligned:
#: the other side's teeth, flipped, gave up to 18.
_WITHOUT_ALIGNMENT = 25


class Way(str, Enum):
    """What the check came to."""

    SAME = "same way round"
    REVERSED = "mirror-reversed"
    TURNED = "turned"
    UNDECIDED = "undecided"

    @property
    def contradicts(self) -> bool:
        """Whether the two pictures cannot both be labelled right."""
        return self in (Way.REVERSED, Way.TURNED)


@dataclass(frozen=True)
class Odds:
    """Probabilities that add up to one.

    Parameters
    ----------
    same, turned, reversed_
        The same tooth or arch, as it is; turned by a half or a quarter; reflected, turned or not.
    other
        Another mouth or tooth, or pictures with too little in common.
    """

    same: float
    turned: float
    reversed_: float
    other: float


@dataclass(frozen=True)
class Checked:
    """A pair after every way was tried.

    Parameters
    ----------
    way
        The verdict.
    features, features_reflected
        Features that agree with one similarity, as the prior is and reflected.
    outcome
        The alignment of the prior as it is, or why there is none; one that is reversed or
        turned has none.
    features_turned
        Features that agree with the prior turned by a half or a quarter.
    odds
        Probabilities of each way.
    """

    way: Way
    features: int
    features_reflected: int
    outcome: Alignment | Refusal
    features_turned: int = 0
    odds: Odds | None = None


@dataclass(frozen=True)
class WayVerdict:
    """Which way round a prior lies, told without aligning it.

    Parameters
    ----------
    way
        The verdict.
    counts
        Agreeing features for the prior as it is and turned by 90, 180 and 270 degrees clockwise,
        then for its reflection turned so.
    """

    way: Way
    counts: tuple[int, ...]

    @property
    def nothing_in_common(self) -> bool:
        """Whether in no turn more agrees than chance gives."""
        return max(self.counts) < _FEWEST


_REASONS = {
    Way.REVERSED: Text("vision.refusal.reversed"),
    Way.TURNED: Text("vision.refusal.turned"),
}


def check(newer: Prepared, prior: Prepared, subject: Subject | None = None) -> Checked:
    """Tell which way round a prior is, and align it unless it is the wrong way.

    Parameters
    ----------
    newer, prior
        Both in display orientation, as their metadata have it.
    subject
        See `archiver.vision.registration.register`.
    """
    found = turns(newer, prior)
    counts = found.counts
    told = (int(counts[0]), int(counts[4:].max()))
    turned = int(counts[1:4].max())
    odds = probabilities(counts)
    way = verdict(counts, odds)
    if way in _REASONS:
        return Checked(way, *told, Refusal(_REASONS[way], told[0]), turned, odds)
    outcome = register(newer, prior, subject, agreed=found.upright[0])
    if isinstance(outcome, Alignment):
        odds = probabilities(counts, aligned=True)
        way = verdict(counts, odds)
    elif told[0] < _WITHOUT_ALIGNMENT:
        way = Way.UNDECIDED
    return Checked(way, *told, outcome, turned, odds)


def ways_of(newer: Prepared, prior: Prepared) -> WayVerdict:
    """Tell which way round a prior is.

    Parameters
    ----------
    newer, prior
        Both in display orientation, as their metadata have it.
    """
    counts = turns(newer, prior).counts
    way = verdict(counts, probabilities(counts))
    if way is Way.SAME and counts[0] < _WITHOUT_ALIGNMENT:
        way = Way.UNDECIDED
    return WayVerdict(way, tuple(int(one) for one in counts))


def probabilities(counts: NDArray[np.int_], *, aligned: bool = False) -> Odds:
    """Return how probable each way is.

    Parameters
    ----------
    counts
        Agreeing places of each turn, shape (8,), see `archiver.vision.turns.Turns`.
    aligned
        Whether the prior could be aligned closely as it is.
    """
    most = counts.max()
    beside = np.clip(counts - int(_SYMMETRIC * most), 0, None)
    counts = np.where(counts < most, beside, counts)
    weight = _BEFORE * _true(counts) / _chance(counts)
    # What is of another tooth agrees by chance in every turn, or is the other side's, flipped.
    twin = _TWIN * (1 - _TWIN_FURTHER) * _TWIN_FURTHER ** np.maximum(counts[0] - _CHANCE, 0)
    other = (1 - _BEFORE.sum()) * max(1.0, float(twin / _chance(counts)[0]))
    if aligned:
        weight[0] *= _ALIGNED
    total = float(weight.sum() + other)
    same, turned, reflected = (
        float(one) / total for one in (weight[0], weight[1:4].sum(), weight[4:].sum())
    )
    return Odds(same, turned, reflected, float(other / total))


def verdict(counts: NDArray[np.int_], odds: Odds) -> Way:
    """Return the way of which one can be sure."""
    ways = (
        (Way.SAME, odds.same, counts[:1], counts[1:]),
        (Way.TURNED, odds.turned, counts[1:4], counts[[0, 4, 5, 6, 7]]),
        (Way.REVERSED, odds.reversed_, counts[4:], counts[:4]),
    )
    for way, probability, mine, others in ways:
        most = int(mine.max())
        if probability >= SURE and most >= _FEWEST and most > CLEARLY * int(others.max()):
            return way
    return Way.UNDECIDED


def _true(counts: NDArray[np.int_]) -> Array:
    """Probability of so many agreeing features where the turn is true."""
    middle, deviation = _TRUE
    some = np.maximum(counts, 1)
    height = np.exp(-0.5 * ((np.log(some) - middle) / deviation) ** 2)
    return np.asarray(height / (some * deviation * np.sqrt(2 * np.pi)))


def _chance(counts: NDArray[np.int_]) -> Array:
    """Probability of so many where it is not; what is usual counts as one."""
    beyond = np.clip(counts - _CHANCE, 0, _CERTAIN)
    tail = _SELDOM * (1 - _FURTHER) * _FURTHER ** (beyond - 1.0)
    return np.asarray(np.where(beyond > 0, tail, (1 - _SELDOM) / (_CHANCE + 1)))
