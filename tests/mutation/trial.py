"""Running pytest over another copy of the checkout, in forks: one of all, or of single tests."""

from __future__ import annotations

import importlib
import os
import shutil
import signal
import sys
import time
import traceback
from collections.abc import Callable, Sequence
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
_BROKEN, _ENDED = 70, 2
#: How long what is to end may take about it (seconds).
_LAST = 5.0
_TEMPORARY = "temporary"


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


class Collected:
    """A pytest plugin: where the tests were to run, does other work, which tries some of them.

    Parameters
    ----------
    work
        Is handed this plugin once all tests are collected.
    note
        File for the name of the test that failed.
    """

    def __init__(self, work: Callable[[Collected], None], note: Path) -> None:
        self._work = work
        self._note = note

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        self._session = session
        signal.signal(signal.SIGTERM, lambda *_: sys.exit(_ENDED))
        self._work(self)
        return True

    def run(
        self, tests: Sequence[str], limit: float, before: Callable[[], object] = lambda: None
    ) -> int | None:
        """Run tests in a fork up to the first that fails; return 0 or 1, None at the limit.

        Parameters
        ----------
        before
            Called in the fork, before any test.
        """
        folder = self._note.parent / _TEMPORARY
        status = _forked(lambda: self._some(tests, before), limit, folder)
        if status == _BROKEN:
            raise RuntimeError("the tests were not run")
        return status

    def _some(self, tests: Sequence[str], before: Callable[[], object]) -> int:
        chosen = Chosen(tests, self._note)
        items = list(self._session.items)
        chosen.pytest_collection_modifyitems(items)
        self._session.config.pluginmanager.register(chosen)
        before()
        try:
            for item, following in zip(items, [*items[1:], None], strict=True):
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
                if self._note.exists():
                    return 1
        except BaseException:
            # A mutant may raise what pytest takes for its own.
            traceback.print_exc()
            return _ENDED
        return 0


def load_libraries() -> None:
    """Import what forks are to have already; nothing of the project."""
    for name in _LIBRARIES:
        importlib.import_module(name)


def run(tree: Path, words: list[str], plugin: Any, log: Path, limit: float) -> int | None:
    """Run pytest in a tree; return its exit status, None where it was ended at the limit.

    Raises
    ------
    RuntimeError
        If pytest did not get as far as having one.
    """
    folder = log.parent / _TEMPORARY
    status = _forked(lambda: _pytest(tree, words, plugin, log), limit, folder)
    if status == _BROKEN:
        raise RuntimeError(f"pytest did not run: {log}")
    return status


def _forked(work: Callable[[], int], limit: float, temporary: Path) -> int | None:
    """Return what work in a fork returns, None where it was ended at the limit.

    The fork has a folder of its own for temporary files: what a mutant leaves there, be it a
    mounted disk, is in the way of no other.
    """
    child = os.fork()
    if not child:
        status = _BROKEN
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        try:
            os.setpgid(0, 0)
            own = temporary / str(os.getpid())
            own.mkdir(parents=True, exist_ok=True)
            os.environ["PYTEST_DEBUG_TEMPROOT"] = str(own)
            status = work()
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            os._exit(status)
    try:
        return _waited_for(child, limit)
    finally:
        # Whatever the tests started ends with them.
        with suppress(ProcessLookupError):
            os.killpg(child, signal.SIGKILL)
        shutil.rmtree(temporary / str(child), ignore_errors=True)


def _waited_for(child: int, limit: float) -> int | None:
    end = time.monotonic() + limit
    try:
        while time.monotonic() < end:
            pid, status = os.waitpid(child, os.WNOHANG)
            if pid:
                return os.waitstatus_to_exitcode(status)
            time.sleep(0.01)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    except SystemExit:
        # It may have forks of its own, and ends them when it is told to end.
        os.kill(child, signal.SIGTERM)
        end = time.monotonic() + _LAST
        while time.monotonic() < end and not os.waitpid(child, os.WNOHANG)[0]:
            time.sleep(0.01)
        raise
    return None


def _pytest(tree: Path, words: list[str], plugin: Any, log: Path) -> int:
    with log.open("wb") as file:
        os.dup2(file.fileno(), 1)
        os.dup2(file.fileno(), 2)
    os.chdir(tree)
    os.environ["PYTHONPATH"] = sys.path[0] = str(tree)
    for name in [name for name in sys.modules if name.partition(".")[0] == "tests"]:
        del sys.modules[name]
    plain = ["-q", "--tb=short", "-p", "no:cacheprovider", "-p", "no:xdist"]
    # Forks would share the files that pytest catches output in.
    plain += ["--capture=sys", "-W", "ignore::pytest.PytestAssertRewriteWarning"]
    return int(pytest.main([*plain, *words], plugins=[plugin]))
