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
from archiver.vision.feature_matching import (
    Followed,
    follow,
    follow_crown,
    reached,
)
from archiver.vision.prepared import Mask, Prepared
from archiver.vision.residual import (
    Fit,
    distances,
    ends,
    held_out,
    residual,
    root_mean_square,
    weights_of,
)
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
#: The same for one homography, which follows relief too, to some degree (real pictures taken again
#: by a known warp: 0.05 to 0.3).
_EXPLAINED_BENT = 0.5
#: Rounds of following, and the share of the usual distance that a homography must leave to be far
#: better than a similarity. Found on real pictures from elsewhere (0.2 to 0.5) and on rendered
#: ones from the same place (0.9 on).
_ROUNDS = 4
_FAR_BETTER = 0.7
#: Places on a tooth that a model with more than a similarity's parameters needs. Where fewer are
#: followed they leave much of the tooth out, over which such a model is led astray. Found on
#: rendered premolars from the side, which give 90 to 230 places, most others 200 to 700.
_FEWEST_BENT = 170
#: Held-out places are judged from beside, which costs a fuller model more than it costs the tooth
#: itself: so much farther off than the best it may be.
_BESIDE = 0.05
#: Trusted places by which a single tooth is found again.
_FEWEST_ON_TOOTH = 20
#: And by which it is confirmed that a transform of all teeth holds for it.
_FEWEST_TO_CONFIRM = 8
#: A crown's rim, where nothing can be followed, lies farther off than the rest: by how much the
#: whole is off more than what is measured, on rendered pairs.
_WITH_RIM = 1.13
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
        bool, at working size of the newer picture: teeth on which it was aligned; all figures
        are of these.
    unfollowed
        bool, likewise: teeth that were meant too, but lie too far from any place that could be
        followed for the alignment to be known there.
    factor
        Pixels of the full newer picture for one of working size.
    alone
        True where it is the alignment of one tooth, False where it is that of all.
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
    unfollowed: Mask
    factor: float
    alone: bool = True

    @property
    def left_out(self) -> float:
        """Share of the teeth that were meant on which nothing could be followed."""
        out = int(self.unfollowed.sum())
        return out / max(out + int(self.region.sum()), 1)


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
        found = outlines.single_teeth(newer.detail, newer.tooth, at)
        if at is None:
            return found
        x, y = (int(np.clip(v, 0, n - 1)) for v, n in zip(at, newer.shape[::-1], strict=True))
        return [mask for mask in found if mask[y, x]]


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
    matrix = robust_similarity(*ends(agreed.matches), AGREES)[0]
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
    for _ in range(_ROUNDS):
        everywhere = follow(newer, prior, matrix, finely=False)
        if len(everywhere.surest.matches) < FEWEST_PLACES:
            return Refusal(_TOO_LITTLE, count)
        tooth, mask = _on_tooth(everywhere, teeth, newer.tooth, _FEWEST_ON_TOOTH)
        before, places = matrix, tooth.matches.prior
        flat = _flat(everywhere.surest, models)
        matrix = _roughly(tooth, models) if flat is None else flat[0]
        if np.abs(carried(matrix, places) - carried(before, places)).max() < _SETTLED:
            break
    everywhere = follow(newer, prior, matrix, finely=True)
    if len(everywhere.surest.matches) < FEWEST_PLACES or everywhere.share < LEAST_SHARE:
        return Refusal(_TOO_LITTLE, count)
    best, mask = _best((newer, prior), everywhere, teeth, models)
    alone = mask is not newer.tooth
    return _alignment(best, (mask, alone), (newer.factor, prior.factor), (count, everywhere.share))


def _best(
    pair: tuple[Prepared, Prepared],
    everywhere: Followed,
    teeth: list[Mask],
    models: Sequence[Model],
) -> tuple[Fit, Mask]:
    """Fit the tooth that is meant, or all teeth where it is not to be told; and say which."""
    newer, prior = pair
    flat = _flat(everywhere.surest, models) if teeth else None
    if flat is not None:
        tooth, mask = _on_tooth(everywhere, teeth, newer.tooth, _FEWEST_TO_CONFIRM)
        off = distances(flat[0], tooth.surest.matches)
        if len(off) and float(np.median(off)) <= _EXPLAINED_ALONE:
            return Fit(*flat, tooth.surest, off, 1.0, everywhere.surest), mask
    tooth, mask = _on_tooth(everywhere, teeth, newer.tooth, _FEWEST_ON_TOOTH)
    best = _in_relief(tooth, models)
    if teeth:
        again = follow_crown(newer, prior, best.matrix, mask)
        if len(again.matches) >= FEWEST_PLACES:
            best = _in_relief(again, models)
    return best, mask


