"""How far an aligned prior is off, told without knowing the truth.

What following a surface errs by has to be parted from what a transform leaves: by how neighbours
differ, by what places farther apart have in common, and by how the fit changes where some of the
places are left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from archiver.vision.epipolar import agreement
from archiver.vision.feature_matching import Followed, Matches, mean_around, scatter
from archiver.vision.prepared import Mask
from archiver.vision.transforms import Array, Model, carried, fit

#: Medians beyond which a distance is cut; a Rayleigh distribution has 1 in 500 beyond 3.
_WILD = 3.0
#: Working pixels between which places are apart that have a misfit in common but no error of
#: following; what of such errors neighbours share; the bias of following. Found on second visits
#: to real mouths made by known warps.
_BEYOND = (20.0, 32.0)
_NEIGHBOURLY = 0.25
_BIAS = 0.08
#: Median of a misfit's squares as a share of their mean, where it is distributed normally.
_MIDDLE = float(np.log(2))
#: Places that the misfit on all teeth counts for beside a tooth's own, where one transform explains
#: them all: few places that lie together may err together. Found, as the median, on second visits
#: to real mouths, and tried on others.
_OF_ALL_TEETH = 400
#: Working pixels of a block of places that is held out together.
_BLOCK, _FOLDS = 40, 4
#: Of so many working pixels one is looked at for how certain the fit is.
_SAMPLED = 37


@dataclass(frozen=True)
class Fit:
    """A transform at working size, the places on the tooth, and how far each is off.

    The whole tooth is off by `whole` times what these places are. It was fitted to the places of
    `basis`, of all teeth, or of the tooth alone where that is None.
    """

    matrix: Array
    model: Model
    tooth: Followed
    off: Array
    whole: float
    basis: Followed | None = None


def ends(matches: Matches) -> tuple[Array, Array]:
    """Places of the prior and of the newer picture, as fits take them."""
    return matches.prior, matches.newer


def distances(matrix: Array, matches: Matches) -> Array:
    """How far each place is off after a transform."""
    return np.asarray(np.linalg.norm(carried(matrix, matches.prior) - matches.newer, axis=1))


def weights_of(tooth: Followed) -> Array:
    """What each place counts: its share of the tooth, less where no rigid tooth moves like it."""
    return tooth.weights() * agreement(tooth.matches.prior, tooth.matches.newer) + 1e-9


def _refitted(model: Model, matches: Matches, weights: Array) -> Iterator[tuple[Mask, Array]]:
    """Leave out every fourth block of places in turn: which are out, and the fit without them."""
    blocks = (matches.newer // _BLOCK).astype(int)
    fold = (blocks[:, 0] + 2 * blocks[:, 1]) % _FOLDS
    for one in range(_FOLDS):
        out = fold == one
        rest, heavy = matches.only(~out), weights[~out]
        if len(rest) < 2 * model.parameters:  # nearly all lies in one block
            rest, heavy, out = matches, weights, np.ones(len(out), bool)
        yield out, fit(model, *ends(rest), heavy)


def held_out(model: Model, matches: Matches, weights: Array) -> Array:
    """Distances of places, each left out, with its block, of the fit that it is measured by."""
    off = np.empty(len(matches))
    for out, matrix in _refitted(model, matches, weights):
        off[out] = distances(matrix, matches)[out]
    return off


def residual(best: Fit, weights: Array, region: Mask) -> float:
    """Root mean square of what the transform leaves, without what following itself adds.

    To the misfit come the uncertainty of the fit, and a bias that all places share and no
    comparison of them shows.
    """
    misfit = _misfit(best.matrix, best.tooth.matches, weights, best.off)
    if best.basis is not None:
        count, teeth = len(best.tooth.matches), best.basis.matches
        wider = _misfit(best.matrix, teeth, np.ones(len(teeth)), distances(best.matrix, teeth))
        misfit = (count * misfit + _OF_ALL_TEETH * wider) / (count + _OF_ALL_TEETH)
    total = max(misfit, 0.0) + _uncertainty(best, weights, region) + _BIAS**2
    return best.whole * float(np.sqrt(total))


def _misfit(matrix: Array, matches: Matches, weights: Array, off: Array) -> float:
    """Mean square of what a transform leaves; below 0 where following errs by more than usual.

    What following adds differs from one place to those nearest to it, but for an error that is
    small and ends within some steps; what places farther apart have in common is misfit in any
    case. Of that the median counts, since places round a drop or a glove's edge go astray together.
    """
    moved = carried(matrix, matches.prior) - matches.newer
    noise = root_mean_square(scatter(matches.newer, moved), weights)
    left = root_mean_square(off, weights)
    misfit = max(left**2 - noise**2, (left / 3) ** 2) - _NEIGHBOURLY**2
    far = np.linalg.norm(moved, axis=1)
    moved *= np.minimum(1, _WILD * np.median(far) / np.maximum(far, 1e-9))[:, None]
    around, beside = mean_around(matches.newer, moved, _BEYOND)
    if not beside.any():
        return misfit
    common = _weighted_median((moved * around).sum(axis=1), weights * beside)
    return max(misfit, common / _MIDDLE)


def _weighted_median(values: Array, weights: Array) -> float:
    order = np.argsort(values)
    sums = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(sums, sums[-1] / 2)])


def _uncertainty(best: Fit, weights: Array, region: Mask) -> float:
    """Mean square by which the fit may be off in a region: the jackknife over blocks of places."""
    there = np.argwhere(region)[::_SAMPLED, ::-1].astype(float)
    if not len(there):
        return 0.0
    here = carried(np.asarray(np.linalg.inv(best.matrix)), there)
    matches = best.tooth.matches
    if best.basis is not None:
        matches = best.basis.matches
        weights = np.ones(len(matches))
    fits = [fitted for _, fitted in _refitted(best.model, matches, weights)]
    squares = [((carried(one, here) - there) ** 2).sum(axis=1).mean() for one in fits]
    return float(np.sum(squares)) * (_FOLDS - 1) / _FOLDS


def root_mean_square(off: Array, weights: Array) -> float:
    """RMS in which a place that is off by far more than is usual counts as if off by less.

    A handful of places follows gloss or a new filling instead of the tooth; relief spreads the
    distances of all.
    """
    most = _WILD * float(np.median(off))
    return float(np.sqrt(np.average(np.minimum(off, most) ** 2, weights=weights)))
