"""The command that counts surviving mutants, on a package of one module."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.mutation.campaign import Campaign, Judged
from tests.mutation.covering import Covering
from tests.mutation.mutants import Mutant
from tests.mutation.tracing import traced_files

REPOSITORY = Path(__file__).resolve().parents[2]
SUMS = """\
LIMIT = 2


class Till:
    def __init__(self, coins):
        self.coins = coins

    @property
    def is_full(self):
        return self.coins > LIMIT


def change():
    return 3 + 4
"""
TESTS = """\
from sums.adding import Till


def test_a_till_is_full_beyond_its_limit():
    assert [Till(n).is_full for n in (1, 2, 3, 4)] == [False, False, True, True]
"""
MORE = """\
from sums.adding import change


def test_change():
    assert change() == 7
"""
RUN = """\
import sys
from pathlib import Path
from tests.mutation.campaign import Campaign
one = Campaign(Path(sys.argv[1]), ("sums/*.py",), ("tests",), 1)
"""


@pytest.fixture(scope="module")
def checkout(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("checkout")
    files = {"sums/__init__.py": "", "sums/adding.py": SUMS}
    files |= {"tests/__init__.py": "", "tests/test_adding.py": TESTS, ".gitignore": "/.mutation/\n"}
    for name, text in files.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(text)
    subprocess.run(["git", "init", "-q"], cwd=folder, check=True)
    return folder


def call(folder: Path, what: str) -> None:
    command = [sys.executable, "-c", RUN + what, str(folder)]
    done = subprocess.run(command, cwd=REPOSITORY, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def outcomes(folder: Path) -> dict[str, set[str]]:
    """The outcomes of all mutants of a line."""
    found: dict[str, set[str]] = {}
    for line in results(folder).splitlines():
        one = Judged.of_line(line)
        assert one.line() == line
        text = SUMS.splitlines()[one.mutant.line - 1].strip()
        found.setdefault(text, set()).add(one.outcome)
    return found


def results(folder: Path) -> str:
    return (folder / ".mutation" / "results-1.jsonl").read_text()


def test_a_campaign_from_nothing_to_no_survivor(checkout: Path) -> None:
    call(checkout, "one.begin(); one.judge(3, 60)")
    begun = results(checkout)
    assert len(begun.splitlines()) == 3

    # Ended in the middle of a mutant, it takes that out and goes on with the next.
    module = checkout / ".mutation" / "tree" / "sums" / "adding.py"
    module.rename(f"{module}.original")
    module.write_text("raise ValueError")
    call(checkout, "one.judge(99, 60)")
    assert results(checkout).startswith(begun)
    assert module.read_text() == SUMS
    assert outcomes(checkout) == {
        "LIMIT = 2": {"killed"},
        "@property": {"killed"},
        "return self.coins > LIMIT": {"killed"},
        "return 3 + 4": {"survived"},
    }

    (checkout / "tests" / "test_change.py").write_text(MORE)
    call(checkout, 'one.retry(["tests/test_change.py"], 60)')
    assert outcomes(checkout)["return 3 + 4"] == {"killed"}
    assert len(outcomes(checkout)) == 4 and module.read_text() == SUMS


def test_only_files_of_tests_that_changed_are_traced_again(checkout: Path) -> None:
    call(checkout, "one.begin(); one.trace()")
    folder = checkout / ".mutation"
    assert "tests/test_adding.py" in traced_files(folder)
    call(checkout, "one.trace()")
    assert len(list(folder.glob("lines-*.sqlite"))) == 1

    (folder / "tree" / "tests" / "test_change.py").write_text(f"{MORE}\n# changed\n")
    call(checkout, "one.trace()")
    assert len(list(folder.glob("lines-*.sqlite"))) == 2
    covering = Covering.read(folder, folder / "tree")
    tests = {test for some in covering.lines["sums/adding.py"].values() for test in some}
    assert {test.partition("::")[2] for test in tests} == set(
        re.findall(r"def (\w+)", TESTS + MORE)
    )
    assert set(covering.seconds) == tests


MUTANT = Mutant("sums.py", 1, 6, "core/NumberReplacer", 0)


@pytest.mark.parametrize(
    ("statuses", "outcome"),
    [
        ([0], "survived"),
        ([5], "survived"),
        ([1], "killed"),
        ([2], "killed"),
        ([-11], "killed"),
        ([None, 0, 0], "survived"),
        ([None, 0, 1], "killed"),
        ([None, 0, None], "timeout"),
    ],
)
def test_what_takes_too_long_is_tried_once_more_against_what_it_takes_without_the_mutant(
    tmp_path: Path, statuses: list[int | None], outcome: str
) -> None:
    campaign = Campaign(tmp_path, (), (), 1)
    campaign.tree.mkdir(parents=True)
    file = campaign.tree / "sums.py"
    file.write_text("top = 1\n")
    seen: list[str] = []
    left = list(statuses)

    def trial(tests: Sequence[str], limit: float) -> int | None:
        assert tests == ["one"]
        seen.append(file.read_text())
        return left.pop(0)

    judged = campaign._judge(MUTANT, ["one"], 0.5, trial)
    assert judged.outcome == outcome and judged.diff == ("-top = 1", "+top = 2")
    assert seen == ["top = 2\n", "top = 1\n", "top = 2\n"][: len(statuses)]
    assert not left and file.read_text() == "top = 1\n"


def test_a_mutant_that_no_test_reaches_survives(tmp_path: Path) -> None:
    campaign = Campaign(tmp_path, (), (), 1)
    campaign.tree.mkdir(parents=True)
    (campaign.tree / "sums.py").write_text("top = 1\n")

    def trial(tests: Sequence[str], limit: float) -> int | None:
        raise AssertionError

    assert campaign._judge(MUTANT, [], 0, trial).outcome == "survived"
