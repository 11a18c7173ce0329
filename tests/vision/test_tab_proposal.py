"""Where a tab and the tooth beside it are proposed: near the truth, or not at all."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import demo_studies
from archiver.vision import propose_tab
from demo_studies.render import shade

HERE = Path(demo_studies.__file__).parent
CASE = HERE / shade.FOLDER / shade.visit().folder
TRUTH = json.loads((HERE / "truth.json").read_text("utf-8"))["shade_case"][1]


def look(path: Path) -> np.ndarray:
    with Image.open(path) as picture:
        shown = picture.convert("RGB")
        shown.thumbnail((750, 750))
        return np.asarray(shown)


@pytest.mark.parametrize("flipped", [False, True])
def test_tab_and_tooth_are_proposed_within_what_they_take(flipped: bool) -> None:
    pixels = look(HERE / TRUTH["file"])
    if flipped:
        pixels = np.ascontiguousarray(pixels[:, ::-1])
    scale, wide = shade.SIZE[0] / pixels.shape[1], shade.SIZE[0]
    left, top, width, height = shade.TAB_BOX
    for found, true in zip(
        propose_tab(pixels),
        ((left, top, left + width, top + height), TRUTH["tooth_box"]),
        strict=True,
    ):
        assert found is not None
        if flipped:
            true = (wide - true[2], true[1], wide - true[0], true[3])
        edges = np.array(found) * scale
        room = 0.02 * (true[2] - true[0])
        assert true[0] - room <= edges[0] < edges[2] <= true[2] + room
        assert true[1] - room <= edges[1] < edges[3] <= true[3] + room
        area = (edges[2] - edges[0]) * (edges[3] - edges[1])
        assert area >= 0.65 * (true[2] - true[0]) * (true[3] - true[1])


@pytest.mark.parametrize(
    "file",
    [
        CASE / "C70_2701.JPG",
        CASE / "C70_2703.JPG",
        HERE / "P-1180" / "2025-04-08" / "C70_1731.JPG",
        HERE / "P-1180" / "2025-04-08" / "C70_1732.JPG",
    ],
)
def test_no_tab_is_proposed_where_there_is_none(file: Path) -> None:
    tab, tooth = propose_tab(look(file))
    assert tab is None and tooth is not None


def test_nothing_is_proposed_where_there_are_no_teeth() -> None:
    assert propose_tab(np.full((200, 300, 3), (150, 70, 60), np.uint8)) == (None, None)
