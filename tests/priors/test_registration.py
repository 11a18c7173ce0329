"""Alignment and the wrong-way check on rendered pairs whose truth is known.

Few pairs by default; ``ARCHIVER_PAIRS=200 python tests/priors/pair_trials.py`` runs them all.
"""

from __future__ import annotations

import numpy as np
import pair_trials as trials
import pytest
from pair_trials import PAIRS

from archiver.vision.prepared import prepare
from archiver.vision.registration import Refusal, Subject, register
from archiver.vision.wrong_way import Way, check


def share(several: list[bool]) -> float:
    return sum(several) / len(several)


def at_least(limit: float) -> float:
    """The limit for so few pairs that one of them is more than the limit leaves."""
    return min(limit, 1 - 1 / PAIRS) if PAIRS < 50 else limit


def test_places_on_the_tooth_agree_within_one_and_a_half_pixels_without_tilt() -> None:
    found = trials.aligned(PAIRS, tilted=False)

    assert share([one.true <= 1.5 for one in found]) >= at_least(0.95)
    assert share([np.isinf(one.true) for one in found]) < 0.03


@pytest.fixture(scope="module")
def tilted() -> list[trials.Aligned]:
    return trials.aligned(PAIRS, tilted=True)


def test_a_tilted_pair_is_not_refused(tilted: list[trials.Aligned]) -> None:
    assert share([np.isinf(one.true) for one in tilted]) < 0.03


def test_the_residual_of_a_tilted_pair_is_told_as_it_is(tilted: list[trials.Aligned]) -> None:
    found = [one for one in tilted if np.isfinite(one.true)]

    told = [1 / 1.5 < one.reported / one.true < 1.5 for one in found]
    assert share(told) >= at_least(0.90)


def test_a_tilted_pair_is_aligned_no_worse_than_by_a_similarity(
    tilted: list[trials.Aligned],
) -> None:
    # Within a quarter of a pixel at 1,500 columns, which nobody sees.
    assert share([one.true <= one.similarity + 0.25 for one in tilted]) >= at_least(0.97)


def test_a_reflected_prior_is_recognised() -> None:
    found = trials.ways(PAIRS, reflected=True)

    assert share([way is Way.REVERSED for way in found]) >= 0.98


def test_a_true_pair_raises_no_alarm() -> None:
    found = trials.ways(PAIRS, reflected=False)

    assert share([way is Way.REVERSED for way in found]) < 0.01
    assert share([way is Way.SAME for way in found]) > 0.97


def test_unrelated_pairs_are_refused() -> None:
    assert share(trials.unrelated(PAIRS)) >= 0.98


def test_a_picture_fits_itself_exactly() -> None:
    one = next(trials.trials(1, tilted=False)).newer

    outcome = register(one, one)

    assert not isinstance(outcome, Refusal)
    assert outcome.matrix == pytest.approx(np.eye(3), abs=1e-2)
    assert outcome.residual < 0.2
    assert (outcome.size, outcome.turn) == (pytest.approx(1, abs=1e-3), pytest.approx(0, abs=0.05))


def test_features_of_a_reflection_need_not_be_found_anew() -> None:
    one = next(trials.trials(1, tilted=False)).newer
    flipped, anew = one.reflected().features, trials._flipped(one).features
    places, described = flipped.places, flipped.described
    found_anew, described_anew = anew.places, anew.described

    apart = np.linalg.norm(places[:, None] - found_anew[None], axis=2)
    nearest = apart.argmin(axis=1)
    close = apart.min(axis=1) < 0.3
    alike = (described[close] * described_anew[nearest[close]]).sum(axis=1)
    assert close.sum() > 100
    assert np.median(alike) > 0.99


@pytest.mark.parametrize("level", [0, 128, 255])
def test_an_even_picture_is_refused_and_not_guessed_at(level: int) -> None:
    even = prepare(np.full((400, 600, 3), level, np.uint8))
    other = next(trials.trials(1, tilted=False)).newer

    for newer, prior in ((even, other), (other, even), (even, even)):
        checked = check(newer, prior, Subject(single=False))
        assert isinstance(checked.outcome, Refusal)
        assert checked.way is Way.UNDECIDED


def test_noise_is_refused() -> None:
    rng = np.random.default_rng(4)
    one, other = (prepare(rng.integers(0, 256, (400, 600, 3), dtype=np.uint8)) for _ in range(2))

    assert isinstance(register(one, other), Refusal)
