"""A pytest plugin: which test runs which line, and how long it takes.

Lines that a fixture of more than one test runs count for every test that uses it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import coverage
import pytest

#: What stands before the name of a fixture in the contexts of the measurement.
FIXTURE = "fixture:"
#: Lines that a run of this number followed; every test that was ever run, with its time; files of
#: tests that were traced, with their digests.
LINES, TESTS, _TRACED = "lines-{}.sqlite", "tests.json", "traced.json"


class Tracer:
    """Writes into a folder which lines tests run; what a file of tests did is kept at its end.

    Parameters
    ----------
    folder
        Where the files go.
    tree
        In which the tests are.
    sources
        Patterns of the files whose lines are followed.
    """

    def __init__(self, folder: Path, tree: Path, sources: list[str]) -> None:
        self._folder = folder
        self._tree = tree
        number = len(list(folder.glob(LINES.format("*"))))
        self._measured = coverage.Coverage(
            data_file=str(folder / LINES.format(number)), include=sources, config_file=False
        )
        self._measured.start()
        self._context = ""
        self._tests: dict[str, dict[str, Any]] = {}

    def _switch(self, context: str) -> str:
        before, self._context = self._context, context
        self._measured.switch_context(context)
        return before

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(
        self, item: pytest.Item, nextitem: pytest.Item | None
    ) -> Iterator[None]:
        self._switch(item.nodeid)
        try:
            return (yield)
        finally:
            self._switch("")
            if nextitem is None or nextitem.path != item.path:
                self._keep(item.path)

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

    def _keep(self, file: Path) -> None:
        """Keep what is known of a file of tests whose last test has been run."""
        self._measured.save()
        name = file.relative_to(self._tree).as_posix()
        known = read_json(self._folder / TESTS)
        kept = {test: one for test, one in known.items() if test.partition("::")[0] != name}
        (self._folder / TESTS).write_text(json.dumps({**kept, **self._tests}), "utf-8")
        self._tests = {}
        traced = {**traced_files(self._folder), name: digest(file)}
        (self._folder / _TRACED).write_text(json.dumps(traced), "utf-8")

    def pytest_sessionfinish(self) -> None:
        self._measured.stop()
        self._measured.save()


def read_json(file: Path) -> dict[str, Any]:
    """Return the values of a file; none where there is no file."""
    return dict(json.loads(file.read_text("utf-8"))) if file.exists() else {}


def traced_files(folder: Path) -> dict[str, str]:
    """Return the files of tests that were traced, and the digest that each had."""
    return read_json(folder / _TRACED)


def digest(file: Path) -> str:
    """Return the SHA-256 of a file."""
    return sha256(file.read_bytes()).hexdigest()
