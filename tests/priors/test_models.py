"""Fitting plane transforms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from archiver.vision.transforms import (
    Model,
    carried,
    fit,
    robust_fit,
    robust_similarity,
    scaling,
    size_and_turn,
)

SMALL = st.floats(-0.2, 0.2)
PLACES = np.random.default_rng(3).uniform(0, 700, (60, 2))
EVEN = np.ones(60)


def similarity(size: float, degrees: float, x: float, y: float) -> np.ndarray:
    c, s = size * np.cos(np.radians(degrees)), size * np.sin(np.radians(degrees))
    return np.array([[c, -s, x], [s, c, y], [0, 0, 1.0]])


@given(st.floats(0.5, 2.0), st.floats(-170, 170), st.floats(-300, 300), st.floats(-300, 300))
@settings(max_examples=40, deadline=None)
def test_a_similarity_is_recovered_with_its_size_and_turn(
    size: float, degrees: float, x: float, y: float
) -> None:
    made = similarity(size, degrees, x, y)

    found = fit(Model.SIMILARITY, PLACES, carried(made, PLACES), EVEN)

    assert found == pytest.approx(made, abs=1e-6)
    assert size_and_turn(found, PLACES[0]) == pytest.approx((size, degrees), abs=1e-4)


@given(SMALL, SMALL, SMALL, SMALL, st.floats(-2e-4, 2e-4), st.floats(-2e-4, 2e-4))
@settings(max_examples=40, deadline=None)
def test_each_model_recovers_what_it_can_express(
    a: float, b: float, c: float, d: float, g: float, h: float
) -> None:
    affine = np.array([[1 + a, b, 30], [c, 1 + d, -20], [0, 0, 1.0]])
    homography = affine + np.array([[0, 0, 0], [0, 0, 0], [g, h, 0]])

    for model, made in ((Model.AFFINE, affine), (Model.HOMOGRAPHY, homography)):
        found = fit(model, PLACES, carried(made, PLACES), EVEN)
        assert carried(found, PLACES) == pytest.approx(carried(made, PLACES), abs=1e-4)


def test_a_robust_fit_passes_over_a_quarter_of_wrong_matches() -> None:
    made = similarity(1.1, 12, 40, -30)
    target = carried(made, PLACES)
    target[:15] += [60, -35]

    assert robust_fit(Model.SIMILARITY, PLACES, target, EVEN) == pytest.approx(made, abs=0.02)
    matrix, agreeing = robust_similarity(PLACES, target, 3.0)
    assert matrix == pytest.approx(made, abs=1e-3)
    assert agreeing.tolist() == [False] * 15 + [True] * 45


def test_a_similarity_never_reflects() -> None:
    flipped = PLACES * [-1, 1]

    found = fit(Model.SIMILARITY, PLACES, flipped, EVEN)

    assert np.linalg.det(found) > 0
    assert np.linalg.norm(carried(found, PLACES) - flipped, axis=1).mean() > 50


def test_enlarging_keeps_the_edges_of_pictures_together() -> None:
    # The left edge of a picture is at -0.5, its right one at columns - 0.5.
    corners = np.array([[-0.5, -0.5], [99.5, 49.5]])

    assert carried(scaling(4), corners) == pytest.approx(np.array([[-0.5, -0.5], [399.5, 199.5]]))
