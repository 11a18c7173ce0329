"""The one-token mutants of a file, by the operators of cosmic-ray, and a random choice of them."""

from __future__ import annotations

import ast
import random
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names

#: Identity in place of equality, and back: hardly ever another meaning.
_SAME = ("_Eq_Is", "_NotEq_IsNot", "_Is_Eq", "_IsNot_NotEq")


@dataclass(frozen=True)
class Mutant:
    """A change of one token.

    Parameters
    ----------
    path
        The file, from the checkout on.
    line, column
        Where, counted from 1 and from 0.
    operator, occurrence
        What cosmic-ray calls it.
    """

    path: str
    line: int
    column: int
    operator: str
    occurrence: int

    def applied(self, text: str) -> str:
        """Return the file's text with the change."""
        changed = mutate_code(text, get_operator(self.operator)(), self.occurrence)
        assert changed is not None, self
        return changed


@cache
def _operators() -> tuple[str, ...]:
    found = (name for name in operator_names() if not get_operator(name).arguments())
    return tuple(name for name in found if not name.endswith((*_SAME, "/NoOp")))


def mutants_of(path: str, text: str) -> Iterator[Mutant]:
    """Yield every mutant of a file."""
    nodes = list(ast_nodes(get_ast(text)))
    for name in _operators():
        operator = get_operator(name)()
        places = (start for node in nodes for start, _ in operator.mutation_positions(node))
        for occurrence, (line, column) in enumerate(places):
            yield Mutant(path, line, column, name, occurrence)


def choose(root: Path, paths: list[str], seed: int, count: int) -> list[Mutant]:
    """Choose places at random, and at each place one of its mutants.

    Left out is what no run could tell from the original: changes of annotations, which are never
    evaluated, and what only type checkers see. So is what Python itself warns of.
    """
    rng = random.Random(seed)
    places: dict[tuple[str, int, int], list[Mutant]] = {}
    texts = {path: (root / path).read_text("utf-8") for path in paths}
    for path, text in texts.items():
        for mutant in mutants_of(path, text):
            places.setdefault((path, mutant.line, mutant.column), []).append(mutant)
    order = sorted(places)
    rng.shuffle(order)
    chosen: list[Mutant] = []
    for place in order:
        mutant = rng.choice(places[place])
        if _runs_otherwise(texts[mutant.path], mutant):
            chosen.append(mutant)
        if len(chosen) == count:
            break
    return chosen


def _runs_otherwise(text: str, mutant: Mutant) -> bool:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            changed = mutant.applied(text)
            compile(changed, "mutant", "exec")
        # cosmic-ray cannot replace an exception that is named with its module.
        except (AttributeError, SyntaxError):
            return False
    return _evaluated(text) != _evaluated(changed)


def _evaluated(text: str) -> str:
    return ast.dump(_Evaluated().visit(ast.parse(text)))


class _Evaluated(ast.NodeTransformer):
    """Takes out what is never evaluated."""

    def visit_arg(self, node: ast.arg) -> ast.arg:
        node.annotation = None
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        node.returns = None
        return self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        node.annotation = ast.Constant(None)
        return self.generic_visit(node)

    def visit_If(self, node: ast.If) -> ast.AST:
        if isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            node.body = [ast.Pass()]
        return self.generic_visit(node)
