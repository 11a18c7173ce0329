"""The committed pictures are what the generator says that they are."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import piexif
import pytest
from PIL import Image, ImageFilter

import demo_studies
from archiver.objects.sheet import read_sheet
from archiver.vision import QualityLimits, quality_figures
from demo_studies.render.looking import codes
from demo_studies.render.picture import render
from demo_studies.render.scenario import Photograph, Visit, sheet
from demo_studies.render.scene import Scene
from demo_studies.render.studies import visits
from demo_studies.render.truth import INVERSE, truth_of, turn_pixels

HERE = Path(demo_studies.__file__).parent
TRUTH: list[dict[str, Any]] = json.loads((HERE / "truth.json").read_text("utf-8"))["pictures"]
BY_FILE = {str(one["file"]): one for one in TRUTH}
PICTURES = [(visit, photo) for visit in visits() for photo in visit.photographs]
NAMES = [photo.file for _, photo in PICTURES]


@lru_cache(maxsize=8)
def scene_of(number: int) -> Scene:
    return Scene(visits()[number].mouth, 0.12)


def truth_file(visit: Visit, photo: Photograph) -> str:
    return f"{visit.folder}/{photo.file}"


def correlation(one: np.ndarray, other: np.ndarray) -> float:
    return float(np.corrcoef(one.ravel(), other.ravel())[0, 1])


def stored(visit: Visit, photo: Photograph) -> Image.Image:
    return Image.open(HERE / truth_file(visit, photo))


def test_the_committed_files_stay_within_six_megabytes() -> None:
    files = [p for p in HERE.rglob("*") if p.suffix in (".JPG", ".PNG", ".toml", ".json")]
    pictures = [p for p in files if p.suffix in (".JPG", ".PNG") and "shade_case" not in p.parts]
    assert len(pictures) == len(PICTURES) == len(TRUTH)
    assert sum(p.stat().st_size for p in files) <= 6_000_000


@pytest.mark.parametrize("number", range(len(visits())))
def test_the_truth_and_the_sheets_are_the_generators(number: int) -> None:
    visit = visits()[number]
    assert (HERE / visit.folder / "sheet.toml").read_text("utf-8") == sheet(
        visit, codes(HERE / visit.folder)
    )
    scene = Scene(visit.mouth, 0.3)
    for photo in visit.photographs:
        fact = truth_of(scene, photo.shot, photo.size, photo.orientation)
        committed = BY_FILE[truth_file(visit, photo)]
        assert {k: committed[k] for k in fact if k != "tooth_centres_stored"} == {
            k: v for k, v in fact.items() if k != "tooth_centres_stored"
        }
        # a coarser crown may hide or bare the middle of a neighbour, but not move it
        drawn: Any = fact["tooth_centres_stored"]
        assert set(map(str, photo.shot.teeth)) <= set(drawn)
        for iso, at in committed["tooth_centres_stored"].items():
            if iso in drawn:
                assert drawn[iso] == pytest.approx(at, abs=1e-3)


@pytest.mark.parametrize("number", range(len(visits())))
def test_each_sheet_leads_to_the_correction_that_the_vectors_give(number: int) -> None:
    visit = visits()[number]
    orientations = {p.file: p.orientation for p in visit.photographs}

    def size_of(path: Path) -> Any:
        with Image.open(path) as picture:
            return (*picture.size, orientations[path.name])

    session = read_sheet(HERE / visit.folder / "sheet.toml", size_of=size_of)

    assert session.patient.id == visit.patient.number
    assert session.visit.clock_offset == -visit.clock_wrong_by
    for entry, photo in zip(session.photographs, visit.photographs, strict=True):
        fact = BY_FILE[truth_file(visit, photo)]
        assert [int(t.iso) for t in entry.teeth] == sorted_like(entry.teeth, fact["teeth"])
        assert entry.plan(photo.orientation).correction == fact["correction"]


def sorted_like(teeth: Any, numbers: list[int]) -> list[int]:
    """The truth's numbers in the order in which the sheet's teeth are kept."""
    order = [int(t.iso) for t in teeth]
    assert sorted(order) == sorted(numbers)
    return order


@pytest.mark.parametrize(("visit", "photo"), PICTURES, ids=NAMES)
def test_each_committed_picture_shows_what_its_shot_renders(
    visit: Visit, photo: Photograph
) -> None:
    scene = scene_of([v.folder for v in visits()].index(visit.folder))
    finish = replace(photo.finish, soft=photo.finish.soft / 8)
    shown = render(scene, photo.shot, photo.size[0] // 8, photo.size[1] // 8, finish=finish)
    again = Image.fromarray(turn_pixels(shown, INVERSE[photo.orientation]))
    with stored(visit, photo) as picture:
        small = picture.convert("RGB").resize(again.size, Image.Resampling.BOX)

    blur = ImageFilter.GaussianBlur(1.5)
    committed, drawn = (np.asarray(p.filter(blur), float) for p in (small, again))

    assert correlation(committed, drawn) > 0.97
    for turn in (2, 3, 4):
        assert correlation(turn_pixels(committed, turn), drawn) < correlation(committed, drawn)


def pixels_of(file: str) -> np.ndarray:
    with Image.open(HERE / file) as picture:
        return np.asarray(picture.convert("RGB"), float)


def colour_at(file: str, iso: int) -> np.ndarray:
    """Mean colour round the place where the truth says that a crown's middle is."""
    pixels = pixels_of(file)
    x, y = BY_FILE[file]["tooth_centres_stored"][str(iso)]
    row, column = int(y * pixels.shape[0]), int(x * pixels.shape[1])
    return pixels[row - 12 : row + 13, column - 12 : column + 13].mean(axis=(0, 1))


