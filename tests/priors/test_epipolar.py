"""What a rigid tooth allows of matched places, whatever its relief."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from archiver.vision.epipolar import agreement
from archiver.vision.transforms import Model, carried, fit


def seen(body: np.ndarray, tilt: float, towards: float, scale: float, turn: float) -> np.ndarray:
    """A body (n, 3) from afar: the camera tilted, then turned about its axis."""
    c, s = np.cos(np.radians(towards)), np.sin(np.radians(towards))
    axis = np.array([[0, 0, s], [0, 0, -c], [-s, c, 0]])
    angle = np.radians(tilt)
    tilted = body @ (np.eye(3) + np.sin(angle) * axis + (1 - np.cos(angle)) * axis @ axis).T
    c, s = scale * np.cos(np.radians(turn)), scale * np.sin(np.radians(turn))
    return tilted[:, :2] @ np.array([[c, -s], [s, c]]).T + [40, -25]


def body(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).uniform(-100, 100, (150, 3)) * [1, 1, 0.5]


@given(
    st.integers(0, 1000),
    st.floats(6, 10),
    st.floats(0, 360),
    st.floats(0.8, 1.25),
    st.floats(-20, 20),
)
@settings(max_examples=30, deadline=None)
def test_relief_agrees_and_wrong_matches_do_not(
    seed: int, tilt: float, towards: float, scale: float, turn: float
) -> None:
    rng = np.random.default_rng(seed)
    source = body(seed)[:, :2]
    target = seen(body(seed), tilt, towards, scale, turn) + rng.normal(0, 0.05, source.shape)
    # Wrong by pixels along the axis of the tilt; relief moves places across it.
    way = np.radians(towards + turn)
    target[:15] += np.outer(rng.choice([-1, 1], 15) * 5, [np.cos(way), np.sin(way)])

    share = agreement(source, target)

    assert share[:15].max() < 0.05
    assert np.median(share[15:]) > 0.8


def test_places_that_no_plane_transform_carries_agree_none_the_less() -> None:
    source = body(5)[:, :2]
    target = seen(body(5), 10, 30, 1.0, 0)
    plane = fit(Model.HOMOGRAPHY, source, target, np.ones(len(source)))

    assert np.linalg.norm(carried(plane, source) - target, axis=1).max() > 8
    assert agreement(source, target) == pytest.approx(np.ones(len(source)), abs=1e-6)
