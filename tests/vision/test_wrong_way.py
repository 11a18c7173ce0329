"""Which way round two pictures lie, from what agrees of them under each of eight turns."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from archiver.vision.prepared import prepare
from archiver.vision.turns import _matched, turns
from archiver.vision.wrong_way import Way, check, probabilities, verdict

#: Agreeing features as they came out of real second takes of whole arches and of other mouths.
TAKEN_AGAIN = (13, 3, 2, 3, 5, 3, 3, 2)
UPSIDE_DOWN = (4, 3, 22, 4, 4, 3, 3, 3)
REFLECTED = (3, 3, 4, 3, 36, 4, 5, 4)
OTHER_MOUTH = (8, 3, 5, 3, 6, 4, 6, 2)
ITSELF = (1557, 3, 2, 4, 69, 4, 6, 6)
OTHER_SIDE_FLIPPED = (18, 3, 5, 2, 6, 3, 4, 3)


def pattern(seed: int) -> NDArray[np.uint8]:
    """A picture full of features that is like no turn of itself."""
    rng = np.random.default_rng(seed)
    value = sum(
        cv2.resize(rng.normal(0, 1, (n, n * 3 // 2)), (750, 500), interpolation=cv2.INTER_CUBIC)
        for n in (8, 20, 50)
    )
    grey = np.clip(128 + 40 * np.asarray(value), 0, 255).astype(np.uint8)
    return np.dstack([grey] * 3)


@pytest.mark.parametrize("turn", range(8))
def test_what_agrees_tells_the_turn(turn: int) -> None:
    newer = pattern(1)
    shown = newer[:, ::-1] if turn >= 4 else newer
    # The prior is what has to be turned, so the newer picture is the prior turned by the way.
    prior = np.ascontiguousarray(np.rot90(newer, turn % 4) if turn < 4 else shown)
    if turn >= 4:
        newer = np.ascontiguousarray(np.rot90(newer, -(turn % 4)))

    counts = turns(prepare(newer), prepare(prior)).counts

    assert counts.argmax() == turn
    assert counts[turn] > 10 * np.delete(counts, turn).max()


def test_features_are_matched_as_the_table_of_all_pairs_would_match_them() -> None:
    newer, prior = prepare(pattern(1)).features, prepare(pattern(1)[20:, 9:]).features
    assert min(len(newer.places), len(prior.places)) > 300
    pairs = prior.described @ newer.described.T
    size = np.abs(np.log(newer.size) - np.log(prior.size)[:, None])
    turn = (newer.bearing - prior.bearing[:, None] + 30.0) % 360
    found = _matched(newer, prior)
    for quarter in range(4):
        fits = (turn // 90 == quarter) & (turn % 90 <= 60.0) & (size <= np.log(2.6))
        likeness = np.where(fits, pairs, -1)
        best, back = likeness.argmax(axis=1), likeness.argmax(axis=0)
        ordered = np.sort(likeness, axis=1)[:, ::-1]
        away, next_away = np.sqrt(np.clip(2 - 2 * ordered[:, :2], 0, None)).T
        chosen = (ordered[:, 0] > 0) & (away < 0.85 * next_away)
        chosen &= back[best] == np.arange(len(best))
        assert found[quarter].prior == pytest.approx(prior.places[chosen])
        assert found[quarter].newer == pytest.approx(newer.places[best[chosen]])
    assert len(found[0].prior) > 100 and sum(len(one.prior) for one in found[1:]) > 0


@pytest.mark.parametrize(
    ("counts", "aligned", "way"),
    [
        (TAKEN_AGAIN, True, Way.SAME),
        (UPSIDE_DOWN, False, Way.TURNED),
        (REFLECTED, False, Way.REVERSED),
        (OTHER_MOUTH, False, Way.UNDECIDED),
        (ITSELF, True, Way.SAME),
        (ITSELF, False, Way.SAME),
        ((*ITSELF[4:], *ITSELF[:4]), False, Way.REVERSED),
    ],
)
def test_a_verdict_needs_clearly_more_than_chance(
    counts: tuple[int, ...], aligned: bool, way: Way
) -> None:
    several = np.array(counts)
    odds = probabilities(several, aligned=aligned)

    assert verdict(several, odds) is way
    assert odds.same + odds.turned + odds.reversed_ + odds.other == pytest.approx(1)


def test_what_agrees_little_leaves_another_mouth_likelier_than_what_agrees_much() -> None:
    little, much = (probabilities(np.array(one)).other for one in (OTHER_MOUTH, TAKEN_AGAIN))
    assert little > much
    assert probabilities(np.array(OTHER_SIDE_FLIPPED)).other > 0.01


@pytest.mark.parametrize(
    ("shown", "way"),
    [
        (lambda pixels: pixels[::-1, ::-1], Way.TURNED),
        (lambda pixels: np.rot90(pixels), Way.TURNED),
        (lambda pixels: pixels[:, ::-1], Way.REVERSED),
        (lambda pixels: pixels[::-1], Way.REVERSED),
    ],
)
def test_a_picture_against_itself_the_wrong_way_round_is_never_undecided(shown, way: Way) -> None:
    # Nothing in it is a tooth, so nothing can be aligned: the verdict does not wait for that.
    one = pattern(2)

    checked = check(prepare(one), prepare(np.ascontiguousarray(shown(one))))

    assert checked.way is way
    assert way.contradicts
