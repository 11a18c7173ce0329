"""Which tests can notice a change of a line."""

from __future__ import annotations

import ast
import json
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

from coverage import CoverageData

from tests.mutation.tracing import FIXTURE, LINES


@dataclass(frozen=True)
class Covering:
    """What the trace knows.

    Parameters
    ----------
    seconds
        How long each test takes; only tests that passed.
    lines
        The tests that run a line, by file and line.
    """

    seconds: dict[str, float]
    lines: dict[str, dict[int, set[str]]]

    @classmethod
    def read(cls, folder: Path, tree: Path) -> Covering:
        """Read what `Tracer` wrote."""
        told = json.loads((folder / "tests.json").read_text("utf-8"))
        tests = {name: one for name, one in told.items() if one["passed"]}
        users = defaultdict(set)
        for name, one in tests.items():
            for fixture in one["fixtures"]:
                users[FIXTURE + fixture].add(name)
            users[name].add(name)
        lines: dict[str, dict[int, set[str]]] = {}
        for measured in sorted(folder.glob(LINES.format("*"))):
            data = CoverageData(str(measured))
            data.read()
            for file in data.measured_files():
                by_line = lines.setdefault(Path(file).relative_to(tree).as_posix(), {})
                for line, contexts in data.contexts_by_lineno(file).items():
                    reached = by_line.setdefault(line, set())
                    reached.update(*(users[context] for context in contexts))
        return cls({name: one["seconds"] for name, one in tests.items()}, lines)

    def tests(self, path: str, text: str, line: int, budget: float) -> list[str]:
        """Return the tests for a change, the quickest first, of no more seconds than the budget.

        First those that run the statement, then those that run any of the file: what is worked
        out at import or once for all is not run again by every test that depends on it.
        """
        known = self.lines.get(path, {})
        of_line = set().union(*(known.get(n, set()) for n in _statement(text, line)))
        of_file = set().union(*known.values()) - of_line
        chosen: list[str] = []
        for tests in (of_line, of_file):
            for test in sorted(tests, key=self.seconds.__getitem__):
                budget -= self.seconds[test]
                if budget < 0 and chosen:
                    break
                chosen.append(test)
        return self._by_file(chosen)

    def _by_file(self, tests: list[str]) -> list[str]:
        """Keep those of a file together, since they share fixtures; the quickest file first."""
        files: dict[str, list[str]] = {}
        for test in tests:
            files.setdefault(test.partition("::")[0], []).append(test)
        quickest = sorted(files.values(), key=lambda some: sum(map(self.seconds.get, some)))  # type: ignore[arg-type]
        return [test for some in quickest for test in some]


def _statement(text: str, line: int) -> range:
    """Return the lines of the statement at a line; of one that holds others, those of its head."""
    found = range(line, line + 1)
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.stmt):
            continue
        body = getattr(node, "body", None)
        last = body[0].lineno - 1 if body else node.end_lineno
        if node.lineno <= line <= max(last or 0, node.lineno):
            found = range(node.lineno, max(last or 0, node.lineno) + 1)
    return found
