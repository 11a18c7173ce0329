"""What is installed with archiver: its dependencies and theirs, as their metadata tell."""

from __future__ import annotations

from importlib.metadata import Distribution, distribution

from packaging.requirements import Requirement


def closure(name: str = "archiver", *extras: str) -> dict[str, Distribution]:
    """The package and all that it brings along on this machine, by name.

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
        for line in found[one].requires or ():
            needed = Requirement(line)
            marker = needed.marker
            if marker is None or any(marker.evaluate({"extra": extra}) for extra in wanted):
                following = needed.name.lower().replace("_", "-")
                waiting.append((following, tuple(sorted(needed.extras)) or ("",)))
    return found
