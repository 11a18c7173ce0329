"""Panes of a comparison, without a browser."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from archiver.vision.transforms import carried
from archiver.web.pages.compare.composition import Pair


@pytest.mark.parametrize(
    ("newest", "earlier", "corners"),
    [
        ((800, 600), (400, 200), [[0, 100], [800, 500]]),
        ((800, 600), (300, 600), [[250, 0], [550, 600]]),
    ],
)
def test_what_is_not_aligned_is_shown_whole_in_the_middle(
    newest: tuple[int, int], earlier: tuple[int, int], corners: list[list[float]]
) -> None:
    of: Any = SimpleNamespace
    pair = Pair(of(size=newest), of(size=earlier), of(matrix=None))
    assert carried(pair.matrix, np.array([[0.0, 0.0], earlier])).tolist() == corners