def _roughly(tooth: Followed, models: Sequence[Model]) -> Array:
    """Return what explains most, to follow from there: a homography if it does far better."""
    matches, weights = ends(tooth.matches), tooth.weights()
    matrix = robust_fit(Model.SIMILARITY, *matches, weights)
    if Model.HOMOGRAPHY not in models or len(tooth.matches) < _FEWEST_BENT:
        return matrix
    bent = robust_fit(Model.HOMOGRAPHY, *matches, weights)
    far = [float(np.median(distances(one, tooth.matches))) for one in (bent, matrix)]
    return bent if far[0] < _FAR_BETTER * far[1] else matrix


def _alignment(
    best: Fit,
    meant: tuple[Mask, bool],
    factors: tuple[float, float],
    counts: tuple[int, float],
) -> Alignment:
    mask, alone = meant
    weights = weights_of(best.tooth)
    full = scaling(factors[0]) @ best.matrix @ scaling(1 / factors[1])
    full = full / full[2, 2]
    matches = best.tooth.matches
    middle = np.average(matches.prior, axis=0, weights=weights)
    size, turn = size_and_turn(full, carried(scaling(factors[1]), middle[None])[0])
    near = reached(matches.newer, mask.shape)
    off = residual(best, weights, mask & near) * factors[0]
    return Alignment(
        full, best.model, off, size, turn, counts[0], len(matches), counts[1],
        mask & near, mask & ~near, factors[0], alone,
    )  # fmt: skip


def _on_tooth(
    everywhere: Followed, teeth: list[Mask], all_teeth: Mask, fewest: int
) -> tuple[Followed, Mask]:
    """The places on the likeliest tooth that has enough of them; else on all teeth."""
    for mask in teeth:
        on = everywhere.within(mask)
        if len(on.surest.matches) >= fewest:
            return on, mask
    return everywhere, all_teeth


def _flat(everywhere: Followed, models: Sequence[Model]) -> tuple[Array, Model] | None:
    """Return one transform for all teeth, if it explains them as well as can be told.

    It rests on the most places. A similarity is right where the camera only came nearer, turned
    or shifted; a homography where the teeth lie in a plane and it looked from elsewhere.
    """
    even = np.ones(len(everywhere.matches))
    matrix = robust_fit(Model.SIMILARITY, *ends(everywhere.matches), even)
    usual = float(np.median(distances(matrix, everywhere.matches)))
    if Model.HOMOGRAPHY in models and len(even) >= _FEWEST_BENT:
        bent = robust_fit(Model.HOMOGRAPHY, *ends(everywhere.matches), even)
        left = float(np.median(distances(bent, everywhere.matches)))
        if left < _FAR_BETTER * usual:
            return (bent, Model.HOMOGRAPHY) if left <= _EXPLAINED_BENT else None
    return (matrix, Model.SIMILARITY) if usual <= _EXPLAINED else None


def _in_relief(tooth: Followed, models: Sequence[Model]) -> Fit:
    """Return the fullest transform of the tooth alone that does well on places held out of its fit.

    Every place that can be true counts, as the relief that no transform can follow is no error
    of the places.
    """
    weights = weights_of(tooth)
    bent = len(tooth.matches) >= _FEWEST_BENT
    allowed = [one for one in models if bent or one is Model.SIMILARITY] or models[:1]
    off = {one: held_out(one, tooth.matches, weights) for one in allowed}
    rms = {one: root_mean_square(off[one], weights) for one in allowed}
    least = min(rms.values())
    best = [one for one in allowed if rms[one] <= least * (1 + _BESIDE)][-1]
    matrix = fit(best, *ends(tooth.matches), weights)
    return Fit(matrix, best, tooth, off[best], _WITH_RIM)
