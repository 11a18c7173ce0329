"""A page in a script that runs from right to left mirrors its layout, and nothing anatomical."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from taking import Taking, card
from web_serving import Served

#: Where parts stand within what holds them, in parts of its width and height.
PLACES = """([holder, parts]) => [...document.querySelectorAll(holder)].map((one) => {
  const box = one.getBoundingClientRect();
  if (!one.checkVisibility()) return [];
  return [...one.querySelectorAll(parts)].filter((part) => !part.closest("defs")).map((part) => {
    const at = part.getBoundingClientRect();
    const name = String(part.textContent.trim() || part.className || part.tagName);
    const [x, y] = [(at.x - box.x) / box.width, (at.y - box.y) / box.height];
    return [name, x, y, at.width / box.width];
  });
})"""
#: Who holds which parts, on the page of a draft, and where pictures are found.
OF_A_DRAFT = {
    ".stage-plate": ".edge, #frame, #large",
    ".tile-plate": ".tile-edge, img, canvas",
    ".teeth-row": ".tooth-key",
    ".side-drawing": "text, path, rect",
}
OF_FIND = {".dentition": "text, path, input", ".plate": ".edge, img"}


def places(page: Page, of: dict[str, str]) -> dict[str, list[list[list[Any]]]]:
    return {holder: page.evaluate(PLACES, [holder, parts]) for holder, parts in of.items()}


def assert_not_mirrored(page: Page, of: dict[str, str]) -> None:
    before = places(page, of)
    assert all(any(held for held in found) for found in before.values()), before
    page.evaluate("document.documentElement.dir = 'rtl'")
    heading = page.evaluate("getComputedStyle(document.querySelector('main')).direction")
    assert heading == "rtl"
    page.wait_for_function("() => new Promise((done) => requestAnimationFrame(() => done(true)))")
    after = places(page, of)
    for holder, found in before.items():
        assert len(found) == len(after[holder])
        for one, other in zip(found, after[holder], strict=True):
            assert [part[0] for part in one] == [part[0] for part in other]
            for mine, its in zip(one, other, strict=True):
                assert mine[1:] == pytest.approx(its[1:], abs=0.02), (holder, mine, its)


def test_stage_letters_pictures_arches_and_drawing_of_a_draft_stay_as_they_are(
    page: Page, served: Served, tmp_path: Path
) -> None:
    taking = Taking(served)
    digest, _ = taking.take(card(tmp_path / "card", 2))
    taking.state()
    taking.say(digest, view="left buccal", mirror=True)
    page.goto(f"{served.url}/take-in/{taking.id}")
    page.wait_for_selector("[data-ready]", state="attached")
    expect(page.locator("#side")).to_be_visible()
    page.locator("#teeth-open").click()
    expect(page.locator("#edge-left")).to_have_text("A")
    expect(page.locator(".tile-plate").first.locator(".tile-left")).to_have_text("A")
    assert_not_mirrored(page, OF_A_DRAFT)


def test_the_arches_and_the_pictures_that_are_found_stay_as_they_are(
    page: Page, served: Served
) -> None:
    page.goto(f"{served.url}/find?patient=P-1042")
    expect(page.locator(".plate").first).to_be_visible()
    assert_not_mirrored(page, OF_FIND)
