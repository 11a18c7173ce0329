"""Every page in a real browser: no complaint, nothing serious for axe-core, light and dark."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page
from web_serving import DESK, TABLET, Served, Watch, serious

PAGES = ("/", "/take-in", "/find", "/compare", "/record", "/server", "/nothing-here")


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, TABLET], ids=["desk", "tablet"])
def test_axe_finds_nothing_serious(
    page: Page, served: Served, watch: Watch, theme: str, size: dict[str, int]
) -> None:
    page.set_viewport_size(size)
    page.emulate_media(color_scheme=theme)
    watch.expected = ("404",)
    for path in PAGES:
        page.goto(served.url + path)
        assert not serious(page), path
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= size["width"], path
