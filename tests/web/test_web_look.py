"""Every page in a real browser: no complaint, nothing serious for axe-core, light and dark."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page
from web_serving import DESK, TABLET, Served, Watch, serious

from archiver.archive.query import Query
from archiver.archive.store.archive import Archive

PAGES = (
    "/",
    "/take-in",
    "/find",
    "/compare",
    "/record",
    "/record/audit",
    "/server",
    "/help",
    "/help/commands",
    "/nothing",
)
#: A desk's screen enlarged to 400 % (WCAG 2.2, 1.4.10).
ENLARGED = {"width": 320, "height": 640}


@pytest.fixture(scope="module")
def paths(served: Served) -> tuple[str, ...]:
    """All pages that a path leads to, those of a visit, a picture and a side among them."""
    with Archive.open(served.archive, read_only=True) as archive:
        one = archive.query(Query(confirmed=False, role="derived", limit=1))[0]
    uid, study = one.sop_instance_uid, one.study_uid
    of_one = (f"/record/visit/{study}", f"/record/side/{uid}", f"/find/picture/{uid}")
    return (*PAGES, *of_one)


@pytest.mark.parametrize(
    ("theme", "size"), [("light", DESK), ("dark", TABLET)], ids=["desk in light", "tablet in dark"]
)
def test_axe_finds_nothing_serious(
    page: Page,
    served: Served,
    paths: tuple[str, ...],
    watch: Watch,
    theme: str,
    size: dict[str, int],
) -> None:
    page.set_viewport_size(size)
    page.emulate_media(color_scheme=theme)
    watch.expected = ("/nothing",)
    for path in paths:
        page.goto(served.url + path)
        assert not serious(page), path
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= size["width"], path


def test_a_visit_is_printed_with_its_pictures_and_words_and_without_buttons(
    page: Page, served: Served, paths: tuple[str, ...]
) -> None:
    visit = next(path for path in paths if path.startswith("/record/visit/"))
    for path in (visit, "/find?tooth=iso:36"):
        page.goto(served.url + path)
        page.emulate_media(media="print")
        shown = [one for one in page.locator(".picture img").all() if one.is_visible()]
        assert shown, path
        assert page.locator(".picture .tooth").first.is_visible()
        assert page.locator(".site-foot").is_visible()  # the caution goes along
        pressed = "button, .button, input, select, nav, summary"
        assert not [one for one in page.locator(pressed).all() if one.is_visible()], path
        page.emulate_media(media="screen")


def test_an_enlarged_page_scrolls_in_one_direction(
    page: Page, served: Served, paths: tuple[str, ...], watch: Watch
) -> None:
    page.set_viewport_size(ENLARGED)
    watch.expected = ("/nothing",)
    for path in paths:
        page.goto(served.url + path)
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= ENLARGED["width"], (path, wide)


def test_on_a_telephone_no_way_and_no_column_lies_beyond_the_edge(
    page: Page, served: Served
) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    for path in ("/", "/record"):
        page.goto(served.url + path)
        ends = page.locator(".site-head nav a, .rows td").evaluate_all(
            "them => them.map((one) => one.getBoundingClientRect().right)"
        )
        assert len(ends) > 8 and max(ends) <= 390, path
    # A number stands beside its word where there is no heading above it.
    number = page.locator("td.number").first
    assert number.evaluate("one => getComputedStyle(one, '::before').content") == '"Pictures: "'


def test_every_page_has_one_heading_of_the_first_level_and_a_title(
    page: Page, served: Served, paths: tuple[str, ...], watch: Watch
) -> None:
    watch.expected = ("/nothing",)
    titles = set()
    for path in paths:
        page.goto(served.url + path)
        assert page.locator("h1").count() == 1, path
        titles.add(page.title())
    assert len(titles) == len(paths)


def test_the_page_of_a_person_who_wants_little_motion_moves_nothing(
    page: Page, served: Served
) -> None:
    page.emulate_media(reduced_motion="reduce")
    page.goto(served.url + "/find")
    moving = page.evaluate(
        "[...document.querySelectorAll('*')].filter(e => {"
        " const s = getComputedStyle(e);"
        " return parseFloat(s.animationDuration) > 0.01 || parseFloat(s.transitionDuration) > 0.01;"
        "}).map(e => e.outerHTML.slice(0, 80))"
    )
    assert not moving
