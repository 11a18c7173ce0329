"""Fixtures: the demo studies served to a real browser. See `web_serving`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import wraps
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, Page, expect
from web_serving import DESK, Served, Watch, copy_of, demo_archive, serve

#: Milliseconds that a busy machine may take to show what is waited for.
PATIENCE = 120_000
expect.set_options(timeout=PATIENCE)

#: What of a locator acts on the page.
_ACTS = ("check", "click", "fill", "focus", "press", "select_option", "set_input_files", "tap")


def _once_parsed(act: Callable[..., Any]) -> Callable[..., Any]:
    @wraps(act)
    def acting(locator: Locator, *given: Any, **named: Any) -> Any:
        # A page's modules run before this; a person sees nothing to act on until then, as they
        # hold up rendering, while a locator finds what is not painted yet.
        locator.page.wait_for_load_state("domcontentloaded")
        return act(locator, *given, **named)

    return acting


for _act in _ACTS:
    setattr(Locator, _act, _once_parsed(getattr(Locator, _act)))


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo studies in an archive; not to be changed: use `archive`."""
    return demo_archive(tmp_path_factory.mktemp("demo") / "archive")


@pytest.fixture
def archive(demo: Path, tmp_path: Path) -> Path:
    """An archive of the demo studies of the test's own."""
    return copy_of(demo, tmp_path / "archive")


@pytest.fixture(scope="module")
def served(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The demo studies served on this machine; one server a test module."""
    running = serve(copy_of(demo, tmp_path_factory.mktemp("served") / "archive"))
    yield running
    if running.process.poll() is None:
        assert running.stop() == 0, running.errors


@pytest.fixture
def start(request: pytest.FixtureRequest) -> Iterator[Callable[..., Served]]:
    """Start servers that end with the test: ``start(archive, port=..., settings=...)``."""
    running: list[Served] = []

    def begin(archive: Path, *words: str, port: int = 0, settings: Path | None = None) -> Served:
        running.append(serve(archive, *words, port=port, settings=settings))
        return running[-1]

    yield begin
    for one in running:
        if one.process.poll() is None:
            one.kill()


@pytest.fixture
def watch() -> Watch:
    """What the browser complains about; a test may set `expected`."""
    return Watch()


@pytest.fixture
def page(browser: Browser, watch: Watch) -> Iterator[Page]:
    """A page of a fresh browser context; any complaint in its console fails the test."""
    context = browser.new_context(viewport=DESK)
    context.set_default_timeout(PATIENCE)
    watch.attach(context)
    yield context.new_page()
    context.close()
    assert not watch.unexpected(), watch.unexpected()
