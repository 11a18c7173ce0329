"""What is installed with archiver: its dependencies and theirs."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from importlib.metadata import Distribution, distribution
from pathlib import Path

from packaging.requirements import Requirement

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

_PROJECT = Path(__file__).parents[2] / "pyproject.toml"


def closure(name: str = "archiver", *extras: str) -> dict[str, Distribution]:
    """The package and all that it brings along on this machine, by name.

    What the package itself needs is as the project says now; what was installed earlier may say
    something else.

    Parameters
    ----------
    extras
        Of the package, beside what it always needs.
    """
    found: dict[str, Distribution] = {}
    waiting = [(name, extras or ("",))]
    seen = set()
    while waiting:
        one, wanted = waiting.pop()
        if (one, wanted) in seen:
            continue
        seen.add((one, wanted))
        found[one] = distribution(one)
        lines = _of_the_project() if one == "archiver" else found[one].requires or ()
        for line in lines:
            needed = Requirement(line)
            marker = needed.marker
            if marker is None or any(marker.evaluate({"extra": extra}) for extra in wanted):
                following = re.sub(r"[-_.]+", "-", needed.name.lower())
                waiting.append((following, tuple(sorted(needed.extras)) or ("",)))
    return found


def _of_the_project() -> Iterator[str]:
    """Yield what the project needs, as its metadata will tell."""
    project = tomllib.loads(_PROJECT.read_text("utf-8"))["project"]
    yield from project["dependencies"]
    for extra, lines in project["optional-dependencies"].items():
        yield from (f'{line}; extra == "{extra}"' for line in lines)
