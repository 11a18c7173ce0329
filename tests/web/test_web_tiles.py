"""Tiles and levels: the right pixels, turned, however large, and never more memory than allowed."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.dentition.orientation import Turn
from archiver.errors import ObjectError
from archiver.photo import turned
from archiver.photo.turbo import load_turbo
from archiver.web.pages.compare import tiles
from archiver.web.pages.compare.picture_source import PictureSource, read_source, stored_pixels
from archiver.web.pages.compare.tiles import OVERLAP, TILE, Levels, NoTile, grids


@pytest.fixture(scope="module")
def source(demo: Path) -> PictureSource:
    """A corrected photograph of 1200 x 800."""
    with Archive.open(demo, read_only=True) as archive:
        found = archive.query(Query(patient_id="P-1042", view="occlusal", role="derived"))
    return read_source(Path(found[0].path))


def waves(columns: int, rows: int) -> np.ndarray:
    """A picture that no codec harms much, in which a shift by one pixel changes a lot."""
    y, x = np.mgrid[0:rows, 0:columns].astype(float)
    across, down = np.sin(x * 2 * np.pi / 64), np.sin(y * 2 * np.pi / 64)
    planes = [128 + 90 * across, 128 + 90 * down, 128 + 40 * (across + down)]
    return np.dstack(planes).round().astype(np.uint8)


@pytest.fixture
def odd(source: PictureSource, monkeypatch: pytest.MonkeyPatch) -> Callable[[Turn], PictureSource]:
    """A photograph of 1183 x 1037 pixels, turned as asked."""
    buffer = io.BytesIO()
    Image.fromarray(waves(1183, 1037)).save(buffer, "JPEG", quality=98, subsampling=0)
    turbo = load_turbo()
    assert turbo
    monkeypatch.setattr(
        tiles, "stored_pixels", lambda one, reduction: turbo.decode(buffer.getvalue(), reduction)
    )

    def made(turn: Turn) -> PictureSource:
        size = (1037, 1183) if turn.swaps_sides else (1183, 1037)
        uid = f"2.25.9{int(turn)}"
        return replace(
            source,
            size=size,
            turn=turn,
            description=replace(source.description, sop_instance_uid=uid),
        )

    return made


@pytest.mark.parametrize("turn", list(Turn))
def test_a_level_lies_where_its_grid_says(odd: Callable[[Turn], PictureSource], turn: Turn) -> None:
    one = odd(turn)
    whole = turned(waves(1183, 1037), turn.value).astype(float)
    for grid in grids(one):
        level = Levels().level(one, grid)
        r = grid.reduction
        assert level.shape[:2] == (grid.rows, grid.columns)
        # Whole pixels of the level only: incomplete ones have what the codec put beyond the edge.
        rows = (whole.shape[0] - grid.top) // r - 1
        columns = (whole.shape[1] - grid.left) // r - 1
        top, left = r - grid.top, r - grid.left
        cut = whole[top : top + rows * r, left : left + columns * r]
        means = cut.reshape(rows, r, columns, r, 3).mean(axis=(1, 3))
        off = np.abs(level[1 : rows + 1, 1 : columns + 1] - means).mean()
        # A shift by one full pixel would be 4 to 5 of 255.
        assert off < 1.2


@pytest.mark.parametrize("turn", [Turn.IDENTITY, Turn.TRANSVERSE, Turn.HALF])
def test_tiles_put_together_are_the_level(odd: Callable[[Turn], PictureSource], turn: Turn) -> None:
    one, levels = odd(turn), Levels()
    for grid in grids(one):
        made = np.zeros((grid.rows, grid.columns, 3), np.uint8)
        for row in range(-(-grid.rows // TILE)):
            for column in range(-(-grid.columns // TILE)):
                stream = levels.tile(one, grid.reduction, column, row)
                pixels = np.asarray(Image.open(io.BytesIO(stream)))
                high, wide = min(TILE + OVERLAP, grid.rows - row * TILE), TILE + OVERLAP
                assert pixels.shape[0] == high
                assert pixels.shape[1] == min(wide, grid.columns - column * TILE)
                made[row * TILE :, column * TILE :][: pixels.shape[0], : pixels.shape[1]] = pixels
        off = np.abs(made.astype(int) - levels.level(one, grid))
        assert off.mean() < 1.5 and off.max() <= 16


def test_reduced_decoding_is_the_mean_of_the_pixels(source: PictureSource) -> None:
    whole = stored_pixels(source, 1).astype(float)
    for reduction in (2, 4, 8):
        small = stored_pixels(source, reduction).astype(float)
        rows, columns = (n // reduction for n in whole.shape[:2])
        cut = whole[: rows * reduction, : columns * reduction]
        means = cut.reshape(rows, reduction, columns, reduction, 3).mean(axis=(1, 3))
        assert np.abs(small[:rows, :columns] - means).mean() < 1.0


@pytest.mark.parametrize(
    ("reduction", "column", "row"),
    [(1, 3, 0), (1, 0, 2), (1, 99999, 99999), (3, 0, 0), (16, 0, 0), (0, 0, 0), (1, -1, 0)],
)
def test_there_is_no_tile_beside_the_picture(
    source: PictureSource, reduction: int, column: int, row: int
) -> None:
    with pytest.raises(NoTile):
        Levels().tile(source, reduction, column, row)


def test_a_tile_carries_nothing_but_pixels(source: PictureSource) -> None:
    stream = Levels().tile(source, 1, 0, 0)
    with Image.open(io.BytesIO(stream)) as picture:
        assert picture.size == (TILE + OVERLAP, TILE + OVERLAP)
        assert not picture.getexif() and "icc_profile" not in picture.info


def test_what_is_kept_stays_within_its_bounds(odd: Callable[[Turn], PictureSource]) -> None:
    each = 1183 * 1037 * 3
    levels = Levels(budget=2 * each + 1000)
    for turn in Turn:
        one = odd(turn)
        levels.level(one, grids(one)[0])
        assert sum(kept.nbytes for kept in levels._kept.values()) <= 2 * each + 1000
    assert not levels._at_work


def test_a_level_is_decoded_once_for_all_who_ask_at_once(
    odd: Callable[[Turn], PictureSource], monkeypatch: pytest.MonkeyPatch
) -> None:
    from concurrent.futures import ThreadPoolExecutor

    decode, calls = tiles.stored_pixels, []

    def counted(one: PictureSource, reduction: int) -> np.ndarray:
        calls.append(reduction)
        return decode(one, reduction)

    monkeypatch.setattr(tiles, "stored_pixels", counted)
    one, levels = odd(Turn.IDENTITY), Levels()
    with ThreadPoolExecutor(8) as pool:
        streams = list(pool.map(lambda _: levels.tile(one, 1, 0, 0), range(16)))
    assert len(set(streams)) == 1
    assert calls == [1]


def test_levels_of_a_huge_picture_are_only_those_that_fit(source: PictureSource) -> None:
    huge = replace(source, size=(40_000, 30_000))
    assert [grid.reduction for grid in grids(huge)] == [4, 8]
    small = replace(source, size=(300, 200))
    assert [grid.reduction for grid in grids(small)] == [1]


def test_a_stream_of_another_size_than_the_object_says_is_refused_undecoded(
    source: PictureSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    turbo = load_turbo()
    assert turbo
    monkeypatch.setattr(type(turbo), "decode", lambda *_: pytest.fail("it was decoded"))
    with pytest.raises(ObjectError, match="1200 x 800"):
        stored_pixels(replace(source, size=(600, 400)), 1)


def test_a_file_that_is_no_picture_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "no.dcm"
    for content in (b"", b"DICM" * 50, bytes(128) + b"DICM" + b"\x00" * 300):
        path.write_bytes(content)
        with pytest.raises(ObjectError):
            read_source(path)
