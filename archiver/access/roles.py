"""What each role may do."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.resources import files

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib


@cache
def roles() -> Mapping[str, frozenset[str]]:
    """Return what each role may do, in the words of ``roles.toml``."""
    table = tomllib.loads(files(__package__).joinpath("roles.toml").read_text("utf-8"))
    return {role: frozenset(may) for role, may in table["roles"].items()}


def allowed(given: Iterable[str]) -> frozenset[str]:
    """Return what who has some roles may do."""
    return frozenset().union(*(roles().get(role, frozenset()) for role in given))
