"""Which mutants are chosen, which tests judge each, and how one is brought into a module."""

from __future__ import annotations

import functools
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

from tests.mutation.covering import Covering
from tests.mutation.mutants import choose, mutants_of
from tests.mutation.patching import changed_function, patch

MODULE = '''\
from __future__ import annotations
from functools import cache, cached_property
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    Number = int | str

TOP = 1


def plain(a: int | str = 2) -> int | None:
    """Say 3."""
    return TOP + 4


class Shelf:
    @property
    def books(self) -> int:
        return 5

    @books.setter
    def books(self, n: int) -> None:
        self.n = n + 6

    @staticmethod
    def wide() -> int:
        return 7

    @classmethod
    def of(cls) -> int:
        return 8

    @cached_property
    def full(self) -> int:
        return 9

    @cache
    def dusty(self) -> int:
        def inner() -> int:
            return 10

        return inner()
'''


def test_a_choice_is_the_same_for_a_seed_and_another_for_another(tmp_path: Path) -> None:
    (tmp_path / "a.py").write_text(MODULE)
    first = choose(tmp_path, ["a.py"], 1, 6)
    assert choose(tmp_path, ["a.py"], 1, 6) == first == choose(tmp_path, ["a.py"], 1, 99)[:6]
    assert choose(tmp_path, ["a.py"], 2, 6) != first
    every = choose(tmp_path, ["a.py"], 1, 99)
    assert len({(one.line, one.column) for one in every}) == len(every) > 6


def test_nothing_is_chosen_that_no_run_could_tell(tmp_path: Path) -> None:
    """Annotations and what only type checkers see."""
    (tmp_path / "a.py").write_text(MODULE)
    lines = MODULE.splitlines()
    unseen = {n for n, line in enumerate(lines, 1) if line.startswith("    Number")}
    for seed in range(20):
        for one in choose(tmp_path, ["a.py"], seed, 99):
            assert one.line not in unseen and "Operator_BitOr" not in one.operator
    assert any(one.line in unseen for one in mutants_of("a.py", MODULE))


def test_a_mutant_changes_its_line_alone() -> None:
    for one in mutants_of("a.py", MODULE):
        if "Decorator" in one.operator:
            continue
        changed = one.applied(MODULE).splitlines()
        assert [n for n, pair in enumerate(zip(MODULE.splitlines(), changed, strict=True), 1)
                if pair[0] != pair[1]] == [one.line]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ("TOP + 4", "TOP - 4", ("plain",)),
        ("return 5", "return 0", ("Shelf", "books")),
        ("return 10", "return 0", ("Shelf", "dusty")),
        ("TOP = 1", "TOP = 0", None),
        ("= 2)", "= 0)", None),
        ("    @staticmethod\n", "", None),
        ("class Shelf:", "class Shelf(dict):", None),
    ],
)
def test_the_function_that_was_changed(old: str, new: str, place: tuple[str, ...] | None) -> None:
    assert changed_function(MODULE, MODULE.replace(old, new)) == place


@pytest.fixture
def module(tmp_path: Path) -> Iterator[ModuleType]:
    (tmp_path / "shelves.py").write_text(MODULE)
    sys.path.insert(0, str(tmp_path))
    yield __import__("shelves")
    sys.path.remove(str(tmp_path))
    del sys.modules["shelves"]


def set_books(module: ModuleType) -> int:
    shelf = module.Shelf()
    shelf.books = 0
    return int(shelf.n)


@pytest.mark.parametrize(
    ("old", "called"),
    [
        ("4", lambda m: m.plain() - 1),
        ("5", lambda m: m.Shelf().books),
        ("6", set_books),
        ("7", lambda m: m.Shelf.wide()),
        ("8", lambda m: m.Shelf.of()),
        ("9", lambda m: m.Shelf().full),
        ("10", lambda m: m.Shelf().dusty()),
    ],
)
def test_a_function_that_is_imported_already_runs_the_changed_code(
    module: ModuleType, old: str, called: object
) -> None:
    assert callable(called) and called(module) == int(old)
    changed = MODULE.replace(f"return {old}\n", "return 99\n").replace(f"+ {old}\n", "+ 99\n")
    place = changed_function(MODULE, changed)
    assert place is not None and patch(module, changed, place)
    assert called(module) == 99


def test_what_is_no_function_of_the_module_is_not_patched(module: ModuleType) -> None:
    changed = MODULE.replace("return 7", "return 99")
    module.Shelf.wide = staticmethod(functools.partial(int, 7))
    assert not patch(module, changed, ("Shelf", "wide"))
    assert not patch(module, changed, ("Shelf", "gone"))


COVERED = Covering(
    seconds={"a.py::slow": 5.0, "a.py::quick": 1.0, "b.py::other": 2.0, "b.py::far": 0.5},
    lines={"m.py": {1: {"b.py::far"}, 2: {"a.py::slow", "a.py::quick"}, 3: {"b.py::other"}}},
)
STATEMENTS = "x = 0\ny = (1,\n     2)\nif y:\n    z = 3\n"


@pytest.mark.parametrize(
    ("line", "budget", "expected"),
    [
        # Those of the statement, which ends a line later, come before all others of the file.
        (2, 60, ["b.py::other", "b.py::far", "a.py::quick", "a.py::slow"]),
        (3, 60, ["b.py::other", "b.py::far", "a.py::quick", "a.py::slow"]),
        (2, 3, ["b.py::other", "a.py::quick"]),
        (1, 1.5, ["b.py::far", "a.py::quick"]),
        (1, 0, ["b.py::far"]),
        (5, 60, ["b.py::far", "b.py::other", "a.py::quick", "a.py::slow"]),
    ],
)
def test_tests_of_the_statement_come_first_and_the_quickest_before_the_slow(
    line: int, budget: float, expected: list[str]
) -> None:
    assert sorted(COVERED.tests("m.py", STATEMENTS, line, budget)) == sorted(expected)


def test_tests_of_a_file_stay_together() -> None:
    chosen = COVERED.tests("m.py", STATEMENTS, 2, 60)
    assert [one.partition("::")[0] for one in chosen] == ["b.py", "b.py", "a.py", "a.py"]


def test_a_file_that_no_test_reaches_has_no_tests() -> None:
    assert COVERED.tests("other.py", STATEMENTS, 1, 60) == []
