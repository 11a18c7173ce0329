"""Aligning a prior to the newer picture, with an honest residual or an honest refusal.

Features of the whole pictures give a first similarity; from there the surface of the teeth is
followed place by place. One similarity is taken if it explains them; else the fullest of
similarity, affine and homography that does well on places of the tooth which were held out of the
fit. A tooth has relief, so a camera that looks from elsewhere leaves a residual under every plane
transform: it is told, not hidden.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from archiver.vision import outlines
from archiver.vision.epipolar import agreement
from archiver.vision.feature_matching import (
    Followed,
    Matches,
    follow,
    follow_crown,
    scatter,
)
from archiver.vision.prepared import Mask, Prepared
from archiver.vision.transforms import (
    Array,
    Model,
    carried,
    fit,
    robust_fit,
    robust_similarity,
    scaling,
    size_and_turn,
)
from archiver.vision.turns import AGREES, Agreement, upright
from archiver.wording import Text

#: Agreeing features below which nothing is aligned. Of real pictures unrelated ones had up to 8.
FEWEST_FEATURES = 10
#: Places on the teeth that must be followed, and their share of those tried. The same tooth of
#: another mouth, drawn from one crown, gave shares of up to 0.20; true pairs 0.25 on.
FEWEST_PLACES = 40
LEAST_SHARE = 0.22
#: Working pixels that places on all teeth may usually (median) be off for one similarity to
#: explain them: following a surface in other light errs by somewhat less (rendered pairs: 0.54 to
#: 0.85; 1.0 on with the camera tilted by 3 degrees). And those on the tooth that is meant, which
#: are fewer and may have moved among the others.
_EXPLAINED = 0.93
_EXPLAINED_ALONE = 1.6
#: Places on a tooth that a model with more than a similarity's parameters needs. Where fewer are
#: followed they leave much of the tooth out, over which such a model is led astray. Found on
#: rendered premolars from the side, which give 90 to 230 places, most others 200 to 700.
_FEWEST_BENT = 170
#: Held-out places are judged from beside, which costs a fuller model more than it costs the tooth
#: itself: so much farther off than the best it may be.
_BESIDE = 0.05
#: Trusted places by which a single tooth is found again.
_FEWEST_ON_TOOTH = 20
#: A crown's rim, where nothing can be followed, lies farther off than the rest: by how much the
#: whole is off more than what is measured, on rendered pairs.
_WITH_RIM = 1.13
#: Medians beyond which a distance is cut; a Rayleigh distribution has 1 in 500 beyond 3.
_WILD = 3.0
#: Working pixels of a block of places that is held out together.
_BLOCK = 40
_SIZES = (0.4, 2.5)
#: Working pixels by which the next round would move no place any more.
_SETTLED = 0.3
_TOO_LITTLE = Text("vision.refusal.unlike")


@dataclass(frozen=True)
class Alignment:
    """How a prior lies on the newer picture.

    Parameters
    ----------
    matrix
        Shape (3, 3), from pixels of the full prior to pixels of the full newer picture, (0, 0)
        being the centre of the first pixel.
    model
        What kind of transform it is.
    residual
        Root mean square, on held-out places of the tooth, of how far the aligned prior is off,
        in pixels of the full newer picture.
    size, turn
        By how much the prior is enlarged in the middle of the tooth, and turned (degrees,
        clockwise).
    features
        Features that agree with one similarity.
    places
        Places on the tooth by which it was aligned.
    share
        Of the places tried on the teeth, those that could be followed.
    region
        bool, at working size of the newer picture: where it was aligned.
    factor
        Pixels of the full newer picture for one of working size.
    """

    matrix: Array
    model: Model
    residual: float
    size: float
    turn: float
    features: int
    places: int
    share: float
    region: Mask
    factor: float


@dataclass(frozen=True)
class Subject:
    """What of the newer picture is to be aligned.

    Parameters
    ----------
    aim
        (x, y) in full pixels of the newer picture, on the tooth that is meant; the middle of
        the picture where it is None.
    single
        False where all teeth are meant.
    """

    aim: Array | None = None
    single: bool = True

    def teeth(self, newer: Prepared) -> list[Mask]:
        """Return the teeth that may be meant, the likeliest first."""
        if not self.single:
            return []
        at = None
        if self.aim is not None:
            x, y = carried(scaling(1 / newer.factor), self.aim[None])[0]
            at = (float(x), float(y))
        return outlines.single_teeth(newer.detail, newer.tooth, at)


@dataclass(frozen=True)
class Refusal:
    """Why a prior is not aligned.

    Parameters
    ----------
    reason
        A clause that can stand alone, a text of ``vision.refusal``.
    features
        Features that agree with the best similarity.
    """

    reason: Text
    features: int


@dataclass(frozen=True)
class _Fit:
    """A transform at working size, the places on the tooth, and how far each is off.

    The whole tooth is off by `whole` times what these places are.
    """

    matrix: Array
    model: Model
    tooth: Followed
    off: Array
    whole: float


def register(
    newer: Prepared,
    prior: Prepared,
    subject: Subject | None = None,
    models: Sequence[Model] = tuple(Model),
    agreed: Agreement | None = None,
) -> Alignment | Refusal:
    """Align a prior.

    Parameters
    ----------
    newer, prior
        Both in display orientation.
    subject
        What is to be aligned; the tooth in the middle of the newer picture where it is None.
    models
        What may be fitted to a tooth that one similarity of all teeth does not explain.
    agreed
        Features that agree of the pictures as they are; found where it is None.
    """
    agreed = agreed or upright(newer, prior)
    count = agreed.count
    if count < 3:
        return Refusal(Text("vision.refusal.few_alike"), count)
    if count < FEWEST_FEATURES:
        reason = Text("vision.refusal.few_agree", n=count, needed=FEWEST_FEATURES)
        return Refusal(reason, count)
    matrix = robust_similarity(*_ends(agreed.matches), AGREES)[0]
    middle = agreed.matches.newer.mean(axis=0)
    size = size_and_turn(matrix, middle)[0] * newer.factor / prior.factor
    if not _SIZES[0] <= size <= _SIZES[1]:
        return Refusal(Text("vision.refusal.scale", times=f"{size:.1f}"), count)
    teeth = (subject or Subject()).teeth(newer)
    return _closely((newer, prior), matrix, count, teeth, models)


def _closely(
    pair: tuple[Prepared, Prepared],
    matrix: Array,
    count: int,
    teeth: list[Mask],
    models: Sequence[Model],
) -> Alignment | Refusal:
    newer, prior = pair
    for _ in range(3):
        everywhere = follow(newer, prior, matrix, finely=False)
        if len(everywhere.surest.matches) < FEWEST_PLACES:
            return Refusal(_TOO_LITTLE, count)
        tooth, mask = _on_tooth(everywhere, teeth, newer.tooth)
        before, places = matrix, tooth.matches.prior
        matrix = robust_fit(Model.SIMILARITY, *_ends(tooth.matches), tooth.weights())
        if np.abs(carried(matrix, places) - carried(before, places)).max() < _SETTLED:
            break
    everywhere = follow(newer, prior, matrix, finely=True)
    tooth, mask = _on_tooth(everywhere, teeth, newer.tooth)
    if len(everywhere.surest.matches) < FEWEST_PLACES or everywhere.share < LEAST_SHARE:
        return Refusal(_TOO_LITTLE, count)
    best = _flat(everywhere.surest, tooth.surest)
    if best is None:
        best = _in_relief(tooth, models)
        again = follow_crown(newer, prior, best.matrix, mask)
        if len(again.matches) >= FEWEST_PLACES:
            best = _in_relief(again, models)
    return _alignment(best, mask, (newer.factor, prior.factor), (count, everywhere.share))


def _alignment(
    best: _Fit, mask: Mask, factors: tuple[float, float], counts: tuple[int, float]
) -> Alignment:
    weights = _weights(best.tooth)
    full = scaling(factors[0]) @ best.matrix @ scaling(1 / factors[1])
    full = full / full[2, 2]
    middle = np.average(best.tooth.matches.prior, axis=0, weights=weights)
    size, turn = size_and_turn(full, carried(scaling(factors[1]), middle[None])[0])
    residual = _residual(best, weights) * factors[0]
    places = len(best.tooth.matches)
    return Alignment(
        full, best.model, residual, size, turn, counts[0], places, counts[1], mask, factors[0]
    )


def _on_tooth(everywhere: Followed, teeth: list[Mask], all_teeth: Mask) -> tuple[Followed, Mask]:
    """The places on the likeliest tooth that has enough of them; else on all teeth."""
    for mask in teeth:
        on = everywhere.within(mask)
        if len(on.surest.matches) >= _FEWEST_ON_TOOTH:
            return on, mask
    return everywhere, all_teeth


def _ends(matches: Matches) -> tuple[Array, Array]:
    return matches.prior, matches.newer


def _flat(everywhere: Followed, tooth: Followed) -> _Fit | None:
    """Return one similarity for all teeth, if it explains them as well as can be told.

    It rests on the most places, and is right where the camera only came nearer, turned or
    shifted.
    """
    even = np.ones(len(everywhere.matches))
    matrix = robust_fit(Model.SIMILARITY, *_ends(everywhere.matches), even)
    if float(np.median(_distances(matrix, everywhere.matches))) > _EXPLAINED:
        return None
    off = _distances(matrix, tooth.matches)
    if not len(off) or float(np.median(off)) > _EXPLAINED_ALONE:
        return None
    return _Fit(matrix, Model.SIMILARITY, tooth, off, 1.0)


def _in_relief(tooth: Followed, models: Sequence[Model]) -> _Fit:
    """Return the fullest transform of the tooth alone that does well on places held out of its fit.

    Every place that can be true counts, as the relief that no transform can follow is no error
    of the places.
    """
    weights = _weights(tooth)
    bent = len(tooth.matches) >= _FEWEST_BENT
    allowed = [one for one in models if bent or one is Model.SIMILARITY] or models[:1]
    off = {one: _held_out(one, tooth.matches, weights) for one in allowed}
    rms = {one: _root_mean_square(off[one], weights) for one in allowed}
    least = min(rms.values())
    best = [one for one in allowed if rms[one] <= least * (1 + _BESIDE)][-1]
    matrix = fit(best, *_ends(tooth.matches), weights)
    return _Fit(matrix, best, tooth, off[best], _WITH_RIM)


def _weights(tooth: Followed) -> Array:
    """What each place counts: its share of the tooth, less where no rigid tooth moves like it."""
    return tooth.weights() * agreement(tooth.matches.prior, tooth.matches.newer) + 1e-9


def _distances(matrix: Array, matches: Matches) -> Array:
    """How far each place is off after a transform."""
    return np.asarray(np.linalg.norm(carried(matrix, matches.prior) - matches.newer, axis=1))


def _held_out(model: Model, matches: Matches, weights: Array) -> Array:
    """Distances of places, each left out, with its block, of the fit that it is measured by."""
    blocks = (matches.newer // _BLOCK).astype(int)
    fold = (blocks[:, 0] + 2 * blocks[:, 1]) % 4
    off = np.empty(len(matches))
    for one in range(4):
        out = fold == one
        rest, heavy = matches.only(~out), weights[~out]
        if len(rest) < 2 * model.parameters:  # nearly all lies in one block
            rest, heavy, out = matches, weights, np.ones(len(out), bool)
        matrix = fit(model, *_ends(rest), heavy)
        off[out] = _distances(matrix, matches)[out]
    return off


def _residual(best: _Fit, weights: Array) -> float:
    """Root mean square of what the transform leaves, without what following itself adds."""
    matches = best.tooth.matches
    moved = carried(best.matrix, matches.prior) - matches.newer
    noise = _root_mean_square(scatter(matches.newer, moved), weights)
    left = _root_mean_square(best.off, weights)
    return best.whole * float(np.sqrt(max(left**2 - noise**2, (left / 3) ** 2)))


def _root_mean_square(off: Array, weights: Array) -> float:
    """RMS in which a place that is off by far more than is usual counts as if off by less.

    A handful of places follows gloss or a new filling instead of the tooth; relief spreads the
    distances of all.
    """
    most = _WILD * float(np.median(off))
    return float(np.sqrt(np.average(np.minimum(off, most) ** 2, weights=weights)))