def test_the_cavity_is_dark_where_the_truth_says_and_later_filled() -> None:
    before = colour_at("P-1107/2025-09-16/HVD_1123.JPG", 75)
    after = colour_at("P-1107/2026-03-17/HVD_1546.JPG", 75)
    assert before.mean() < 0.6 * after.mean()


@pytest.mark.parametrize(
    "file", ["P-1180/2025-04-08/C70_1735.JPG", "P-1180/2026-04-21/C70_2563.JPG"]
)
def test_the_gold_crown_is_on_the_patients_right(file: str) -> None:
    gold, enamel = colour_at(file, 45), colour_at(file, 35)
    assert gold[0] / gold[2] > 1.5 * enamel[0] / enamel[2]


def test_the_soft_picture_is_softer_than_its_fellows() -> None:
    def detail(file: str) -> float:
        grey = pixels_of(file).mean(axis=2)
        rows, columns = (n // 3 for n in grey.shape)
        # thirds, so that the grain, which misfocus does not touch, is averaged away
        third = grey[: rows * 3, : columns * 3].reshape(rows, 3, columns, 3).mean(axis=(1, 3))
        bend = third[:-2, 1:-1] + third[2:, 1:-1] - 2 * third[1:-1, 1:-1]
        return float(np.percentile(np.abs(bend), 99))

    soft = detail("P-1042/2024-03-19/HVD_0590.JPG")
    assert soft < 0.7 * detail("P-1042/2024-02-13/HVD_0414.JPG")
    assert soft < 0.7 * detail("P-1042/2026-02-24/C70_2206.JPG")


def test_the_soft_picture_is_told_and_far_softer_than_all_others() -> None:
    """Renderings have rounder edges than photographs: some lie just above the limit."""
    blurs = {}
    for visit, photo in PICTURES:
        file = truth_file(visit, photo)
        figures = quality_figures(pixels_of(file).astype(np.uint8))
        assert figures is not None, file
        blurs[file] = figures.blur_share
    soft = blurs.pop("P-1042/2024-03-19/HVD_0590.JPG")
    assert soft > 1.5 * QualityLimits().blur_share and soft > 1.3 * max(blurs.values())


@pytest.mark.parametrize(("visit", "photo"), PICTURES, ids=NAMES)
def test_each_file_claims_what_a_macro_camera_claims(visit: Visit, photo: Photograph) -> None:
    with stored(visit, photo) as picture:
        exif = piexif.load(picture.info["exif"])
        fact = BY_FILE[truth_file(visit, photo)]
        assert picture.size == (fact["columns_stored"], fact["rows_stored"])
        assert bool(picture.info.get("progressive")) == (photo.form == "progressive")
    assert exif["0th"][piexif.ImageIFD.Orientation] == fact["exif_orientation"]
    assert bool(exif["GPS"]) == (photo.place is not None)
    assert bool(exif["thumbnail"]) == (photo.form != "png")
    tags = exif["Exif"]
    # usual settings of intraoral macro photographs: f/22 to f/32, 1/125 s, flash (common practice)
    assert 22 <= tags[piexif.ExifIFD.FNumber][0] <= 32
    assert tags[piexif.ExifIFD.Flash] & 1
    by_camera = datetime.strptime(
        tags[piexif.ExifIFD.DateTimeOriginal].decode(), "%Y:%m:%d %H:%M:%S"
    )
    late = (by_camera - visit.clock_wrong_by - visit.time).total_seconds()
    assert 0 <= late < 600


def test_the_studies_hold_each_kind_of_file_that_they_promise() -> None:
    assert sum(p.form == "progressive" for _, p in PICTURES) == 1
    assert sum(p.form == "png" for _, p in PICTURES) == 1
    assert [p.orientation for _, p in PICTURES if p.orientation != 1] == [6]
    assert sum(p.finish.soft > 0 for _, p in PICTURES) == 1
    assert sum(bool(v.clock_wrong_by) for v in visits()) == 1
    assert {v.numbering for v in visits()} == {"ISO 3950", "Universal"}
    assert any(p.shot.operator == "behind" for _, p in PICTURES)
    confirmed = [("confirmed_by" in p.sheet) for _, p in PICTURES]
    assert any(confirmed) and not all(confirmed)
    placed = [v for v, p in PICTURES if p.place]
    assert len(placed) == 1
