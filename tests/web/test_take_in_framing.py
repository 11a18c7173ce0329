"""The next shot beside the last one, and crops that are proposed: told by the server, and seen."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Page, expect
from taking import STUDIES, Taking
from web_serving import Served, serious

from tests.photo.camera_files import camera_exif, camera_jpeg, thumbnail

PRIOR = STUDIES / "P-1042" / "2026-02-24" / "C70_2204.JPG"
#: Share of the prior's sides that the new picture shows, from its middle: a quarter closer.
SHARE = 0.8


@pytest.fixture(scope="module")
def closer(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The picture of two years ago taken again, a quarter closer and somewhat brighter."""
    first = Image.open(PRIOR).convert("RGB")
    columns, rows = first.size
    edges = [columns * (1 - SHARE) / 2, rows * (1 - SHARE) / 2]
    box = (round(edges[0]), round(edges[1]), columns - round(edges[0]), rows - round(edges[1]))
    near = first.resize((columns, rows), Image.Resampling.LANCZOS, box=box)
    pixels = np.clip(np.asarray(near, float) * 1.06, 0, 255).astype(np.uint8)
    again = Image.fromarray(pixels)
    exif = camera_exif(again, thumbnail(again), exif={36867: b"2026:11:20 10:00:00"})
    file = tmp_path_factory.mktemp("closer") / "C70_3001.JPG"
    file.write_bytes(camera_jpeg(again, exif, "4:2:0"))
    return file


def _taken(served: Served, file: Path) -> tuple[Taking, str]:
    taking = Taking(served)
    (digest,) = taking.take([file])
    patient = {"id": "P-1042", "issuer": "BRACKWATER", "name": "Marchetti^Rowan"}
    taking.change(patient=patient, visit={"date": "2026-11-20"})
    taking.say(digest, view="occlusal", mirror=True, teeth="16", operator="front")
    return taking, digest


def _told(taking: Taking, what: str, digest: str) -> Any:
    answer = taking.ask(f"/{what}", "POST", {"pictures": {digest: {}}})
    assert answer.status == 200, answer.text
    return json.loads(answer.body)["pictures"][digest]


def test_the_prior_its_frame_and_how_the_framing_differs_are_told(
    served: Served, closer: Path
) -> None:
    taking, digest = _taken(served, closer)
    photo = taking.state()["pictures"][digest]
    columns, rows = photo["columns"], photo["rows"]
    if photo["turn"] > 4:
        columns, rows = rows, columns
    told = _told(taking, "framing", digest)
    assert told["label"]["date"] == "2026-02-24"
    assert told["words"] == "a quarter closer"
    matrix = np.reshape(told["matrix"], (3, 3))
    corners = np.array([[0, 0, 1], [columns, rows, 1]]) @ matrix.T
    beyond = (1 / SHARE - 1) / 2
    true = [[-beyond * columns, -beyond * rows], [(1 + beyond) * columns, (1 + beyond) * rows]]
    assert corners[:, :2] / corners[:, 2:] == pytest.approx(np.array(true), abs=0.02 * columns)
    frame = told["frame"]
    assert frame["width"] == pytest.approx(columns / SHARE, rel=0.02)
    assert frame["left"] == pytest.approx(-beyond * columns, abs=0.02 * columns)


def test_nothing_is_told_of_a_picture_without_a_prior(served: Served, closer: Path) -> None:
    taking, digest = _taken(served, closer)
    taking.say(digest, teeth="36")
    assert _told(taking, "framing", digest) is None


def test_one_press_proposes_a_crop_and_one_lays_the_prior_over_it(
    served: Served, closer: Path, page: Page
) -> None:
    taking, digest = _taken(served, closer)
    whole = taking.state()["pictures"][digest]
    page.goto(f"{served.url}/take-in/{taking.id}")
    expect(page.locator("#framing-words")).to_have_text("Against 2026-02-24: a quarter closer")
    page.click("#ghost")
    ghost, large = page.locator("#frame .ghost"), page.locator("#large")
    expect(ghost).to_be_visible()
    over, under = ghost.bounding_box(), large.bounding_box()
    assert over and under
    # It reaches beyond the new picture by what that leaves out.
    assert over["width"] == pytest.approx(under["width"] / SHARE, rel=0.03)
    assert over["x"] + over["width"] / 2 == pytest.approx(under["x"] + under["width"] / 2, abs=8)

    assert serious(page) == []

    page.click("#crop-propose")
    expect(page.locator("#undo")).to_have_attribute("title", "Undo: Crop (C70_3001.JPG)")
    crop = taking.state()["pictures"][digest]["said"]["crop"]
    assert crop["width"] * crop["height"] < 0.95 * whole["columns"] * whole["rows"]
    page.select_option("#crop-ratio", "1:1")
    page.locator(".crop-move").press("ArrowLeft")
    page.locator(".crop-se").press("ArrowRight")
    expect(page.locator("#kept")).to_have_text("All of it is kept")
    square = taking.state()["pictures"][digest]["said"]["crop"]
    assert square["width"] == square["height"]
    page.click("#undo")
    expect(page.get_by_text("Undone: Crop (C70_3001.JPG)")).to_be_visible()


def test_tab_and_tooth_are_proposed_to_who_draws_them(page: Page, served: Served) -> None:
    shot = STUDIES / "shade_case" / "P-1180" / "2026-05-12" / "C70_2702.JPG"
    taking = Taking(served)
    (digest,) = taking.take([shot])
    taking.say(digest, view="labial", mirror=False, teeth="21")
    told = _told(taking, "parts", digest)
    assert all(told[name]["width"] > 100 for name in ("tab_region", "tooth_region"))
    page.goto(f"{served.url}/take-in/{taking.id}")
    for name in ("tab_region", "tooth_region"):
        page.get_by_label("What is drawn").select_option(name)
        page.get_by_role("button", name="Propose where it is").click()
        expect(page.locator("#crop-width")).to_have_value(str(told[name]["width"]))
    expect(page.locator("#kept")).to_have_text("All of it is kept")
    said = taking.state()["pictures"][digest]["said"]
    assert {name: said[name] for name in told} == told
    page.get_by_label("What is drawn").select_option("scale_region")
    page.get_by_role("button", name="Propose where it is").click()
    expect(page.get_by_text("It was not found: draw it.")).to_be_visible()
