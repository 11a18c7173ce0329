"""Running pytest over another copy of the checkout, in a fork that has its libraries loaded."""

from __future__ import annotations

import importlib
import os
import signal
import sys
import time
import traceback
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

#: Libraries whose loading takes longer than many a test.
_LIBRARIES = (
    "numpy",
    "pydicom",
    "PIL.Image",
    "sqlalchemy",
    "httpx",
    "hypothesis",
    "playwright.sync_api",
)
_BROKEN = 70


class Chosen:
    """A pytest plugin: runs these tests only, in this order, and notes the first that failed.

    Parameters
    ----------
    tests
        Single ones, or files, which mean all of theirs.
    note
        File for the name of the one that failed.
    """

    def __init__(self, tests: Sequence[str], note: Path) -> None:
        self._rank = {test: n for n, test in enumerate(tests)}
        self._note = note

    def rank(self, name: str) -> int | None:
        """Return the place of a test in the order, None where it is not to run."""
        return self._rank.get(name, self._rank.get(name.partition("::")[0]))

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        ranks = {item: self.rank(item.nodeid) for item in items}
        items[:] = [item for item in items if ranks[item] is not None]
        items.sort(key=lambda item: ranks[item] or 0)

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        self._fail(report)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._fail(report)

    def _fail(self, report: pytest.CollectReport | pytest.TestReport) -> None:
        if report.failed and not self._note.exists():
            self._note.write_text(report.nodeid, "utf-8")


def load_libraries() -> None:
    """Import what forks are to have already; nothing of the project."""
    for name in _LIBRARIES:
        importlib.import_module(name)


def run(tree: Path, words: list[str], plugin: Any, log: Path, limit: float) -> int | None:
    """Run pytest in a tree; return its exit status, None where it was ended at the limit."""
    child = os.fork()
    if not child:
        status = _BROKEN
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        try:
            status = _pytest(tree, words, plugin, log)
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            os._exit(status)
    end = time.monotonic() + limit
    try:
        while time.monotonic() < end:
            pid, status = os.waitpid(child, os.WNOHANG)
            if pid:
                code = os.waitstatus_to_exitcode(status)
                if code == _BROKEN:
                    raise RuntimeError(f"pytest did not run: {log}")
                return code
            time.sleep(0.02)
    finally:
        # Whatever the tests started ends with them.
        _end(child)
    os.waitpid(child, 0)
    return None


def _end(group: int) -> None:
    with suppress(ProcessLookupError):
        os.killpg(group, signal.SIGKILL)


def _pytest(tree: Path, words: list[str], plugin: Any, log: Path) -> int:
    os.setpgid(0, 0)
    with log.open("wb") as file:
        os.dup2(file.fileno(), 1)
        os.dup2(file.fileno(), 2)
    os.chdir(tree)
    os.environ["PYTHONPATH"] = sys.path[0] = str(tree)
    for name in [name for name in sys.modules if name.partition(".")[0] == "tests"]:
        del sys.modules[name]
    plain = ["-q", "--tb=short", "-p", "no:cacheprovider", "-p", "no:xdist"]
    plain += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
    return int(pytest.main([*plain, *words], plugins=[plugin]))
