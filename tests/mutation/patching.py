"""Bringing a mutant into modules that are imported already, where it is inside a function."""

from __future__ import annotations

import ast
from functools import cached_property
from types import CodeType, FunctionType, ModuleType

Function = ast.FunctionDef | ast.AsyncFunctionDef


def changed_function(before: str, after: str) -> tuple[str, ...] | None:
    """Return where the one function is whose body differs: its class, if any, and its name.

    None where anything else differs, which Python evaluates when it imports the module.
    """
    return _changed(ast.parse(before).body, ast.parse(after).body)


def _changed(before: list[ast.stmt], after: list[ast.stmt]) -> tuple[str, ...] | None:
    pairs = [(a, b) for a, b in zip(before, after, strict=False) if ast.dump(a) != ast.dump(b)]
    if len(before) != len(after) or len(pairs) != 1:
        return None
    ((a, b),) = pairs
    is_known = isinstance(a, Function | ast.ClassDef) and type(a) is type(b)
    if not is_known or _without_body(a) != _without_body(b):
        return None
    if isinstance(a, ast.ClassDef):
        inner = _changed(a.body, b.body)  # type: ignore[attr-defined]
        return None if inner is None else (a.name, *inner)
    return (a.name,)  # type: ignore[attr-defined]


def _without_body(node: ast.stmt) -> str:
    copy = type(node)(**{**dict(ast.iter_fields(node)), "body": []})
    return ast.dump(copy)


def patch(module: ModuleType, text: str, path: tuple[str, ...]) -> bool:
    """Give a function of a module the code that it has in another text of the module.

    Parameters
    ----------
    path
        As `changed_function` returns it.

    Returns
    -------
    bool
        False where the function was not found, or is made from something else.
    """
    assert module.__file__ is not None
    places = [compile(text, module.__file__, "exec")]
    found: object = module
    for name in path:
        places = [code for place in places for code in _inside(place, name)]
        found = vars(found).get(name)
    functions = {one.__code__.co_firstlineno: one for one in _functions(found)}
    for code in places:
        if code.co_firstlineno in functions:
            functions[code.co_firstlineno].__code__ = code
    return bool(places) and {code.co_firstlineno for code in places} >= set(functions) != set()


def _inside(place: CodeType, name: str) -> list[CodeType]:
    codes = [one for one in place.co_consts if isinstance(one, CodeType)]
    return [one for one in codes if one.co_name == name]


def _functions(found: object) -> list[FunctionType]:
    """Return the functions behind what decorators made of them."""
    if isinstance(found, property):
        return [f for one in (found.fget, found.fset) for f in _functions(one)]
    if isinstance(found, cached_property):
        return _functions(found.func)
    if isinstance(found, staticmethod | classmethod):
        return _functions(found.__func__)
    if hasattr(found, "__wrapped__"):
        return _functions(found.__wrapped__)
    return [found] if isinstance(found, FunctionType) else []
