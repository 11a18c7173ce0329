"""The code of a visit is read as a camera catches it: askew, turned, through a mirror."""

from __future__ import annotations

import sys

import cv2
import numpy as np
import pytest

from archiver.vision import read_code, reads_codes
from archiver.web.pages.take_in.telephone import qr_rows

WORDS = "ARCHIVER-VISIT-" + "0123456789ABCDEF" * 2


def photographed(degrees: float, askew: float, *, mirrored: bool) -> np.ndarray:
    """A photograph of the code on grey, a third of its height, soft and noisy."""
    rows = np.array([[int(one) for one in row] for row in qr_rows(WORDS)], np.uint8)
    code = np.pad(255 * (1 - rows), 4, constant_values=255).astype(np.uint8)
    code = np.kron(code, np.ones((8, 8), np.uint8))
    side = code.shape[0]
    corners = np.array([[0, 0], [side, 0], [side, side], [0, side]], np.float32)
    way = np.radians(degrees)
    turn = np.array([[np.cos(way), np.sin(way)], [-np.sin(way), np.cos(way)]])
    at = (corners - side / 2) * (280 / side) * ([-1, 1] if mirrored else [1, 1])
    at[:2] *= 1 - askew
    shape = cv2.getPerspectiveTransform(corners, (at @ turn + [600, 400]).astype(np.float32))
    ground = np.full((800, 1200), 110, np.uint8)
    seen = cv2.warpPerspective(
        code, shape, (1200, 800), dst=ground, borderMode=cv2.BORDER_TRANSPARENT
    )
    noisy = cv2.GaussianBlur(seen, (0, 0), 1.2) + np.random.default_rng(7).normal(0, 6, seen.shape)
    return np.repeat(np.clip(noisy, 0, 255).astype(np.uint8)[:, :, None], 3, axis=2)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("degrees", [0, 33, 180, 250])
@pytest.mark.parametrize("askew", [0.0, 0.3])
def test_a_code_is_read_askew_turned_and_through_a_mirror(
    degrees: float, askew: float, mirrored: bool
) -> None:
    assert read_code(photographed(degrees, askew, mirrored=mirrored)) == WORDS


def test_where_there_is_no_code_nothing_is_read() -> None:
    assert read_code(np.full((800, 1200, 3), 110, np.uint8)) == ""


def test_without_the_extra_no_code_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    assert reads_codes()
    monkeypatch.setitem(sys.modules, "zxingcpp", None)
    assert not reads_codes()
    assert read_code(photographed(0, 0, mirrored=False)) == ""
