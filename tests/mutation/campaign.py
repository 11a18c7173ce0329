"""Mutants of a checkout, one after the other, and what the tests make of each."""

from __future__ import annotations

import difflib
import importlib
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from fnmatch import fnmatch
from pathlib import Path

from tests.mutation.covering import Covering
from tests.mutation.mutants import Mutant, choose
from tests.mutation.patching import changed_function, patch
from tests.mutation.tracing import Tracer, digest, traced_files
from tests.mutation.trial import Chosen, Collected, run

#: How much longer than without a mutant tests may take, and the seconds that starting takes.
_SLOWER, _STARTING = 4, 30
#: Longest that anything may take without a mutant (seconds).
_WITHOUT = 100_000
#: Statuses of pytest: all passed, and none was found, which is no failure of any.
_PASSED = (0, 5)
#: What a file is called while its mutant is in its place: this behind its name.
_ORIGINAL = ".original"

#: The tests that judge a mutant, and how long they take without it (seconds).
TestsFor = Callable[[Mutant], tuple[Sequence[str], float]]
#: Runs tests up to a limit in seconds; returns pytest's status, None where it was reached.
Trial = Callable[[Sequence[str], float], int | None]


@dataclass(frozen=True)
class Judged:
    """What became of a mutant.

    Parameters
    ----------
    outcome
        ``killed``, ``timeout`` or ``survived``.
    by
        The test that failed, or the exit status of a run that none is known to have ended.
    tests
        How many were to be run.
    """

    mutant: Mutant
    outcome: str
    by: str
    tests: int
    seconds: float
    diff: tuple[str, ...]

    def line(self) -> str:
        """Return it as a line of JSON."""
        return json.dumps(asdict(self))

    @classmethod
    def of_line(cls, line: str) -> Judged:
        """Return what `line` wrote."""
        row = json.loads(line)
        return cls(**{**row, "mutant": Mutant(**row["mutant"]), "diff": tuple(row["diff"])})

    def __str__(self) -> str:
        where = f"{self.mutant.path}:{self.mutant.line}"
        return "\n".join([f"{where}, {self.outcome} by {self.by}", *self.diff])


