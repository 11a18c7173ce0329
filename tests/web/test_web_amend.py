"""An archived photograph on the stage: it turns as it is said, and so it is corrected."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from web_serving import Served, serious

from archiver.archive.query import Query, Record
from archiver.archive.store.archive import Archive

#: EXIF orientation whose display operation a picture is turned by (Exif 2.32, tag 274).
TURN = re.compile(r"turn-(\d)")


def _wrong(archive: Path, patient: str, view: str) -> Record:
    with Archive.open(archive, read_only=True) as opened:
        found = opened.query(Query(patient_id=patient, role="derived"))
    return next(one for one in found if one.view == view)


@pytest.fixture
def served(archive: Path, start: Callable[..., Served]) -> Served:
    return start(archive)


def test_the_stage_shows_what_the_correction_then_makes(page: Page, served: Served) -> None:
    wrong = _wrong(served.archive, "P-1042", "buccal")
    page.goto(f"{served.url}/record/amend/{wrong.sop_instance_uid}")
    stage, large = page.locator("#stage[data-ready]"), page.locator("#large")
    expect(stage).to_be_visible()
    expect(large).to_have_js_property("complete", True)
    before = large.get_attribute("class")
    expect(page.locator("#edge-right")).to_have_text("A")
    assert serious(page) == []

    # It was the left side, taken through a mirror as was said, and the file had been flipped.
    page.get_by_label("Teeth").fill("iso:26")
    page.get_by_label("Flipped on a computer before").select_option("left-right")
    expect(page.locator("#edge-left")).to_have_text("A")
    expect(large).not_to_have_attribute("class", before or "")
    shown = TURN.search(large.get_attribute("class") or "")
    page.click("#crop-open")
    page.locator("#crop-width").fill("640")
    page.locator("#crop-width").press("Tab")
    crop = page.get_by_label("Crop, drawn in the picture").input_value()
    assert crop.startswith("0,0,640,")

    page.get_by_role("button", name="Show what follows").click()
    follows = page.get_by_role("status").filter(has_text="Look at what follows")
    expect(follows).to_contain_text("26")
    # What was said stays on the stage while what follows is read.
    expect(page.locator("#stage[data-ready] #crop-words")).to_contain_text("640")
    page.get_by_role("button", name="Correct it").click()
    expect(page).to_have_url(re.compile("/record/visit/"))

    right = _wrong_successor(served.archive, wrong)
    assert right.teeth == ("26",)
    page.goto(f"{served.url}/record/amend/{right.sop_instance_uid}")
    expect(page.locator("#stage[data-ready]")).to_be_visible()
    assert shown is not None
    assert large.get_attribute("class") == shown[0]
    expect(page.locator("#crop-words")).to_contain_text("640")
    # No picture is on its way to the page when the server is stopped.
    page.goto("about:blank")


def _wrong_successor(archive: Path, wrong: Record) -> Record:
    with Archive.open(archive, read_only=True) as opened:
        found = opened.query(Query(patient_id="P-1042", role="derived"))
    (right,) = (one for one in found if one.source_sha256 == wrong.source_sha256)
    return right
