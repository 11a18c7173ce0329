"""The drawn shade case: what the package says of its colours and its scale is what is true."""

from __future__ import annotations

import json
import re
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from pydicom import dcmread
from pypdf import PdfReader

import demo_studies
from archiver.archive import Query
from archiver.archive.ingest import IngestSettings
from archiver.archive.statements import note, patient_of
from archiver.archive.store import Archive
from archiver.colour.chart_detection import find_chart
from archiver.colour.colours import difference
from archiver.handover import PackageOrder, hand_over
from archiver.objects import Purpose, read_sheet, scale_of
from archiver.workflow import wrap
from demo_studies.render import shade
from demo_studies.render.looking import codes
from demo_studies.render.scenario import sheet

HERE = Path(demo_studies.__file__).parent
FOLDER = HERE / shade.FOLDER / shade.visit().folder
CHART, TAB = json.loads((HERE / "truth.json").read_text("utf-8"))["shade_case"]
NOW = datetime(2026, 6, 1, 12, tzinfo=timezone.utc)


def test_the_sheet_is_the_generators() -> None:
    assert (FOLDER / "sheet.toml").read_text("utf-8") == sheet(shade.visit(), codes(FOLDER))


def test_the_chart_is_found_where_it_is_drawn() -> None:
    with Image.open(HERE / CHART["file"]) as picture:
        pixels = np.asarray(picture.convert("RGB"))
    found = find_chart(pixels)
    assert found is not None and found.free.all() and not found.mirrored
    left, top, wide, high = CHART["chart_box"]
    assert left >= 0 and left + wide <= pixels.shape[1] and top + high <= pixels.shape[0]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Any]:
    """The words of the package's sheet, and the twin of the picture with the tab."""
    folder = tmp_path_factory.mktemp("shade_case")
    with Archive.open(folder / "archive", clock=lambda: NOW, actor="test") as archive:
        wrapped = wrap(archive, read_sheet(FOLDER / "sheet.toml"), IngestSettings(lambda: NOW))
        assert [one.problems for one in wrapped.photographs] == [()] * 5
        who = patient_of(archive, "P-1180", None)
        note(archive, who, Purpose.LABORATORY, by="Vuorinen^Maia", now=NOW)
        query = Query(patient_id="P-1180")
        order = PackageOrder(query, Purpose.LABORATORY, "1187", "North", folder / "1187")
        hand_over(archive, order, NOW)
    pages = PdfReader(folder / "1187" / "1187.pdf").pages
    words = " ".join(page.extract_text() for page in pages)
    return re.sub(r"\s+", " ", words), dcmread(folder / "1187" / "1187-02.dcm")


@pytest.mark.parametrize("third", ["cervical", "middle", "incisal"])
def test_tooth_and_tab_differ_by_what_is_true_within_the_uncertainty(
    third: str, told: tuple[str, Any]
) -> None:
    found = re.search(rf"Tooth, {third} third: .*?CIEDE2000 (\S+) ± (\d+\.\d)", told[0])
    assert found is not None
    tab, tooth = (
        np.array(one) for one in (TAB["tab_lab_d50"]["middle"], TAB["tooth_lab_d50"][third])
    )
    assert abs(float(found[1]) - float(difference(tooth, tab))) <= float(found[2])


def test_the_scale_is_true_in_the_plane_of_the_tab_and_of_the_tooth(told: tuple[str, Any]) -> None:
    scale = scale_of(told[1])
    assert scale is not None
    for true in (TAB["millimetres_a_pixel"], TAB["of_the_tooth"]):
        assert abs(scale.spacing / true - 1) * 100 <= scale.uncertain_by < 3


def test_the_page_rests_on_the_chart_and_names_no_shade_by_itself(told: tuple[str, Any]) -> None:
    assert "corrected from a 24-patch chart" in told[0]
    assert told[0].count("T4") == 1, "the tab, as it was typed"
    assert "There is no frame with a neutral reference" not in told[0]


def test_the_regions_of_the_sheet_lie_on_tooth_and_tab() -> None:
    _, tab, *_ = read_sheet(FOLDER / "sheet.toml").photographs
    left, top, right, bottom = TAB["tooth_box"]
    region = tab.circumstances.tooth_region
    assert region is not None
    assert left < region.left < region.left + region.width < right
    assert top < region.top < region.top + region.height < bottom