@dataclass(frozen=True)
class Campaign:
    """Mutants of a checkout, judged in a copy of it.

    Parameters
    ----------
    repository
        The checkout.
    mutated
        Patterns of the files that are mutated.
    tests
        Arguments of pytest: the tests that judge.
    seed
        Of the choice of mutants.
    looking
        Those tests that look at what was made at import; they judge what is evaluated there.
    part
        Put into the name of the results, where only a part of the rooms is mutated.
    """

    repository: Path
    mutated: tuple[str, ...]
    tests: tuple[str, ...]
    seed: int
    looking: tuple[str, ...] = ()
    part: str = ""

    @property
    def folder(self) -> Path:
        """Where everything is kept: copy, trace and results."""
        return self.repository / ".mutation"

    @property
    def tree(self) -> Path:
        """The copy."""
        return self.folder / "tree"

    @property
    def results(self) -> Path:
        """One line for each mutant that was judged."""
        return self.folder / f"results-{self.seed}{self.part}.jsonl"

    @property
    def is_begun(self) -> bool:
        """Whether the copy is there."""
        return self.tree.exists()

    def begin(self) -> None:
        """Copy the checkout as it stands; forget traces and results."""
        shutil.rmtree(self.folder, ignore_errors=True)
        self._copy(".")

    def trace(self) -> None:
        """Trace the tests that are not traced as they stand in the copy; all others are known.

        What was traced stays if this is ended: it goes on with the next file.

        Raises
        ------
        RuntimeError
            If they cannot be run.
        """
        known = traced_files(self.folder)
        files = [name for name in self._test_files() if known.get(name) != digest(self.tree / name)]
        if not files:
            return
        print(f"tracing {len(files)} files of tests", file=sys.stderr)
        tracer = Tracer(self.folder, self.tree, [str(self.tree / one) for one in self.mutated])
        log = self.folder / "trace.log"
        status = run(self.tree, files, tracer, log, _WITHOUT)
        print(log.read_text("utf-8")[-300:], file=sys.stderr)
        # A test that fails judges nothing, and the others do all the same.
        if status not in (0, 1):
            raise RuntimeError(f"the tests were not traced, status {status}: {log}")

    def _test_files(self) -> list[str]:
        """Return the files that the arguments of pytest name."""
        left_out = [one.partition("=")[2] for one in self.tests if one.startswith("--ignore-glob")]
        found: list[str] = []
        for one in self.tests:
            path = self.tree / one
            files = sorted(path.rglob("test_*.py")) if path.is_dir() else [path]
            names = (file.relative_to(self.tree).as_posix() for file in files if file.is_file())
            found += [n for n in names if not any(fnmatch(n, pattern) for pattern in left_out)]
        return found

    def judged(self) -> list[Judged]:
        """Return what was judged so far."""
        if not self.results.exists():
            return []
        return [Judged.of_line(line) for line in self.results.read_text("utf-8").splitlines()]

    def judge(self, count: int, budget: float) -> None:
        """Judge this many mutants, those apart that were judged before.

        Parameters
        ----------
        budget
            Longest that the tests of one may take, in seconds of the trace.
        """
        self._take_out()
        self._copy("tests")
        self.trace()
        paths = {path for one in self.mutated for path in self.tree.glob(one)}
        names = sorted(path.relative_to(self.tree).as_posix() for path in paths)
        done = {one.mutant for one in self.judged()}
        mutants = [m for m in choose(self.tree, names, self.seed, count) if m not in done]

        def note(one: Judged) -> None:
            with self.results.open("a", encoding="utf-8") as file:
                file.write(one.line() + "\n")

        self._judge_all(mutants, self.tests, self._by_trace(budget), note)

    def retry(self, tests: Sequence[str], budget: float) -> None:
        """Judge the survivors once more, by the tests as the checkout has them now.

        Parameters
        ----------
        tests
            Files of tests, or single ones, that are to judge each survivor; where none is named,
            those that changed are traced, and those that reach it judge.

        Raises
        ------
        RuntimeError
            If these tests fail without a mutant.
        """
        self._take_out()
        self._copy("tests")
        if tests:
            begun = time.monotonic()
            if self._run(tests, _WITHOUT) != 0:
                raise RuntimeError(f"these tests fail without a mutant: {self.folder / 'log'}")
            seconds = time.monotonic() - begun
        else:
            self.trace()
        tests_for = (lambda _: (tests, seconds)) if tests else self._by_trace(budget)
        words = dict.fromkeys(test.partition("::")[0] for test in tests) or self.tests

        def note(one: Judged) -> None:
            judged = [one if one.mutant == old.mutant else old for old in self.judged()]
            whole = self.results.with_suffix(".part")
            whole.write_text("".join(each.line() + "\n" for each in judged), "utf-8")
            whole.replace(self.results)

        survivors = [one.mutant for one in self.judged() if one.outcome == "survived"]
        self._judge_all(survivors, tuple(words), tests_for, note)

    def _by_trace(self, budget: float) -> TestsFor:
        covering = Covering.read(self.folder, self.tree)

        def tests_for(mutant: Mutant) -> tuple[Sequence[str], float]:
            text = (self.tree / mutant.path).read_text("utf-8")
            tests = covering.tests(mutant.path, text, mutant.line, budget)
            seconds = sum(map(covering.seconds.__getitem__, tests))
            return tests if self._function(mutant) else [*tests, *self.looking], seconds

        return tests_for

    def _judge_all(
        self,
        mutants: Sequence[Mutant],
        words: Sequence[str],
        tests_for: TestsFor,
        note: Callable[[Judged], None],
    ) -> None:
        """Judge mutants: one inside a function in a fork of a process that is ready to test it.

        What Python evaluates at import needs a process that has imported nothing yet.
        """
        functions = {mutant: self._function(mutant) for mutant in mutants}
        with os.fdopen(os.dup(2), "w", encoding="utf-8") as progress:

            def judge(mutant: Mutant, trial: Trial) -> None:
                found = self._judge(mutant, *tests_for(mutant), trial)
                note(found)
                print(str(found).partition("\n")[0], file=progress, flush=True)

            def inside(collected: Collected) -> None:
                for mutant, function in functions.items():
                    if function is not None:
                        judge(mutant, self._patched(collected, mutant, function))

            if any(functions.values()):
                log = self.folder / "collected.log"
                status = run(self.tree, [*words], Collected(inside, self._failed), log, _WITHOUT)
                if status != 0:
                    raise RuntimeError(f"the tests were not collected, status {status}: {log}")
            for mutant, function in functions.items():
                if function is None:
                    judge(mutant, self._run)

    def _judge(self, mutant: Mutant, tests: Sequence[str], seconds: float, trial: Trial) -> Judged:
        """Put a mutant in, run tests that take so long without it, take it out.

        Tests that do not end are run without the mutant to see how long they take just now, and
        are given a multiple of that: a machine that is busy kills nothing. Nor does a test that
        fails just as well without the mutant; then the others judge.

        Raises
        ------
        RuntimeError
            If that test is not named by itself.
        """

        def attempt(tests: Sequence[str], limit: float) -> int | None:
            self._failed.unlink(missing_ok=True)
            return trial(tests, limit)

        begun = time.monotonic()
        status: int | None = 0
        by = "none"
        for again in (False, True) if tests else ():
            if again:
                before = time.monotonic()
                attempt(tests, _WITHOUT)
                seconds = time.monotonic() - before
            with self._in_place(mutant):
                status = attempt(tests, _STARTING + _SLOWER * seconds)
            by = self._failed.read_text("utf-8") if self._failed.exists() else f"status {status}"
            if status is not None:
                break
        outcome = "timeout" if status is None else "survived" if status in _PASSED else "killed"
        if "::" in by and attempt([by], _WITHOUT) not in _PASSED:
            others = [test for test in tests if test != by]
            if len(others) == len(tests):
                raise RuntimeError(f"{by} fails without a mutant too")
            # It judges nothing now, be it that the machine is too busy; the others do.
            return self._judge(mutant, others, seconds, trial)
        text = (self.tree / mutant.path).read_text("utf-8")
        lines = text.splitlines(), mutant.applied(text).splitlines()
        diff = tuple(difflib.unified_diff(*lines, lineterm="", n=0))[3:]
        spent = round(time.monotonic() - begun, 1)
        return Judged(mutant, outcome, by, len(tests), spent, diff)

    @contextmanager
    def _in_place(self, mutant: Mutant) -> Iterator[None]:
        file = self.tree / mutant.path
        changed = mutant.applied(file.read_text("utf-8"))
        try:
            file.replace(f"{file}{_ORIGINAL}")
            file.write_text(changed, "utf-8")
            yield
        finally:
            self._take_out()

    def _take_out(self) -> None:
        """Take out the mutant that is in, if one is; a run that was killed may have left it."""
        for original in self.tree.rglob(f"*{_ORIGINAL}"):
            original.replace(original.with_suffix(""))

    def _function(self, mutant: Mutant) -> tuple[str, ...] | None:
        text = (self.tree / mutant.path).read_text("utf-8")
        return changed_function(text, mutant.applied(text))

    def _patched(self, collected: Collected, mutant: Mutant, function: tuple[str, ...]) -> Trial:
        """Run tests in a fork whose module has the code that its file has now."""
        name = mutant.path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")

        def as_it_stands() -> None:
            text = (self.tree / mutant.path).read_text("utf-8")
            assert patch(importlib.import_module(name), text, function), mutant

        return lambda tests, limit: collected.run(tests, limit, as_it_stands)

    @property
    def _failed(self) -> Path:
        """Where the name of the test that failed first is noted."""
        return self.folder / "failed"

    def _run(self, tests: Sequence[str], limit: float) -> int | None:
        """Run tests in a process that has imported nothing of the project yet."""
        names = list(dict.fromkeys(test.partition("::")[0] for test in tests))
        log = self.folder / "log"
        return run(self.tree, ["-x", *names], Chosen(tests, self._failed), log, limit)

    def _copy(self, below: str) -> None:
        """Copy what git knows of a folder of the checkout, as it stands."""
        listed = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard", below]
        names = subprocess.run(listed, cwd=self.repository, capture_output=True, check=True)
        for name in filter(None, os.fsdecode(names.stdout).split("\0")):
            if (self.repository / name).is_file():
                (self.tree / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(self.repository / name, self.tree / name)
