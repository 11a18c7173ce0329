"""A pytest plugin: which test runs which line, and how long it takes.

Lines that a fixture of more than one test runs count for every test that uses it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import coverage
import pytest

#: What stands before the name of a fixture in the contexts of the measurement.
FIXTURE = "fixture:"


class Tracer:
    """Writes `lines.sqlite` and `tests.json` into a folder.

    Parameters
    ----------
    folder
        Where both files go.
    sources
        Patterns of the files whose lines are followed.
    """

    def __init__(self, folder: Path, sources: list[str]) -> None:
        self._folder = folder
        self._measured = coverage.Coverage(
            data_file=str(folder / "lines.sqlite"), include=sources, config_file=False
        )
        self._measured.start()
        self._context = ""
        self._tests: dict[str, dict[str, Any]] = {}

    def _switch(self, context: str) -> str:
        before, self._context = self._context, context
        self._measured.switch_context(context)
        return before

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self._switch(item.nodeid)
        try:
            return (yield)
        finally:
            self._switch("")

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef[Any]) -> Iterator[None]:
        shared = fixturedef.scope != "function"
        before = self._switch(FIXTURE + fixturedef.argname) if shared else self._context
        try:
            return (yield)
        finally:
            if shared:
                self._switch(before)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(self, item: pytest.Item) -> Iterator[None]:
        report = yield
        known = self._tests.setdefault(
            item.nodeid,
            {"seconds": 0.0, "passed": True, "fixtures": list(getattr(item, "fixturenames", ()))},
        )
        known["seconds"] += report.duration
        known["passed"] = known["passed"] and report.passed
        return report

    def pytest_sessionfinish(self) -> None:
        self._measured.stop()
        self._measured.save()
        (self._folder / "tests.json").write_text(json.dumps(self._tests), "utf-8")
