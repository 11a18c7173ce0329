"""Mutants of a checkout, one after the other, and what the tests make of each."""

from __future__ import annotations

import difflib
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.mutation.covering import Covering
from tests.mutation.mutants import Mutant, choose
from tests.mutation.tracing import Tracer
from tests.mutation.trial import Chosen, run

#: How much longer than without a mutant tests may take, and the seconds that starting takes.
_SLOWER, _STARTING = 4, 30
#: Longest that tests without a mutant may take (seconds).
_WITHOUT = 7200
#: Statuses of pytest: all passed, and none was found, which is no failure of any.
_PASSED = (0, 5)
#: What a file is called while its mutant is in its place: this behind its name.
_ORIGINAL = ".original"


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
    """

    repository: Path
    mutated: tuple[str, ...]
    tests: tuple[str, ...]
    seed: int

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
        return self.folder / f"results-{self.seed}.jsonl"

    @property
    def is_traced(self) -> bool:
        """Whether copy and trace are there."""
        return (self.folder / "tests.json").exists()

    def begin(self) -> None:
        """Copy the checkout as it stands, and trace its tests there; forget all results."""
        shutil.rmtree(self.folder, ignore_errors=True)
        self._copy(".")
        self.trace()

    def trace(self) -> None:
        """Run all tests once, and note which lines each of them reaches.

        Raises
        ------
        RuntimeError
            If pytest did not get as far as running tests.
        """
        print("tracing the tests, once", file=sys.stderr)
        tracer = Tracer(self.folder, [str(self.tree / pattern) for pattern in self.mutated])
        log = self.folder / "trace.log"
        status = run(self.tree, list(self.tests), tracer, log, _WITHOUT)
        print(log.read_text("utf-8")[-300:], file=sys.stderr)
        # A test that fails judges nothing, and the others do all the same.
        if status not in (0, 1):
            raise RuntimeError(f"the tests were not traced, status {status}: {log}")

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
        paths = {path for one in self.mutated for path in self.tree.glob(one)}
        names = sorted(path.relative_to(self.tree).as_posix() for path in paths)
        done = {one.mutant for one in self.judged()}
        covering = Covering.read(self.folder, self.tree)
        for number, mutant in enumerate(choose(self.tree, names, self.seed, count), start=1):
            if mutant in done:
                continue
            found = self._judge(mutant, *self._tests_for(mutant, covering, budget))
            with self.results.open("a", encoding="utf-8") as file:
                file.write(found.line() + "\n")
            print(f"{number} {str(found).partition(chr(10))[0]}", file=sys.stderr)

    def retry(self, tests: Sequence[str], budget: float) -> None:
        """Judge the survivors once more, by the tests as the checkout has them now.

        Parameters
        ----------
        tests
            Files of tests, or single ones, that are to judge each survivor; where none is named,
            all are traced anew, and those that reach it judge.

        Raises
        ------
        RuntimeError
            If these tests fail without a mutant.
        """
        self._take_out()
        self._copy("tests")
        if tests:
            named = list(tests)
            status, seconds = self._without_mutant(named)
            if status != 0:
                raise RuntimeError(f"these tests fail without a mutant: {self.folder / 'log'}")
        else:
            self.trace()
            covering = Covering.read(self.folder, self.tree)
        judged = self.judged()
        for place, one in enumerate(judged):
            if one.outcome != "survived":
                continue
            if not tests:
                named, seconds = self._tests_for(one.mutant, covering, budget)
            judged[place] = self._judge(one.mutant, named, seconds)
            print(str(judged[place]).partition("\n")[0], file=sys.stderr)
            whole = self.results.with_suffix(".part")
            whole.write_text("".join(one.line() + "\n" for one in judged), "utf-8")
            whole.replace(self.results)

    def _tests_for(
        self, mutant: Mutant, covering: Covering, budget: float
    ) -> tuple[list[str], float]:
        text = (self.tree / mutant.path).read_text("utf-8")
        tests = covering.tests(mutant.path, text, mutant.line, budget)
        return tests, sum(map(covering.seconds.__getitem__, tests))

    def _judge(self, mutant: Mutant, tests: list[str], seconds: float) -> Judged:
        """Put a mutant in, run tests that take so long without it, take it out.

        Tests that do not end are run without the mutant to see how long they take just now, and
        are given a multiple of that: a machine that is busy kills nothing.
        """
        file = self.tree / mutant.path
        text = file.read_text("utf-8")
        changed = mutant.applied(text)
        begun = time.monotonic()
        status: int | None = 0
        by = "none"
        for again in (False, True) if tests else ():
            if again:
                _, seconds = self._without_mutant(tests)
            try:
                file.replace(f"{file}{_ORIGINAL}")
                file.write_text(changed, "utf-8")
                status, by = self._run(tests, _STARTING + _SLOWER * seconds)
            finally:
                self._take_out()
            if status is not None:
                break
        outcome = "timeout" if status is None else "survived" if status in _PASSED else "killed"
        diff = difflib.unified_diff(text.splitlines(), changed.splitlines(), lineterm="", n=0)
        spent = round(time.monotonic() - begun, 1)
        return Judged(mutant, outcome, by, len(tests), spent, tuple(diff)[3:])

    def _take_out(self) -> None:
        """Take out the mutant that is in, if one is; a run that was killed may have left it."""
        for original in self.tree.rglob(f"*{_ORIGINAL}"):
            original.replace(original.with_suffix(""))

    def _without_mutant(self, tests: list[str]) -> tuple[int | None, float]:
        begun = time.monotonic()
        status, _ = self._run(tests, _WITHOUT)
        return status, time.monotonic() - begun

    def _run(self, tests: list[str], limit: float) -> tuple[int | None, str]:
        """Run tests; return pytest's status and the test that failed first."""
        note = self.folder / "failed"
        note.unlink(missing_ok=True)
        names = list(dict.fromkeys(test.partition("::")[0] for test in tests))
        status = run(self.tree, ["-x", *names], Chosen(tests, note), self.folder / "log", limit)
        return status, note.read_text("utf-8") if note.exists() else f"status {status}"

    def _copy(self, below: str) -> None:
        """Copy what git knows of a folder of the checkout, as it stands."""
        listed = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard", below]
        names = subprocess.run(listed, cwd=self.repository, capture_output=True, check=True)
        for name in filter(None, os.fsdecode(names.stdout).split("\0")):
            if (self.repository / name).is_file():
                (self.tree / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(self.repository / name, self.tree / name)
