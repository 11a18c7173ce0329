"""The small language in which ``conditions.toml`` says when an attribute is required.

An expression is made of ``and``, ``or``, ``not``, comparisons and three calls::

    present(Keyword)    the element is there, with or without a value
    has(Keyword)        the element is there with a value
    items(Keyword)      the sequence has an item
    Keyword == 'X'      its first value; Keyword[3] is its third; `in`, `!=`, `>` likewise
    root.Keyword        the same in the dataset, parent.Keyword in the item that holds this one

A comparison with a number reads a number; one with an absent value is false. Python's own parser
does the reading, and everything else that it would accept is refused when the table is loaded.
"""

from __future__ import annotations

import ast
import operator
from collections.abc import Callable
from functools import cache
from typing import Any

from archiver.standard.dictionary import tag_of
from archiver.standard.elements import Item

Condition = Callable[[Item], bool]
_Scope = Callable[[Item], Item]

_COMPARISONS: dict[type[ast.cmpop], Callable[[Any, Any], bool]] = {
    ast.Eq: operator.eq,
    ast.NotEq: operator.ne,
    ast.Gt: operator.gt,
    ast.GtE: operator.ge,
    ast.Lt: operator.lt,
    ast.LtE: operator.le,
    ast.In: lambda value, choices: value in choices,
    ast.NotIn: lambda value, choices: value not in choices,
}


@cache
def condition_of(expression: str) -> Condition:
    """Compile an expression.

    Raises
    ------
    ValueError
        It is not in the language, or names an attribute that the dictionary does not have.
    """
    try:
        return _compile(ast.parse(expression, mode="eval").body)
    except (SyntaxError, KeyError, ValueError) as error:
        raise ValueError(f"condition {expression!r}: {error}") from error


def _compile(node: ast.expr) -> Condition:
    if isinstance(node, ast.BoolOp):
        parts = [_compile(value) for value in node.values]
        if isinstance(node.op, ast.And):
            return lambda item: all(part(item) for part in parts)
        return lambda item: any(part(item) for part in parts)
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        inner = _compile(node.operand)
        return lambda item: not inner(item)
    if isinstance(node, ast.Call):
        return _compile_call(node)
    if isinstance(node, ast.Compare) and len(node.ops) == 1:
        return _compile_comparison(node)
    raise ValueError(f"{ast.unparse(node)} is no part of the condition language")


def _compile_call(node: ast.Call) -> Condition:
    if not isinstance(node.func, ast.Name) or len(node.args) != 1 or node.keywords:
        raise ValueError(f"{ast.unparse(node)} is no part of the condition language")
    scope, keyword = _attribute(node.args[0])
    calls: dict[str, Condition] = {
        "present": lambda item: keyword in scope(item),
        "has": lambda item: scope(item).has(keyword),
        "items": lambda item: bool(scope(item).items(keyword)),
    }
    return calls[node.func.id]


def _compile_comparison(node: ast.Compare) -> Condition:
    left, number = node.left, 1
    if isinstance(left, ast.Subscript):
        number = ast.literal_eval(left.slice)
        left = left.value
    scope, keyword = _attribute(left)
    wanted = ast.literal_eval(node.comparators[0])
    compare = _COMPARISONS[type(node.ops[0])]
    sample = wanted[0] if isinstance(wanted, tuple) else wanted
    if isinstance(sample, int | float):

        def numeric(item: Item) -> bool:
            values = scope(item).numbers(keyword)
            return len(values) >= number and compare(values[number - 1], wanted)

        return numeric
    return lambda item: compare(scope(item).text(keyword, number), wanted)


def _attribute(node: ast.expr) -> tuple[_Scope, str]:
    """Return where to look and for what: ``Keyword``, ``root.Keyword`` or ``parent.Keyword``."""
    if isinstance(node, ast.Name):
        tag_of(node.id)
        return lambda item: item, node.id
    if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
        tag_of(node.attr)
        scopes: dict[str, _Scope] = {
            "root": lambda item: item.root,
            "parent": lambda item: item.parent or item,
        }
        return scopes[node.value.id], node.attr
    raise ValueError(f"{ast.unparse(node)} names no attribute")
