"""What tests of several rooms need."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, sync_playwright


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium; the only one of a process, as Playwright's loop can run but once."""
    program = shutil.which("chromium")
    assert program, "chromium is missing; tests/run installs it"
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield running
        running.close()
