"""A side is confirmed by looking: held keys, fast clicks, small windows, two windows."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, Request, Route, expect
from taking import Taking, card
from web_serving import Served, Watch, serve

WHOM = {"patient": {"id": "P-0417", "name": "Okafor^Nadia"}, "visit": {"date": "2026-03-04"}}
#: A telephone, and a desk at 200 %.
SMALL = {"telephone": (390, 780), "zoomed": (640, 400)}
WHOLE = """() => {
  const whole = (id) => {
    const box = document.querySelector(id).getBoundingClientRect();
    const at = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
    return box.top >= 0 && box.bottom <= innerHeight && document.querySelector(id).contains(at);
  };
  return [whole('#frame'), whole('#side .ask-words')];
}"""


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    served = serve(tmp_path_factory.mktemp("looking") / "archive")
    yield served
    served.kill()


def draft(running: Served, folder: Path, count: int = 3) -> tuple[Taking, list[str]]:
    """Make a draft whose pictures are all said and none confirmed."""
    taking = Taking(running)
    digests = taking.take(card(folder, count))
    assert taking.change(**WHOM).status == 200
    for digest in digests:
        taking.say(digest, view="left buccal", mirror=False)
    return taking, digests


def opened(page: Page, running: Served, taking: Taking) -> None:
    page.goto(f"{running.url}/take-in/{taking.id}")
    page.wait_for_selector("[data-ready]", state="attached")
    expect(page.locator("#side")).to_be_visible()


def confirmed(taking: Taking) -> int:
    return sum("confirmed_by" in one["said"] for one in taking.state()["pictures"].values())


def test_a_held_key_confirms_one_side(page: Page, running: Served, tmp_path: Path) -> None:
    weighed = weighings(page)
    taking = Taking(running)
    taking.take(card(tmp_path / "card", 4))
    assert taking.change(**WHOM, rules="five-intraoral").status == 200
    page.goto(f"{running.url}/take-in/{taking.id}")
    page.wait_for_selector("[data-ready]", state="attached")
    expect(page.locator("#offer [data-act=accept]")).to_be_enabled()
    page.keyboard.down("Enter")
    for _ in range(30):
        page.wait_for_timeout(50)
        page.keyboard.down("Enter")
    expect(page.locator("#stage-title")).to_contain_text("2 of 4")
    expect(page.locator("#offer [data-act=accept]")).to_be_disabled()
    page.keyboard.up("Enter")
    expect(page.locator("#offer [data-act=accept]")).to_be_enabled()
    expect(page.locator("#kept")).to_have_text("All of it is kept")
    assert confirmed(taking) == 1
    # What is asked about second had been weighed while the first was looked at.
    first, ahead, second = weighed[:3]
    assert not first.get("ahead") and not second.get("ahead")
    assert ahead == {"pictures": second["pictures"], "ahead": True}


def weighings(page: Page) -> list[dict[str, Any]]:
    """What the page asks to have weighed from now on."""
    asked: list[dict[str, Any]] = []

    def note(request: Request) -> None:
        if request.url.endswith("/weigh"):
            asked.append(request.post_data_json)

    page.on("request", note)
    return asked


def test_fast_clicks_on_one_spot_confirm_one_side(
    page: Page, running: Served, tmp_path: Path
) -> None:
    taking = Taking(running)
    taking.take(card(tmp_path / "card", 4))
    assert taking.change(**WHOM, rules="five-intraoral").status == 200
    page.goto(f"{running.url}/take-in/{taking.id}")
    page.wait_for_selector("[data-ready]", state="attached")
    yes = page.locator("#offer [data-act=accept]")
    expect(yes).to_be_disabled()
    expect(yes).to_be_enabled()
    yes.hover()
    for _ in range(12):
        page.mouse.down()
        page.mouse.up()
        page.wait_for_timeout(100)
    expect(page.locator("#stage-title")).to_contain_text("2 of 4")
    expect(yes).to_be_disabled()
    expect(yes).not_to_be_focused()
    page.mouse.move(5, 5)
    expect(yes).to_be_enabled()
    expect(page.locator("#kept")).to_have_text("All of it is kept")
    assert confirmed(taking) == 1


def test_a_key_held_on_the_yes_itself_gives_one_answer(
    page: Page, running: Served, tmp_path: Path
) -> None:
    taking, _ = draft(running, tmp_path / "card")
    opened(page, running, taking)
    yes = page.locator("#side [data-act=confirm]")
    for key in ("Enter", " "):
        before = confirmed(taking)
        expect(yes).to_be_enabled()
        yes.focus()
        page.keyboard.down(key)
        for _ in range(20):
            page.wait_for_timeout(50)
            page.keyboard.down(key)
        page.keyboard.up(key)
        expect(page.locator(".side-done")).to_be_visible()
        expect(page.locator("#kept")).to_have_text("All of it is kept")
        assert confirmed(taking) == before + 1
        page.locator(".tile").nth(1).click()


@pytest.mark.parametrize("size", SMALL.values(), ids=SMALL)
def test_fast_taps_confirm_one_side_and_the_next_question_comes_with_its_picture(
    browser: Browser, running: Served, tmp_path: Path, watch: Watch, size: tuple[int, int]
) -> None:
    taking = Taking(running)
    taking.take(card(tmp_path / "card", 4))
    assert taking.change(**WHOM, rules="five-intraoral").status == 200
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, has_touch=True)
    watch.attach(context)
    page = context.new_page()
    page.goto(f"{running.url}/take-in/{taking.id}")
    page.wait_for_selector("[data-ready]", state="attached")
    yes = page.locator("#offer [data-act=accept]")
    expect(yes).to_be_enabled()
    yes.scroll_into_view_if_needed()
    box = yes.bounding_box()
    assert box is not None
    for _ in range(4):
        page.touchscreen.tap(box["x"] + 20, box["y"] + box["height"] / 2)
    expect(page.locator("#stage-title")).to_contain_text("2 of 4")
    expect(page.locator("#kept")).to_have_text("All of it is kept")
    assert confirmed(taking) == 1
    page.wait_for_function(f"() => ({WHOLE.replace('#side', '#offer')})().every(Boolean)")
    context.close()


def test_a_doubt_that_comes_late_is_looked_at_before_the_yes(
    page: Page, running: Served, tmp_path: Path
) -> None:
    taking, _ = draft(running, tmp_path / "card", 1)
    held: list[Route] = []
    page.route("**/weigh", lambda route: held.append(route))
    opened(page, running, taking)
    yes = page.locator("#side [data-act=confirm]")
    expect(page.locator(".ask-wait")).to_have_text(
        "The picture is being compared with the patient's earlier ones."
    )
    # It holds nobody up for long.
    expect(yes).to_be_enabled()
    doubt = {"kind": "editor", "words": "a program", "asks": "flipped", "answered": False}
    digest = next(iter(taking.state()["pictures"]))
    told = {"pictures": {digest: [{**doubt, "turn": None, "evidence": {}}]}}
    held[0].fulfill(json=told)
    seen = (
        "(yes) => document.querySelector('#side .doubts') && document.querySelector(yes).disabled"
    )
    page.wait_for_function(seen, arg="#side [data-act=confirm]")
    expect(yes).to_be_enabled()


@pytest.mark.parametrize("size", SMALL.values(), ids=SMALL)
def test_the_question_and_its_picture_stay_together(
    browser: Browser, running: Served, tmp_path: Path, watch: Watch, size: tuple[int, int]
) -> None:
    taking, _ = draft(running, tmp_path / "card")
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, has_touch=True)
    watch.attach(context)
    page = context.new_page()
    opened(page, running, taking)
    yes = page.locator("#side [data-act=confirm]")
    for n in (0, 1):
        page.locator(".tile").nth(n).click()
        expect(yes).to_be_enabled()
        page.wait_for_timeout(100)
        assert page.evaluate(WHOLE) == [True, True]
        yes.tap()
        expect(page.locator(".side-done")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    context.close()


def test_what_was_flipped_is_shown_in_all_three_ways_and_said(
    page: Page, running: Served, tmp_path: Path
) -> None:
    taking, (digest,) = draft(running, tmp_path / "card", 1)
    opened(page, running, taking)
    before = page.locator("#large").get_attribute("class")
    page.get_by_role("button", name="It was flipped on a computer before").click()
    drawn = page.locator(".flip img")
    expect(drawn).to_have_count(3)
    turns = {drawn.nth(n).get_attribute("class") for n in range(3)}
    assert len({*turns, before}) == 4
    # The line that all is kept may still be that of before.
    with page.expect_response(lambda answer: answer.url.endswith("/changes")) as kept:
        page.get_by_role("button", name="left to right").click()
    expect(page.locator("#large")).not_to_have_class(str(before))
    assert kept.value.ok
    assert taking.state()["pictures"][digest]["said"]["flipped"] == "left-right"


def test_a_conflict_with_another_window_is_told_and_nothing_put_over_it(
    page: Page, running: Served, tmp_path: Path, watch: Watch
) -> None:
    watch.expected = ("409",)
    taking, (digest,) = draft(running, tmp_path / "card", 1)
    opened(page, running, taking)
    other = page.context.new_page()
    opened(other, running, taking)
    other.get_by_label("View", exact=True).select_option("right buccal")
    expect(other.locator("#kept")).to_have_text("All of it is kept")
    page.get_by_label("View", exact=True).select_option("frontal")
    expect(page.locator("#messages")).to_contain_text("left buccal has become right buccal")
    expect(page.get_by_label("View", exact=True)).to_have_value("right buccal")
    assert taking.state()["pictures"][digest]["said"]["view"] == "right buccal"

    other.get_by_label("View", exact=True).select_option("left buccal")
    expect(other.locator("#kept")).to_have_text("All of it is kept")
    page.locator("#side [data-act=confirm]").click()
    expect(page.locator("#messages")).to_contain_text("right buccal has become left buccal")
    assert confirmed(taking) == 0


def test_a_yes_is_of_what_its_window_showed_when_it_asked(
    page: Page, browser: Browser, running: Served, tmp_path: Path, watch: Watch
) -> None:
    watch.expected = ("409",)
    taking, (digest,) = draft(running, tmp_path / "card", 1)
    shown = taking.state()["pictures"][digest]["shown"]["digest"]
    opened(page, running, taking)
    expect(page.locator("#side [data-act=confirm]")).to_be_enabled()
    context = browser.new_context()
    other = context.new_page()
    opened(other, running, taking)
    other.get_by_role("button", name="Draw").click()
    other.get_by_label("Width", exact=True).fill("320")
    other.get_by_label("Width", exact=True).press("Tab")
    expect(other.locator("#kept")).to_have_text("All of it is kept")
    context.close()
    assert taking.state()["pictures"][digest]["shown"]["digest"] != shown
    with page.expect_request("**/changes") as sent:
        page.locator("#side [data-act=confirm]").click()
    assert sent.value.post_data_json["confirm"]["shown"]["digest"] == shown
    expect(page.locator("#messages")).to_contain_text("Your change was not kept")
    expect(page.locator("#kept")).to_have_text("All of it is kept")
    assert confirmed(taking) == 0
    # Looked at again as it is now, it can be confirmed.
    page.mouse.move(5, 5)
    page.locator("#side [data-act=confirm]").click()
    expect(page.locator(".side-done")).to_be_visible()
    expect(page.locator("#kept")).to_have_text("All of it is kept")
    assert confirmed(taking) == 1


def test_a_refused_change_stops_no_other_and_none_that_waits_is_put_over_another_windows(
    page: Page, running: Served, tmp_path: Path, watch: Watch
) -> None:
    watch.expected = ("409",)
    taking, digests = draft(running, tmp_path / "card", 4)
    opened(page, running, taking)
    held: list[Route] = []
    page.route("**/changes", lambda route: route.continue_() if held else held.append(route))
    view = page.get_by_label("View", exact=True)
    for n in range(4):
        page.locator(".tile").nth(n).click()
        view.select_option("frontal")
    assert len(held) == 1
    # Meanwhile another window says something else of the first and the third.
    taking.state()
    for n in (0, 2):
        taking.say(digests[n], view="right buccal")
    held[0].continue_()
    expect(page.locator("#messages")).to_contain_text("IMG_8998.JPG: left buccal has become")
    expect(page.locator("#messages")).to_contain_text("IMG_9000.JPG: left buccal has become")
    expect(page.locator("#kept")).to_have_text("All of it is kept")
    pictures = taking.state()["pictures"]
    views = [pictures[one]["said"]["view"] for one in digests]
    assert views == ["right buccal", "frontal", "right buccal", "frontal"]
    expect(view).to_have_value("frontal")
